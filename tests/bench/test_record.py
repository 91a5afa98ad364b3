"""The record of a bench test: complete, the same in all three forms, safe to open."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

from support.bench import as_built, charger_rows, table_of

from busplan.bench.model import SentFrame
from busplan.bench.prove import prove_node
from busplan.bench.record import BenchRecord, as_dict, signal_rows, to_html, to_markdown

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
    for text in (json.dumps(as_dict(made)), to_markdown(made), to_html(made)):
        for fact in ("the tester", "SN 42/7", "2026-03-04", HASH, "High voltage can kill"):
            assert fact in text
        assert "0x18FF77E5" in text
        assert "fail" in text


def test_the_file_name_holds_node_serial_and_date() -> None:
    assert record().stem == "bench-charger-SN-42-7-20260304-050607"


def test_a_failed_part_reads_well_at_a_glance() -> None:
    for text in (to_markdown(record()), to_html(record())):
        assert "charger: fail: it differs from its definition" in text
        assert "1 fault, no cautions, no notes; 3 of 3 messages pass" in text
        assert "median cycle time ±10%, jitter 0.5 cycles, gap 2.5 cycles" in text


def test_large_whole_numbers_stay_exact() -> None:
    serial = next(row for row in signal_rows(record().report) if row[1] == "ChargerSerial")
    assert all(text.isdigit() for text in serial[2:4])


def test_what_was_sent_stands_in_every_form() -> None:
    sent = (SentFrame("18EAE5F9#00EE00", "address claimed", 12.25), SentFrame("7E0#01", "x", None))
    for text in (to_markdown(record(sent=sent)), to_html(record(sent=sent))):
        assert "answered after 12.2 ms" in text
        assert "no answer" in text
    assert as_dict(record(sent=sent))["sent"][0]["answer_ms"] == 12.25
    assert "sent by busplan" not in to_html(record())


def test_numbers_in_the_json_are_the_reports() -> None:
    document = as_dict(record())
    output = next(m for m in document["messages"] if m["name"] == "ChargerOutput")
    assert (output["stated_cycle_ms"], output["median_cycle_ms"]) == (100, 100)
    assert output["lengths"] == {"8": 50}
    assert document["unknown"][0]["cycle_ms"] == 50
    assert [f["code"] for f in document["findings"] if f["weight"] == "fault"] == [
        "identifier-unknown"
    ]


def test_text_from_outside_cannot_become_markup() -> None:
    bad = "<script>alert(1)</script> | *x*"
    made = record(tester=bad)
    assert "<script>alert" not in to_html(made)
    assert r"\<script\>alert(1)\</script\> \| \*x\*" in to_markdown(made)


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
    page = to_html(record(invented=True, joining=("load 40 % → 43 %",)))
    checker = Balance()
    checker.feed(page)
    assert checker.open == []
    assert "http" not in page
    assert "Invented demo data" in page
    assert "load 40 % → 43 %" in page
