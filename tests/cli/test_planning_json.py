"""``--json`` of every planning command says the same as its text, and begins and ends alike."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from support.command import busplan

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"
BOUGHT, BUILT = EXAMPLES / "as_bought.toml", EXAMPLES / "as_built.toml"
OF_ONE_PLAN = {
    "check": ("check", BOUGHT),
    "load": ("load", BOUGHT),
    "timing": ("timing", BOUGHT),
    "cable": ("cable", BOUGHT),
    "whatif": ("whatif", BOUGHT, "--bit-rate", "body=250000"),
    "simulate": ("simulate", BOUGHT, "--seconds", "0.2"),
    "allot": ("allot", BOUGHT, "--seconds", "60"),
    "identifiers": ("allot", BOUGHT, "--only", "identifiers", "--seconds", "2"),
}


def counts(text: str) -> dict[str, int]:
    """What a sentence such as "5 faults, no cautions, 1 note" counts."""
    found = re.search(r"(no|\d+) faults?, (no|\d+) cautions?, (no|\d+) notes?", text)
    assert found, text
    numbers = (0 if n == "no" else int(n) for n in found.groups())
    return dict(zip(("fault", "caution", "note"), numbers, strict=True))


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("name", OF_ONE_PLAN)
def test_whose_plan_it_is_and_that_it_is_invented_is_told_in_both(name: str) -> None:
    run = busplan(*OF_ONE_PLAN[name])
    told = busplan(*OF_ONE_PLAN[name], "--json")
    shown = json.loads(told.out)
    assert told.code == run.code
    assert (shown["vehicle"], shown["invented"]) == ("Magpie", True)
    if name != "check":
        assert "Magpie (invented)" in run.out
    findings = shown.get("findings", shown.get("findings_after"))
    if findings is not None and "counts" in shown:
        weights = [f["weight"] for f in findings]
        assert shown["counts"] == {w: weights.count(w) for w in ("fault", "caution", "note")}


@pytest.mark.parametrize("name", ["check", "cable", "whatif"])
def test_findings_are_counted_alike(name: str) -> None:
    text = words(busplan(*OF_ONE_PLAN[name]).out)
    shown = json.loads(busplan(*OF_ONE_PLAN[name], "--json").out)
    last = [m.start() for m in re.finditer(r"(no|\d+) faults?, ", text)][-1]
    assert shown["counts"] == counts(text[last:])


def test_findings_of_timing_are_told_one_by_one() -> None:
    told = re.findall(r"^[#!.] (fault|caution|note) +(\S+) ", busplan("timing", BOUGHT).out, re.M)
    shown = json.loads(busplan("timing", BOUGHT, "--json").out)
    assert told == [(f["weight"], f["code"]) for f in shown["findings"]]
    assert told


def test_a_comparison_names_both_plans() -> None:
    shown = json.loads(busplan("compare", BOUGHT, BUILT, "--json").out)
    for side in ("before", "after"):
        assert shown[side] == {"vehicle": "Magpie", "invented": True}
    text = words(busplan("compare", BOUGHT, BUILT).out)
    assert shown["counts"] == counts(text[text.index("after the change: ") :])


def test_loads_are_those_of_the_table() -> None:
    rows: dict[str, str] = {}
    for line in busplan("load", BOUGHT).out.splitlines():
        if "bit/s" in line:
            rows.setdefault(line.split()[0], line)
    shown: dict[str, Any] = json.loads(busplan("load", BOUGHT, "--json").out)
    assert len(shown["networks"]) == 5
    for one in shown["networks"]:
        row = rows[one["network"]]
        for key in ("nominal", "worst", "limit", "headroom"):
            assert f"{100 * one[key]:.1f} %" in row


def test_sheets_tell_whose_they_are(tmp_path: Path) -> None:
    shown = json.loads(busplan("sheets", BUILT, "--to", tmp_path / "s", "--json").out)
    assert (shown["vehicle"], shown["invented"]) == ("Magpie", True)
    assert set(shown) == {"vehicle", "invented", "sheets", "counts", "findings"}
    assert {Path(s["file"]).name for s in shown["sheets"]} == {
        p.name for p in (tmp_path / "s").iterdir()
    }
