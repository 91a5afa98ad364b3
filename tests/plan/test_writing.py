"""A changed plan as text: what does not change keeps its comments, its order and its layout."""

import copy
import difflib
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from support.command import busplan

from busplan.demo.files import plan_file
from busplan.errors import UsageError
from busplan.plan.reader import load_plan, moved
from busplan.plan.writing import edited

TEXT = plan_file("as_built").read_text("utf-8")
PLAN = tomllib.loads(TEXT)


def changed(change: Callable[[Any], object], text: str = TEXT) -> tuple[list[str], list[str]]:
    """Lines that went and that came; the result must hold what was wanted."""
    after = copy.deepcopy(tomllib.loads(text))
    change(after)
    result = edited(text, after)
    assert tomllib.loads(result) == after
    lines = list(difflib.ndiff(text.splitlines(), result.splitlines()))
    return (
        [line[2:] for line in lines if line.startswith("- ")],
        [line[2:] for line in lines if line.startswith("+ ") and line[2:].strip()],
    )


def test_one_value_is_one_line() -> None:
    gone, come = changed(lambda p: p["node"]["pump_2"].update(on=["cabin"]))
    assert (gone, come) == (['on = ["thermal"]'], ['on = ["cabin"]'])
    gone, come = changed(lambda p: p["node"]["pump_2"].update(identifier_offset=0x20))
    assert come == ["identifier_offset = 0x20"]


def test_a_comment_behind_a_value_stays() -> None:
    text = "[network.a]\nbit_rate = 250_000  # as its maker says\n"
    _, come = changed(lambda p: p["network"]["a"].update(bit_rate=500000), text)
    assert come == ["bit_rate = 500000  # as its maker says"]


def test_what_goes_takes_no_comment_of_others_along() -> None:
    gone, come = changed(lambda p: p["node"].pop("fan"))
    assert (gone, come) == (["[node.fan]", 'part = "fan"', 'on = ["thermal"]', ""], [])
    last = list(PLAN["node"])[-1]
    gone, _ = changed(lambda p: p["node"].pop(last))
    assert not [line for line in gone if line.startswith("#")]
    gone, _ = changed(lambda p: p["route"].pop())
    assert gone
    assert not [line for line in gone if line.startswith("#")]
    gone, _ = changed(lambda p: p.pop("pack"))
    assert not [line for line in gone if line.startswith("# Roles")]


def test_what_is_new_stands_behind_its_kind_and_before_the_next_comment() -> None:
    new = {"message": "X", "from": "a", "to": "b", "through": "c", "identifier": 0x123}
    text = edited(TEXT, {**PLAN, "route": [*PLAN["route"], new]})
    lines = text.splitlines()
    here = lines.index("identifier = 0x123")
    assert lines[here - 5 : here - 3] == ["[[route]]", 'message = "X"']
    assert (lines[here + 1], lines[here + 2][:1]) == ("", "#")
    gone, come = changed(lambda p: p["node"].update(spare={"part": "pump", "on": ["cabin"]}))
    assert (gone, come) == ([], ["[node.spare]", 'part = "pump"', 'on = ["cabin"]'])


def test_an_entry_in_the_middle_is_changed_or_taken_out_alone() -> None:
    gone, come = changed(lambda p: p["route"][2].update(delay_ms=7))
    assert (gone, come) == (["delay_ms = 5"], ["delay_ms = 7"])
    gone, come = changed(lambda p: p["route"].pop(3))
    assert come == []
    assert len(gone) == 1 + len(PLAN["route"][3]) + 1


def test_tables_of_one_kind_apart_from_each_other() -> None:
    text = "[node.a]\npart = 'x'\n[part.x]\n# why\n[node.b]\npart = 'x'\n"
    _, come = changed(lambda p: p["node"]["b"].update(part="y"), text)
    assert come == ['part = "y"']


values = st.one_of(st.booleans(), st.integers(-9, 9), st.text('ab"\\# \n', max_size=4))
tables = st.dictionaries(st.sampled_from("abcd"), values, max_size=3)
documents = st.fixed_dictionaries(
    {},
    optional={
        "one": tables,
        "two": st.dictionaries(st.sampled_from("xyz"), tables, min_size=1, max_size=3),
        "many": st.lists(tables, min_size=1, max_size=4),
    },
)


@settings(max_examples=150)
@given(before=documents, after=documents, noise=st.integers(0, 7))
def test_whatever_changes_the_text_holds_it(before: Any, after: Any, noise: int) -> None:
    text = tomlkit.dumps(before)
    if noise & 1:
        text = text.replace("\n\n", "\n\n# kept\n\n")
    if noise & 2:
        text = text + "# the end\n"
    assert tomllib.loads(edited(text, after)) == after


def test_definition_files_are_found_from_the_new_place(tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    new.mkdir()
    document = {
        "part": {
            "a": {"definitions": "a.dbc"},
            "b": {"port": {"p": {"definitions": ["sub\\b.dbc", "/c.dbc"]}}},
        }
    }
    assert moved(document, old, old) == document
    part = moved(document, old, new)["part"]
    assert part["a"]["definitions"] == "../old/a.dbc"
    assert part["b"]["port"]["p"]["definitions"] == ["../old/sub/b.dbc", "/c.dbc"]


def test_whatif_writes_the_changed_plan(tmp_path: Path) -> None:
    out = tmp_path / "new.toml"
    plan = str(plan_file("as_built"))
    shown = busplan("whatif", plan, "--move", "pump_2=cabin", "--out", str(out))
    assert shown.code == 1
    v = load_plan(out)
    assert list(v.nodes["pump_2"].on) == ["cabin"]
    assert "# Drive loop." in out.read_text("utf-8")
    before = out.read_bytes()
    again = busplan("whatif", plan, "--drop", "lift", "--out", str(out))
    assert again.code == 3
    assert "exists already" in again.err
    assert out.read_bytes() == before


def test_what_cannot_be_written_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tomlkit, "dumps", lambda _: "a = 1\n")
    with pytest.raises(UsageError, match="by hand"):
        edited("a = 2\n", {"a": 3})
