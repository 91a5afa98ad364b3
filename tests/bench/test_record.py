"""The record of a bench test: complete, the same in all three forms, safe to open."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

from support.bench import as_built, charger_rows, table_of

from busplan.bench.node_report import SentFrame
from busplan.bench.prove import prove_node
from busplan.bench.record import BenchRecord
from busplan.bench.report_tables import signal_rows

HASH = "0123456789abcdef" * 4


def record(**changes: object) -> BenchRecord:
    rows = charger_rows(5)
    rows += [(t * 50_000_000 + 5_000_000, 0x18FF77E5, b"\1\2\3") for t in range(20)]
    made = BenchRecord(
        prove_node(table_of(rows), as_built(), "charger"),
        datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC),
        "the tester",
        "SN 42/7",
        "bench.log",
        HASH,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def test_who_when_and_what_stand_in_every_form() -> None:
    made = record()
    for text in (json.dumps(made.as_dict()), made.to_markdown(), made.to_html()):
        for fact in ("the tester", "SN 42/7", "2026-03-04", HASH, "High voltage can kill"):
            assert fact in text
        assert "0x18FF77E5" in text
        assert "fail" in text


def test_the_file_name_holds_node_serial_and_date() -> None:
    assert record().stem == "bench-charger-SN-42-7-20260304-050607"


def test_a_failed_part_reads_well_at_a_glance() -> None:
    for text in (record().to_markdown(), record().to_html()):
        assert "charger: fail: it differs from its definition" in text
        assert "1 fault, no cautions, 4 notes; 3 of 3 messages pass" in text
        assert "median cycle time ±10 %, jitter 0.5 cycles, gap 2.5 cycles" in text


def test_large_whole_numbers_stay_exact() -> None:
    serial = next(row for row in signal_rows(record().report) if row[1] == "ChargerSerial")
    assert all(text.isdigit() for text in serial[2:4])


def test_what_was_sent_stands_in_every_form() -> None:
    sent = (SentFrame("18EAE5F9#00EE00", "address claimed", 12.25), SentFrame("7E0#01", "x", None))
    for text in (record(sent=sent).to_markdown(), record(sent=sent).to_html()):
        assert "answered after 12.2 ms" in text
        assert "no answer" in text
    assert record(sent=sent).as_dict()["sent"][0]["answer_ms"] == 12.25
    assert "sent by busplan" not in record().to_html()


def test_numbers_in_the_json_are_the_reports() -> None:
    document = record().as_dict()
    output = next(m for m in document["messages"] if m["name"] == "ChargerOutput")
    assert (output["stated_cycle_ms"], output["median_cycle_ms"]) == (100, 100)
    assert output["lengths"] == {"8": 50}
    assert document["unknown"][0]["cycle_ms"] == 50
    assert [f["code"] for f in document["findings"] if f["weight"] == "fault"] == [
        "message-undefined"
    ]


def test_text_from_outside_cannot_become_markup() -> None:
    bad = "<script>alert(1)</script> | *x*"
    made = record(tester=bad)
    assert "<script>alert" not in made.to_html()
    assert r"\<script\>alert(1)\</script\> \| \*x\*" in made.to_markdown()


class Balance(HTMLParser):
    """Raises when tags do not nest."""

    VOID = ("meta", "br", "img", "link")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_whole_and_loads_nothing_from_elsewhere() -> None:
    page = record(joining=("load 40 % → 43 %",)).to_html()
    checker = Balance()
    checker.feed(page)
    assert checker.open == []
    assert "http" not in page
    assert "Invented demo data" in page
    assert "load 40 % → 43 %" in page


def test_a_report_shows_itself_in_python_without_who_and_when() -> None:
    report = record().report
    assert repr(report) == (
        "<BenchReport charger: fail: it differs from its definition; "
        "1 fault, no cautions, 4 notes; 3 of 3 messages pass; 130 frames in 4.901 s on charge>"
    )
    page = report.to_html()
    assert "Invented demo data" in page
    assert "<dt>date</dt><dd>not stated</dd>" in page
    assert "High voltage can kill" in page
    assert "charger: fail" in report._repr_html_()
    assert json.loads(json.dumps(report.as_dict()))["verdict"] == "fail"


def test_the_table_of_a_report_holds_numbers_with_units_and_leaves_the_unmeasured_open() -> None:
    gone = next(s for s in as_built().on("charge") if s.message.name == "ChargerStatus").message
    rows = [r for r in charger_rows(5) if r[1] != gone.identifier]
    frame = prove_node(table_of(rows), as_built(), "charger").to_frame()
    assert list(frame.index) == ["ChargerStatus", "ChargerOutput", "ChargerTemperatures"]
    assert frame.attrs["units"]["median_ms"] == "ms"
    assert frame.attrs["verdict"] == "fail"
    output = frame.loc["ChargerOutput"]
    assert (output["frames"], output["stated_ms"], output["median_ms"]) == (50, 100.0, 100.0)
    assert output["verdict"] == "pass"
    missing = frame.loc["ChargerStatus"]
    assert (missing["frames"], missing["faults"], missing["verdict"]) == (0, 1, "fail")
    assert frame["median_ms"].isna().tolist() == [True, False, False]
