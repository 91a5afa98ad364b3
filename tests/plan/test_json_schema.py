"""The JSON Schema of plans: an outside validator takes and refuses what busplan does.

The reference is jsonschema, a library for JSON Schema draft 2020-12.
"""

import copy
import json
import tomllib
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest
from support.command import busplan
from support.plans import PLAN

from busplan.demo.files import plan_file
from busplan.plan.json_schema import plan_schema
from busplan.plan.meanings import MEANINGS
from busplan.plan.problems import Problems
from busplan.plan.validate import SECTIONS, read_spec

SCHEMA = plan_schema()
CHECKER = jsonschema.Draft202012Validator(SCHEMA)
FULL = (
    PLAN.replace("[0x0, 0x10]", '"free"').replace('on = ["loop"]', 'on = { p = "loop" }', 1)
    + """
[[part.vcu.message]]
identifier = 0x123
bytes = 8
cycle_ms = 10
receivers = ["pump"]
[[part.vcu.message.signal]]
name = "A"
start = 0
length = 8
scale = 0.5
values = { 0 = "Off" }
page = [0, "2-3"]
[[route]]
signal = "A"
from = "loop"
to = "main"
through = "vcu"
as = "B"
timeout_ms = 10
timeout_value = "Off"
[message."loop/PumpStatus"]
optional = ["A"]
identifier = 0x10
[role]
speed = "PumpSpeed"
hot = { signal = "A", above = 3 }
[[behaviour]]
always = { signal = "A", is = ["Off", 3] }
[[pack.enclosure]]
name = "A"
modules = ["M"]
cells_per_module = 1
cells = ["a", "b"]
"""
)


def accepted(document: Any) -> bool:
    """Whether the tables pass, names left aside."""
    problems = Problems("plan", {})
    read_spec(document, problems)
    return not problems.found


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert set(SCHEMA["properties"]) == set(SECTIONS)


@pytest.mark.parametrize("name", ["as_built", "as_bought", "asleep"])
def test_the_plans_of_the_demo_hold(name: str) -> None:
    CHECKER.validate(tomllib.loads(plan_file(name).read_text("utf-8")))


def values(document: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of every value that is no table."""
    items = document.items() if isinstance(document, dict) else enumerate(document)
    for key, value in items:
        if isinstance(value, dict | list):
            yield from values(value, (*path, key))
        else:
            yield (*path, key)


def test_what_busplan_refuses_the_schema_refuses() -> None:
    document = tomllib.loads(FULL)
    assert accepted(document)
    CHECKER.validate(document)
    refused = 0
    for path in values(document):
        for wrong in (-1, True, "fast", 1.5, 10**12, ""):
            changed = copy.deepcopy(document)
            table = changed
            for step in path[:-1]:
                table = table[step]
            table[path[-1]] = wrong
            good = CHECKER.is_valid(changed)
            # What takes more than one key or an interval of text is left to busplan itself.
            assert good or not accepted(changed), (path, wrong)
            refused += not good
    assert refused > 150


@pytest.mark.parametrize(
    "text",
    [
        "[network.a]\nbit_rate = 4999\n",
        "[network.a]\nbit_rat = 5000\n",
        "[network.a]\n",
        '[network."a b"]\nbit_rate = 5000\n',
        "[netwrk.a]\n",
        "[network.a]\nbit_rate = 250000\nload_limit = 1.5\n",
        '[part.a]\nidentifiers = "fre"\n',
        "[part.a]\ndefinitions = 3\n",
        '[node.a]\npart = "a"\non = []\n',
        '[[route]]\nsignal = "A"\nfrom = "a"\nto = "b"\n',
        "[[part.a.message]]\nidentifier = 0x20000000\nbytes = 8\n",
    ],
)
def test_mistakes_an_editor_marks(text: str) -> None:
    document = tomllib.loads(text)
    assert not accepted(document)
    assert not CHECKER.is_valid(document)


def test_every_key_says_what_it_must_be() -> None:
    for name, table in SCHEMA["$defs"].items():
        for key, field in table["properties"].items():
            assert field.get("description"), f"{name}.{key}"
            assert field["title"] == MEANINGS[name][key]
    rate = SCHEMA["$defs"]["NetworkSpec"]["properties"]["bit_rate"]
    assert (rate["minimum"], rate["maximum"]) == (5_000, 1_000_000)
    assert SCHEMA["$defs"]["MessageSpec"]["properties"]["session_priority"]["default"] == 7


def test_the_command_prints_it() -> None:
    shown = busplan("schema")
    assert shown.code == 0
    assert json.loads(shown.out) == json.loads(json.dumps(SCHEMA))
