"""The report of a build: complete, harmless, without a request, and bound to its captures."""

import hashlib
import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from support.bench import PLANS, as_built
from support.command import busplan
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.board.notes import Note
from busplan.commission.entry import Entry, Journal, Result, notes_kept
from busplan.commission.state import commissioning_of
from busplan.errors import UsageError
from busplan.plan.reader import load_plan
from busplan.report.contents import Report
from busplan.report.figures import plots_of
from busplan.report.hashes import check, list_text, read_list, worst
from busplan.report.page import page_of
from busplan.report.tables import baseline_rows, sheets_of

HOSTILE = "<script>alert(1)</script><img src=//x.example/a onerror=alert(2)> \x1b[2J \u202e & \"'"
TESTS = """
[[test]]
name = {name}
look = {name}
licensed = true
note = {name}
[[test]]
ready = "loads"
[[behaviour]]
name = "quick"
becomes = {{ signal = "PumpTarget", above = 5 }}
require = {{ signal = "PumpSpeed", above = 5 }}
within_s = 1
[[test]]
behaviour = "quick"
"""
VOID = {"meta", "br", "img", "use", "path", "rect", "line"}


class Reader(HTMLParser):
    """Tags and attributes of a page, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: dict[str, int] = {}
        self.links: list[str] = []
        self.text = ""
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
                self.links.append(value or "")
            if name.startswith("on"):
                self.handlers.append(name)

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    folder = tmp_path_factory.mktemp("build")
    plan = PLAN + TESTS.format(name=json.dumps(HOSTILE))
    plan = plan.replace("[node.pump]\n", '[node.pump]\nplace = "<b>rear</b>"\n', 1)
    vehicle = load_plan(write_plan(folder, plan, pump=PUMP, vcu=VCU))
    pack = {
        "modules": [
            {"module": "A1", "exchange": 1.0, "exchange_low": 0.9, "exchange_high": 1.1},
            {"module": "<i>A2</i>", "exchange": 0.5, "exchange_low": 0.4, "exchange_high": 0.6},
        ],
        "cells": [{"cell": 1, "resistance_mohm": 0.5}],
    }
    behaviour = {
        "margin_s": -2.5,
        "unit": "<u>",
        "failures": [{"at_s": 3.0, "until_s": None, "margin": -1.0, "margin_s": -2.5}],
    }
    capture = {"name": HOSTILE, "sha256": "a" * 64, "bytes": 1, "from": "x", "span_s": 2.0}
    capture |= notes_kept([Note(1_500_000_000, f"bled C2 {HOSTILE}", HOSTILE)] * 502)
    load = {"mean": 0.2, "peak": 0.3, "limit": 0.5}
    entries = (
        Entry(
            1, "2026-05-04T08:00:00+00:00", HOSTILE, "looked", (Result(HOSTILE, "failed", HOSTILE),)
        ),
        Entry(
            2,
            "2026-05-04T08:00:00+00:00",
            HOSTILE,
            "accepted",
            (Result(HOSTILE, "accepted"),),
            HOSTILE,
            1,
        ),
        Entry(
            3,
            "2026-05-04T08:00:00+00:00",
            "",
            "capture",
            (
                Result("loads loop", "proven", "mean 20 %", load),
                Result("behaviour quick", "failed", HOSTILE, behaviour | {"pack": pack}),
            ),
            captures=(capture,),
        ),
    )
    return Report(vehicle, commissioning_of(vehicle, Journal(entries)), "2026-05-04", HOSTILE)


@pytest.fixture(scope="module")
def page(report: Report) -> str:
    return page_of(report, plots_of(report))


def test_nothing_from_outside_is_markup(page: str) -> None:
    reader = Reader()
    reader.feed(page)
    assert "script" not in reader.tags
    assert not reader.handlers
    assert not {"b", "i", "u", "iframe", "object", "link", "form"} & reader.tags.keys()
    assert "<script>alert(1)</script>" in reader.text
    assert reader.text.count("bled C2 ") == 500
    assert re.search(r": 2 more\s+notes stand in the file beside it", reader.text)
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202e]", page)


def test_no_name_runs_off_the_paper(page: str) -> None:
    """A browser breaks a long word only where the style says so."""
    from busplan.sheets import wiring_page

    for style in (page, Path(wiring_page.__file__).read_text(encoding="utf-8")):
        rules = re.findall(r"^([^{}\n]+) \{ overflow-wrap: anywhere; \}", style, re.MULTILINE)
        assert {"h1", "h2", "p", "li"} <= set(", ".join(rules).split(", "))


def test_it_asks_for_nothing(page: str) -> None:
    reader = Reader()
    reader.feed(page)
    assert reader.links
    assert all(link.startswith(("data:image/svg+xml;base64,", "#")) for link in reader.links)
    style = page[page.index("<style>") : page.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert "default-src 'none'" in page
    assert len(page.encode()) < 3_000_000


def test_it_tells_everything_and_by_whom(report: Report, page: str) -> None:
    reader = Reader()
    reader.feed(page)
    text = " ".join(reader.text.split())
    assert (
        "Not ready to hand over: 1 test failed and nobody accepted that, 1 failure accepted" in text
    )
    for words in (
        "High voltage can kill",
        "by a licensed person; whether the one named is licensed was not checked",
        "accepted by",
        "What was not shown",
        "loads main",
        "is no approval",
        "licensed person",
        report.commissioning.journal.last,
    ):
        assert words in text, words
    assert "High voltage can kill" in page[page.index("@page") : page.index("</style>")]


def test_what_is_kept_is_told_with_its_unit(report: Report, monkeypatch) -> None:
    kept = {
        "voltage": {"value": [-0.001, None, 0.002], "conditions": "at rest"},
        "resistance at 1 s": {"value": [0.98, 1.12], "conditions": ""},
        "resistance outside the taps": {"value": [0.8]},
        HOSTILE: {"value": [1]},
        "capacity": 5,
        "exchange": {"value": "x"},
        "temperature": {"value": [None, "x"]},
    }
    entry = Entry(1, "now", "A", "capture")
    result = Result("drive", "proven", "", {"baseline": {"figures": kept}})
    state = replace(report.commissioning.tests[0], proof=(entry, result))
    monkeypatch.setattr(Report, "packs", lambda _: iter([(state, entry, {})]))
    name = state.test.name
    assert baseline_rows(report)[:3] == [
        (f"voltage beside the middle one ({name})", "2: -1 to 2 mV", "at rest"),
        (f"resistance at 1 s, of the middle one's ({name})", "2: 98 to 112 %", "-"),
        (f"resistance outside the taps ({name})", "1: 0.8 to 0.8 mΩ", "-"),
    ]


def test_every_picture_has_a_text(report: Report, page: str) -> None:
    plots = plots_of(report)
    assert plots is not None
    assert [p.title for p in plots] == ["Loads", "Behaviours in time"]
    for plot in plots:
        root = ElementTree.fromstring(plot.svg)
        assert root.attrib["aria-label"] == plot.text
        assert "currentColor" in plot.svg
    assert re.search(r">\s*2.5 s late", plots[1].svg)
    assert re.search(r'<img alt="[^"]{20,}"', page)


def test_a_plot_of_modules_tells_the_failure(report: Report) -> None:
    from busplan.report.figures import _exchange_plot

    plot = _exchange_plot(
        {"A1": (1.0, 0.9, 1.1), "C2": (1.0, 0.9, 1.1)},
        {"A1": (1.0, 0.9, 1.1), "C2": (0.4, 0.3, 0.5)},
    )
    assert "when it failed C2 40 %" in plot.text


def test_a_plot_of_cells_marks_what_is_bad_and_nothing_else() -> None:
    from busplan.report.figures import WARN, _Cell, _resistance_plot

    cells = [_Cell(n, 0.45, 0.44, 0.46, bad=False) for n in range(1, 5)]
    plot = _resistance_plot([*cells, _Cell(5, 0.46, 0.4, 0.52, bad=False)])
    assert WARN.lower() not in plot.svg.lower()
    assert "cell 5 with 0.46 mΩ (0.40 to 0.52)" in plot.text
    marked = _resistance_plot([*cells, _Cell(5, 0.6, 0.57, 0.65, bad=True)]).svg
    assert WARN.lower() in marked.lower()
    assert "cell 5 (bad)" in marked


def test_nothing_is_called_repaired(report: Report) -> None:
    """That a test passes is seen; that somebody repaired something is not."""
    first = report.commissioning.journal.entries[0]
    name = first.results[0].test
    after = replace(first, number=4, results=(Result(name, "proven", "in order"),))
    journal = Journal((*report.commissioning.journal.entries, after))
    told = replace(report, commissioning=commissioning_of(report.vehicle, journal))
    page = page_of(told, None)
    assert "failed before, proven since" in page
    assert "repair" not in page


def test_json_and_tables_say_the_same(report: Report) -> None:
    document = report.as_dict()
    assert document["verdict"] == "failed"
    assert len(document["commissioning"]["tests"]) == len(report.vehicle.tests)
    sheets = {s.name: s for s in sheets_of(report)}
    assert len(sheets["tests"].rows) == len(report.vehicle.tests)
    assert sheets["captures"].rows[0][-1] == "a" * 64
    assert all(len(r) == len(s.head) for s in sheets.values() for r in s.rows)


def test_all_proven_is_said_only_then(report: Report) -> None:
    vehicle = report.vehicle
    entries = (
        Entry(1, "t", "A", "looked", tuple(Result(t.name, "proven") for t in vehicle.tests)),
    )
    done = Report(vehicle, commissioning_of(vehicle, Journal(entries)), "d")
    assert done.words == f"All {len(vehicle.tests)} tests of the list are proven."
    one = replace(done.commissioning, tests=done.commissioning.tests[:1])
    assert replace(done, commissioning=one).words == "The one test of the list is proven."
    changed = Report(vehicle, commissioning_of(vehicle, Journal(entries, ("line 1",))), "d")
    assert "proves nothing" in changed.words
    assert changed.verdict == "failed"
    less = (
        Entry(1, "t", "A", "looked", tuple(Result(t.name, "proven") for t in vehicle.tests[1:])),
    )
    assert Report(vehicle, commissioning_of(vehicle, Journal(less)), "d").verdict == "not shown"


def test_faults_of_the_plan_are_told_although_no_test_shows_them(report: Report) -> None:
    bad = load_plan(PLANS / "as_bought.toml")
    first = report.commissioning.tests[0]
    proof = (Entry(1, "t", "A", "looked"), Result(first.test.name, "proven"))
    proven = replace(first, state="proven", proof=proof, accepted=None)
    state = replace(report.commissioning, tests=(proven,))
    found = Report(bad, state, "d")
    assert found.words == "The one test of the list is proven, but the plan itself has 7 faults."
    text = " ".join(re.sub("<[^>]+>", "", page_of(found, ())).split())
    assert "fault drive/lift: lift speaks 250 kbit/s, but drive runs at 500 kbit/s." in text
    assert len(found.as_dict()["plan_findings"]) == 11
    assert not Report(as_built(), state, "d").plan_findings


def test_what_the_plan_does_not_state_stands_beside_what_was_judged(tmp_path: Path) -> None:
    """Without a word of any cable, "no faults and no cautions" says nothing of cables."""
    text = PLAN + '[[test]]\nname = "leaks"\nlook = "no leak"\n'
    vehicle = load_plan(write_plan(tmp_path, text, pump=PUMP, vcu=VCU))
    shown = page_of(Report(vehicle, commissioning_of(vehicle, Journal()), "d"), ())
    assert "no faults and no cautions" in shown
    assert "What the plan does not state, and so was not judged or was assumed" in shown
    assert "The plan says nothing of any cable" in shown
    state = commissioning_of(as_built(), Journal())
    assert "does not state" not in page_of(Report(as_built(), state, "d"), ())


def test_without_a_list_nothing_is_called_done(tmp_path: Path) -> None:
    vehicle = load_plan(write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU))
    shown = page_of(Report(vehicle, commissioning_of(vehicle, Journal()), "d"), ())
    assert "every test of the list was done" not in shown
    assert "All of it: the plan has no list of tests." in shown


def test_lists_of_hashes() -> None:
    listed = {"a.html": "0" * 64, "b c.log": "f" * 64}
    assert read_list(list_text(listed)) == listed
    checked = check(listed, {"a.html": "0" * 64, "b c.log": "1" * 64})
    assert [c.answer for c in checked] == ["same", "changed"]
    assert worst(checked) == 2
    assert worst(check(listed, {"a.html": "0" * 64})) == 1
    for bad in ("", "hello\n", "0" * 63 + "  x\n"):
        with pytest.raises(UsageError):
            read_list(bad)
    with pytest.raises(UsageError):
        list_text({"a\nb": "0" * 64})


def test_an_odd_name_in_a_list_steers_nothing_and_is_found_again(tmp_path: Path) -> None:
    odd = tmp_path / "x\x1b[2J\u2028\x85.log"
    odd.write_bytes(b"frames")
    digest = hashlib.sha256(b"frames").hexdigest()
    listed = tmp_path / "build.sha256"
    listed.write_text(list_text({odd.name: digest}), "utf-8")
    assert "\x1b" not in listed.read_text("utf-8")
    assert busplan("report", "--verify", listed).code == 0
    odd.write_bytes(b"other")
    assert busplan("report", "--verify", listed).code == 2
    odd.unlink()
    assert busplan("report", "--verify", listed).code == 1


def test_written_and_verified(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, PLAN + '[[test]]\nready = "leaks"\n', pump=PUMP, vcu=VCU)
    busplan("commission", plan, "--by", "A. Tester", "--looked", "leaks=yes")
    out = tmp_path / "out" / "build.html"
    run = busplan("report", plan, "--to", out, "--parquet")
    assert run.code == 0, run.err
    assert "The one test of the list is proven." in run.out
    listed = out.with_suffix(".sha256")
    # As the common checking programs read it.
    for line in listed.read_text().splitlines():
        digest, name = line.split("  ", 1)
        path = out.parent / name if (out.parent / name).exists() else tmp_path / name
        assert hashlib.sha256(path.read_bytes()).hexdigest() == digest
    assert busplan("report", "--verify", listed, "--among", tmp_path).code == 0
    assert busplan("report", "--verify", listed).code == 1
    out.write_bytes(out.read_bytes() + b" ")
    changed = busplan("report", "--verify", listed, "--among", tmp_path)
    assert changed.code == 2
    assert "! build.html: changed" in changed.out
    assert busplan("report", plan).code == 3
    assert busplan("report", plan, "--to", tmp_path / "x.txt").code == 3
