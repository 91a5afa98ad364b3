"""Against an earlier record of the same part, and many records side by side.

Truth is planted: parts are made alike, and one of them is changed. Thresholds are busplan's own
(common practice, no source).
"""

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.bench_nodes import (
    BENCH,
    LIMITS,
    STATUS,
    UNIT,
    Bench,
    Program,
    good_unit,
    status_values,
    table_of,
    told,
    unsigned,
    with_program,
)
from support.command import busplan

from busplan.bench.batch import Batch, summarise
from busplan.bench.batch_page import batch_html
from busplan.bench.golden import like_findings
from busplan.bench.node_report import NodeVerdict
from busplan.bench.record import BenchRecord
from busplan.bench.run import BenchTest
from busplan.cli.bench_records import keep_record

MOMENT = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


def recorded(bench: Bench, serial: str = "", seed: int = 1, minutes: int = 0) -> BenchRecord:
    test = BenchTest.of(bench.vehicle(), UNIT, BENCH)
    moment = MOMENT + timedelta(minutes=minutes)
    return replace(test.record(table_of(bench.rows(20, seed)), date=moment), serial=serial)


def plain(record: BenchRecord) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(json.dumps(record.as_dict()))
    return document


def unlike(sample: Bench, now: Bench) -> str:
    findings = like_findings(recorded(now, seed=2).report, plain(recorded(sample)), "s.json")
    return "; ".join(f.summary for f in findings if f.code == "unlike-sample")


def test_the_same_kind_of_node_is_as_the_sample() -> None:
    good = recorded(Bench(good_unit()))
    findings = like_findings(recorded(Bench(good_unit()), seed=7).report, plain(good), "s.json")
    assert [f.code for f in findings] == ["like-sample"]
    assert good.with_findings(findings).report.verdict is NodeVerdict.PASS


def test_what_differs_is_named() -> None:
    good = Bench(good_unit())
    faster = Bench(with_program(good_unit(), "UnitLimits", every_ms=190))
    assert "UnitLimits comes every 190 ms instead of 200 ms" in unlike(good, faster)
    bare = Bench(with_program(good_unit(), "UnitStatus", crc=False))
    assert "UnitStatus StatusChecksum" in unlike(good, bare)

    def fixed(volts: float) -> Bench:
        def values(k: np.ndarray) -> dict[str, np.ndarray]:
            return {**status_values(k), "SupplyVoltage": np.full(len(k), volts)}

        return Bench(with_program(good_unit(), "UnitStatus", values=values))

    assert "SupplyVoltage stays at 13 V, was 12" in unlike(fixed(12), fixed(13))
    assert "UnitLimits came" in unlike(
        Bench([good_unit()[0]], [STATUS, LIMITS]), Bench(good_unit()[:2])
    )


def test_the_record_of_another_part_compares_nothing() -> None:
    report = recorded(Bench(good_unit())).report
    (finding,) = like_findings(report, {"part": "charger", "messages": []}, "s.json")
    assert finding.code == "sample-of-another-part"


@pytest.mark.parametrize(
    "value", [None, 1, "x", [], {}, [1, "x", None, {"name": []}], float("nan")]
)
def test_a_record_that_somebody_spoilt_raises_nothing(value: object) -> None:
    report = recorded(Bench(good_unit())).report
    good = plain(recorded(Bench(good_unit())))
    for key in ("messages", "unknown", "identity", "date", "findings", "serial", "start_up_s"):
        spoilt = {**good, key: value}
        like_findings(report, spoilt, "s.json")
        summarise({"a.json": spoilt, "b.json": good})
    for key in good["messages"][0]:
        messages = [{**m, key: value} for m in good["messages"]]
        like_findings(report, {**good, "messages": messages}, "s.json")
        summarise({"a.json": {**good, "messages": messages}})


def batch(count: int = 10, odd: Bench | None = None) -> dict[str, dict[str, Any]]:
    made = {}
    for n in range(1, count + 1):
        bench = odd if odd is not None and n == 4 else Bench(good_unit())
        made[f"bench-unit-S-{n:03}.json"] = plain(recorded(bench, f"S-{n:03}", seed=n, minutes=n))
    return made


def summed(documents: dict[str, dict[str, Any]]) -> Batch:
    return summarise(documents)


def test_ten_alike_have_nothing_to_say() -> None:
    found = summed(batch())
    assert found.headline == "10 records of 10 parts: 10 of 10 pass"
    assert found.findings == ()
    medians = next(s for s in found.spreads if s.what == "UnitStatus median")
    assert medians.parts == 10
    assert 99 < medians.least <= medians.middle <= medians.most < 101


def test_the_one_that_stands_out_is_named() -> None:
    slower = Bench(
        with_program(good_unit(), "UnitLimits", every_ms=208), [p.message for p in good_unit()]
    )
    found = summed(batch(odd=slower))
    assert [f.code for f in found.findings] == ["part-stands-out"]
    assert "S-004 stands out from its peers in UnitLimits median" in found.findings[0].summary


def test_doubles_gaps_and_nameless_ones_are_told() -> None:
    documents = batch(7)
    del documents["bench-unit-S-003.json"]
    documents["bench-unit-S-005-2.json"] = documents["bench-unit-S-005.json"]
    documents["bench-unit.json"] = {**documents["bench-unit-S-001.json"], "serial": ""}
    found = {f.code: f.summary for f in summed(documents).findings}
    assert "S-005 was tested 2 times" in found["serial-twice"]
    assert "1 serial number between the tested ones has no record: S-003" in found["serial-missing"]
    assert "1 record without" in found["serial-not-stated"]


def test_what_failed_weighs_as_a_fault() -> None:
    dumb = Bench([good_unit()[0]], [p.message for p in good_unit()])
    found = summed(batch(5, odd=dumb))
    assert found.findings[0].code == "part-not-passed"
    assert "S-004: fail" in found.findings[0].summary


def test_the_command_shows_and_keeps_the_batch(tmp_path: Path) -> None:
    for n in range(1, 4):
        keep_record(recorded(Bench(good_unit()), f"S-{n}", seed=n, minutes=n), tmp_path)
    (tmp_path / "bench-odd.json").write_text("[]", encoding="utf-8")
    run = busplan("bench", "--batch", tmp_path, "--record", tmp_path / "out")
    assert run.code == 0, run.err
    assert "3 records of 3 parts: 3 of 3 pass" in run.out
    assert "no records: bench-odd.json" in run.out
    kept = {p.suffix for p in (tmp_path / "out").iterdir()}
    assert kept == {".json", ".html"}
    document = json.loads(busplan("bench", "--batch", tmp_path, "--json").out)
    assert len(document["records"]) == 3
    empty = busplan("bench", "--batch", tmp_path / "out")
    assert empty.code == 3
    assert "holds no records" in empty.err


def test_the_page_is_harmless() -> None:
    documents = {"a.json": {**plain(recorded(Bench(good_unit()))), "serial": "<b>\u202eX"}}
    page = batch_html(summed(documents))
    assert "<b>" not in page
    assert "&lt;b&gt;" in page
    assert "\u202e" not in page
    assert "High voltage can kill" in page


def test_a_serial_in_a_signal_is_read_and_not_called_still() -> None:
    message = replace(
        LIMITS,
        signals=(
            *LIMITS.signals[:2],
            unsigned("SerialNumber", 32, 24),
            unsigned("SwVersion", 56, 8),
        ),
    )

    def values(k: np.ndarray) -> dict[str, np.ndarray]:
        moving = {s.name: 100.0 + k % 7 for s in LIMITS.signals[:2]}
        return {**moving, "SerialNumber": np.full(len(k), 7712345), "SwVersion": np.full(len(k), 5)}

    report = Bench([Program(message, 200, values, 5, 1.0)]).judge()
    assert dict(report.identity) == {
        "UnitLimits SerialNumber": "7712345",
        "UnitLimits SwVersion": "5",
    }
    assert "signal-still" not in {f.code for f in report.findings}
    assert report.verdict is NodeVerdict.PASS
    again = plain(recorded(Bench([Program(message, 200, values, 5, 1.0)])))
    again["identity"][1]["text"] = "4"
    found = like_findings(report, again, "s.json")
    assert "SwVersion 5 instead of 4" in next(
        f.summary for f in found if f.code == "sample-identity-differs"
    )

    def two_parts(k: np.ndarray) -> dict[str, np.ndarray]:
        return {**values(k), "SerialNumber": 7712345 + k % 2}

    changing = Bench([Program(message, 200, two_parts, 5, 1.0)]).judge()
    assert "SerialNumber took 2 values" in told(changing, "identity-changes")


def test_what_the_tester_typed_stands_in_the_record(tmp_path: Path) -> None:
    picture = tmp_path / "label.jpg"
    picture.write_bytes(b"not really a picture")
    capture = Path(__file__).parents[2] / "captures" / "bench_charger_short.log.gz"
    plan = Path(__file__).parents[2] / "dbc_examples" / "as_built.toml"
    run = busplan(
        *("bench", "charger", "--plan", plan, "--capture", capture, "--json"),
        *("--hardware", "B2", "--firmware", "1.07", "--supply-v", "12.4", "--supply-a", "0.31"),
        *("--note", "cover dented", "--note", "fan noisy", "--photo", picture),
    )
    document = json.loads(run.out)
    assert [d["text"] for d in document["details"]] == [
        *("B2", "1.07", "12.4 V", "0.31 A", "cover dented", "fan noisy")
    ]
    assert document["photos"] == [
        {
            "name": "label.jpg",
            "sha256": hashlib.sha256(b"not really a picture").hexdigest(),
        }
    ]
    missing = busplan(
        *("bench", "charger", "--plan", plan, "--capture", capture, "--photo", tmp_path / "no.jpg")
    )
    assert missing.code == 3
    assert "no.jpg: cannot be read" in missing.err
