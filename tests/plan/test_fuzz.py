"""Garbage is either a plan or one kind of error: nothing else ever escapes."""

import copy
import random
import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.checks import run_checks
from busplan.definitions.dbc import Definitions, load_dbc
from busplan.errors import PlanError, Problem
from busplan.plan.locate import key_lines
from busplan.plan.problems import Problems
from busplan.plan.reader import load_plan, vehicle_of
from busplan.plan.vehicle import Vehicle

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"
TEXT = (EXAMPLES / "as_built.toml").read_text("utf-8")
LOAD: Callable[[Path], Definitions] = cache(load_dbc)

anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats()
    | st.dates()
    | st.sampled_from(["", "drive", "pack", "supervisor", "{", "{n}", "{x}", "{n:q}", "*", "a/b/c"])
    | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["name", "from", "on", "x", "0"]), inner, max_size=3)
    ),
    max_leaves=4,
).filter(lambda value: value is not None)


def places(value: Any) -> list[tuple[Any, Any]]:
    """Every container of a document with each of its keys."""
    items = (
        list(value.items())
        if isinstance(value, dict)
        else list(enumerate(value))
        if isinstance(value, list)
        else []
    )
    return [(value, key) for key, _ in items] + [p for _, inner in items for p in places(inner)]


def outcome(load: Callable[[], Vehicle]) -> tuple[Problem, ...]:
    """Problems of a refused plan; a plan that is accepted can be checked and has none."""
    try:
        vehicle = load()
    except PlanError as error:
        return error.problems or (Problem("", None, "", "an error without a problem"),)
    run_checks(vehicle)
    return ()


@given(st.integers(0, 10**6), anything, st.booleans())
@settings(max_examples=120)
def test_any_value_anywhere(number: int, value: Any, delete: bool) -> None:
    document = copy.deepcopy(tomllib.loads(TEXT))
    spots = places(document)
    container, key = spots[number % len(spots)]
    if delete:
        del container[key]
    else:
        container[key] = value
    lines = Problems("fuzz", key_lines(TEXT))
    found = outcome(lambda: vehicle_of(document, lines, EXAMPLES, LOAD))
    assert all(p.file and p.text for p in found)


def test_flipped_bytes(tmp_path: Path) -> None:
    chance = random.Random(7)
    path = tmp_path / "plan.toml"
    small = TEXT[: TEXT.index("[part.inverter]")].encode()
    for _ in range(150):
        data = bytearray(small)
        for _ in range(chance.randint(1, 3)):
            data[chance.randrange(len(data))] = chance.choice(b'[]{}="#,.\n\\\x00\xff01az')
        path.write_bytes(data[: chance.randint(1, len(data))])
        assert all(p.file and p.text for p in outcome(lambda: load_plan(path)))
