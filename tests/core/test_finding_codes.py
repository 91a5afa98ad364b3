"""The register of finding codes, held against the whole source and against itself."""

import json
import re
from itertools import pairwise
from pathlib import Path

import pytest
from support.command import busplan
from support.finding_uses import Uses, finding_uses

import busplan as package
from busplan.checks.registry import CHECKS
from busplan.finding_codes import CODES, ROOMS, matching
from busplan.finding_codes.register import _TABLES
from busplan.findings import Finding, Weight, Where

SOURCE = Path(package.__file__).parent
NOT_MAKING = {"findings.py"}
"""Reading a finding back from its own dictionary makes no new one."""


@pytest.fixture(scope="module")
def uses() -> Uses:
    return finding_uses(SOURCE, NOT_MAKING)


def test_every_code_in_the_source_is_registered_and_every_registered_one_is_used(
    uses: Uses,
) -> None:
    assert uses.unclear == []
    assert {code for _, code in uses.codes} == set(CODES)


def test_a_code_has_one_home(uses: Uses) -> None:
    for path, code in sorted(uses.codes):
        room = path.relative_to(SOURCE).parts[0]
        assert CODES[code].room == room, (path, code)


def test_registered_weights_are_those_of_the_source(uses: Uses) -> None:
    # Weights that are worked out (from tables, endings, deviations) are looked up while tests run.
    assert len(uses.weights) > 0.8 * len(CODES)
    for code, weights in uses.weights.items():
        assert weights == {w.name for w in CODES[code].weights}, code


def test_codes_that_findings_are_picked_by_are_registered(uses: Uses) -> None:
    assert uses.compared
    assert uses.compared <= set(CODES)


def test_a_check_yields_its_own_codes_only(uses: Uses) -> None:
    for check in CHECKS:
        module = check.run.__module__.rsplit(".", 1)[1]
        mine = {code for path, code in uses.codes if path == SOURCE / "checks" / f"{module}.py"}
        assert mine == (check.codes if module != "loaded" else set()), module


def test_entries_are_well_formed() -> None:
    assert sum(map(len, _TABLES)) == len(CODES)
    assert {entry.room for entry in CODES.values()} == set(ROOMS)
    for code, entry in CODES.items():
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)+", code)
        assert list(entry.weights) == sorted(set(entry.weights))
        assert bool(entry.decides) == (len(entry.weights) > 1), code
        for text in (entry.meaning, entry.action, *([entry.decides] if entry.decides else [])):
            assert text[0].isupper() or text[0].isdigit(), code
            assert text.endswith((".", "?")), code
            assert "  " not in text, code
        assert len(entry.meaning) > 40, code
        for named in re.findall(r"busplan (\w+)", entry.meaning + entry.action):
            assert named in ("survey", "timing", "bench", "measure"), code


def test_an_unregistered_finding_cannot_be_made_in_tests() -> None:
    with pytest.raises(AssertionError, match="no room has registered"):
        Finding("made-up", Weight.NOTE, Where(), "")
    with pytest.raises(AssertionError, match="frame-late is never a fault"):
        Finding("frame-late", Weight.FAULT, Where(), "")


SAMPLES = {
    "written.py": 'Finding("a-b", Weight.NOTE, w, "")\nFinding(code="a-c", weight=Weight.FAULT)',
    "chosen.py": 'def f(x):\n    Finding("a-d" if x else "a-e", Weight.NOTE if x else Weight.FAULT)'
    '\nassert f.code == "a-x" or f.code in ("a-y", "a-z")',
    "handed.py": "def g(x, code, *, weight):\n    return Finding(code, weight, x)",
    "handing.py": "class T:\n    def h(self, code):\n"
    '        g(1, code, weight=Weight.NOTE)\nt.h("a-f")',
    "loop.py": 'for code, n in (("a-g", 1), ("a-h", 2)):\n    Finding(code, Weight.NOTE)',
    "table.py": 'T = {1: ("a-i", Weight.NOTE), 2: ("a-j", Weight.FAULT)}\n'
    "def f(k):\n    code, weight = T[k]\n    Finding(code, weight)",
    "plain_table.py": 'T = {1: "a-k"}\nFinding(T[1], Weight.NOTE)',
}


def test_the_reading_of_the_source_finds_every_way_of_saying_it(tmp_path: Path) -> None:
    for name, text in SAMPLES.items():
        (tmp_path / name).write_text(text)
    uses = finding_uses(tmp_path, set())
    assert uses.unclear == []
    assert sorted(code for _, code in uses.codes) == [f"a-{x}" for x in "bcdefghijk"]
    assert uses.weights["a-c"] == {"FAULT"}
    assert uses.compared == {"a-x", "a-y", "a-z"}
    assert uses.weights["a-f"] == {"NOTE"}
    (tmp_path / "unclear.py").write_text('Finding(f"a-{x}", Weight.NOTE)\nFinding(made(), w)')
    assert len(finding_uses(tmp_path, set()).unclear) == 2


@pytest.mark.parametrize("code", ["insulation-low", "stops-early"])
def test_explain_tells_meaning_weights_home_and_remedy(code: str) -> None:
    result = busplan("explain", code)
    text = " ".join(result.out.split())
    entry = CODES[code]
    assert result.code == 0
    for part in (code, entry.weights_in_words, entry.meaning, entry.action, ROOMS[entry.room]):
        assert part in text
    assert entry.decides in text


def test_explain_all_is_grouped_by_room_and_fits_80_columns() -> None:
    lines = busplan("explain", "all").out.splitlines()
    titles = [
        line.partition(":")[0] for line, under in pairwise(lines) if under and set(under) == {"-"}
    ]
    assert titles == list(ROOMS)
    assert max(map(len, lines)) <= 80
    heads = [line.split(" (")[0] for line in lines if re.match(r"[a-z0-9-]+ \(", line)]
    assert heads == list(CODES)


def test_explain_as_json_with_wildcards() -> None:
    document = json.loads(busplan("explain", "PACK-cell-*", "time-gap", "--json").out)
    codes = [entry["code"] for entry in document["codes"]]
    assert codes == [c for c in CODES if c.startswith("pack-cell-") or c == "time-gap"]
    low = json.loads(busplan("explain", "insulation-low", "--json").out)["codes"][0]
    assert low["weights"] == ["caution", "fault"]
    assert low["room"] == "pack"


@pytest.mark.parametrize(
    ("asked", "near"),
    [("insulaton-low", '"insulation-low"'), ("clash", "-clash"), ("x-*", "explain all")],
)
def test_an_unknown_code_is_refused_with_what_is_near(asked: str, near: str) -> None:
    result = busplan("explain", asked)
    assert result.code == 3
    assert result.out == ""
    assert f'there is no code "{asked}"' in result.err
    assert near in result.err
    assert matching(asked) == ()
