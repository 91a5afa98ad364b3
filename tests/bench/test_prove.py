"""A node held against its definition: each planted fault is told, and nothing else."""

from dataclasses import replace

import numpy as np
import pytest
from support.bench import Row, as_built, charger_rows, charger_streams, table_of

from busplan.bench.node_report import BenchLimits, BenchReport, NodeVerdict, SupplySignal
from busplan.bench.prove import prove_node
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.frames.kinds import ERROR, EXTENDED, REMOTE, SENT
from busplan.frames.table import FrameTable


def prove(rows: list[Row], **limits: object) -> BenchReport:
    return prove_node(
        table_of(rows),
        as_built(),
        "charger",
        limits=BenchLimits(**limits),  # type: ignore[arg-type]
    )


def serious(report: BenchReport) -> list[str]:
    return [f.code for f in report.findings if f.weight > Weight.NOTE]


def identifier(name: str) -> int:
    return charger_streams()[name].message.identifier


def test_a_healthy_charger_passes() -> None:
    report = prove(charger_rows())
    assert serious(report) == []
    assert report.verdict is NodeVerdict.PASS
    assert report.start_up_ns is None
    assert {m.message.name: m.verdict for m in report.messages} == dict.fromkeys(
        charger_streams(), NodeVerdict.PASS
    )
    counters = {s.name: s.detail for m in report.messages for s in m.signals if s.role == "counter"}
    assert counters == {
        "ChargerCounter": "counts by 1 modulo 16",
        "OutputCounter": "counts by 1 modulo 16",
    }


def test_a_wrong_cycle_time_is_told_with_both_figures() -> None:
    wrong = identifier("ChargerOutput")
    rows = [(t * 125 // 100 if i == wrong else t, i, p) for t, i, p in charger_rows()]
    rows = [r for r in rows if r[0] < 20e9]
    report = prove(rows)
    assert serious(report) == ["cycle-time-off"]
    assert "every 125 ms instead of 100 ms (definition): +25 %" in report.findings[0].summary


def test_a_cycle_time_within_a_wider_tolerance_passes() -> None:
    wrong = identifier("ChargerOutput")
    rows = [(t * 125 // 100 if i == wrong else t, i, p) for t, i, p in charger_rows()]
    rows = [r for r in rows if r[0] < 20e9]
    assert prove(rows, cycle_tolerance=0.3).verdict is NodeVerdict.PASS


def test_one_short_frame_is_told_with_its_time() -> None:
    rows = charger_rows()
    at = next(n for n, r in enumerate(rows) if n > 100 and r[1] == identifier("ChargerOutput"))
    rows[at] = (*rows[at][:2], rows[at][2][:6])
    report = prove(rows)
    # The short frame carries no counter either, so the counter is judged over those that do.
    assert serious(report)[0] in ("payload-short", "counter-skips")
    short = next(f for f in report.findings if f.code == "payload-short")
    assert short.where.time_ns == rows[at][0]
    assert "1 of 200 frames of ChargerOutput carry fewer bytes (6) than the 8 defined" in (
        short.summary
    )


def test_an_unknown_identifier_is_told() -> None:
    rows = charger_rows()
    rows += [(t * 50_000_000 + 5_000_000, 0x18FF77E5, b"\1\2\3") for t in range(100)]
    report = prove(rows)
    assert serious(report) == ["message-undefined"]
    assert report.unknown[0].label == "0x18FF77E5"
    assert "100 frames, every 50 ms" in report.findings[0].summary


@pytest.mark.parametrize(("address", "fault"), [(0xE5, True), (0x21, False)])
def test_where_others_are_heard_an_unknown_identifier_may_be_theirs(
    address: int, fault: bool
) -> None:
    """Unless it carries the J1939 source address of the tested node (SAE J1939-21)."""
    request = next(s for s in as_built().on("charge") if s.message.name == "ChargeRequest").message
    rows = charger_rows()
    rows += [(t * 100_000_000 + 5_000_000, request.identifier, bytes(8)) for t in range(100)]
    rows += [(t * 50_000_000, 0x18FF7700 | address, b"\1\2\3") for t in range(100)]
    report = prove(rows)
    assert serious(report) == ["message-undefined"]
    (finding,) = (f for f in report.findings if f.code == "message-undefined")
    assert finding.weight is (Weight.FAULT if fault else Weight.CAUTION)
    assert ("so another may send it" in finding.summary) is not fault
    assert ("definition-older" in {f.code for f in report.findings}) is fault
    assert report.verdict is (NodeVerdict.FAIL if fault else NodeVerdict.DOUBTFUL)


def test_a_message_from_others_that_the_definitions_know_is_not_unknown() -> None:
    request = next(s for s in as_built().on("charge") if s.message.name == "ChargeRequest").message
    rows = charger_rows()
    rows += [(t * 100_000_000 + 5_000_000, request.identifier, bytes(8)) for t in range(100)]
    report = prove(rows)
    assert serious(report) == []
    assert report.others == ("ChargeRequest",)


def test_another_node_is_there_only_when_all_its_cyclic_messages_came() -> None:
    """Part of them may as well be the tested node's own, which would clash on the network."""
    sent = [s.message for s in as_built().on("charge") if s.node == "dcdc"]
    assert len(sent) == 2
    rows = charger_rows()
    of_dcdc = [(t * 10**8, m.identifier, bytes(8)) for t in range(200) for m in sent]
    whole = prove([*rows, *of_dcdc])
    assert serious(whole) == []
    assert set(whole.others) == {m.name for m in sent}
    part = prove([*rows, *(r for r in of_dcdc if r[1] == sent[0].identifier)])
    assert serious(part) == ["message-undefined"]
    assert "in the plan dcdc sends it" in part.findings[0].summary


def test_a_counter_that_skips_is_told_once() -> None:
    rows = charger_rows()
    lost = [n for n, r in enumerate(rows) if r[1] == identifier("ChargerOutput")][77]
    del rows[lost]
    report = prove(rows)
    assert serious(report) == ["counter-skips"]
    assert "in 1 of 198 steps" in report.findings[0].summary


def test_a_value_out_of_its_range_is_told_with_its_bounds() -> None:
    rows = charger_rows()
    at = [n for n, r in enumerate(rows) if r[1] == identifier("ChargerOutput")][50]
    time_ns, number, payload = rows[at]
    rows[at] = (time_ns, number, (6000).to_bytes(2, "little") + payload[2:])
    report = prove(rows)
    assert serious(report) == ["signal-out-of-range"]
    assert "ChargerVoltage leaves its stated range 0…500 V in 1 of 200 frames" in (
        report.findings[0].summary
    )
    assert report.findings[0].where.time_ns == time_ns


def test_all_bits_one_means_not_available_in_a_j1939_message() -> None:
    rows = charger_rows()
    at = [n for n, r in enumerate(rows) if r[1] == identifier("ChargerOutput")][50]
    time_ns, number, payload = rows[at]
    rows[at] = (time_ns, number, b"\xff\xff" + payload[2:])
    assert serious(prove(rows)) == []


def test_a_missing_message_and_a_silent_node() -> None:
    gone = identifier("ChargerTemperatures")
    report = prove([r for r in charger_rows() if r[1] != gone])
    assert serious(report) == ["message-missing"]
    verdicts = {m.message.name: m.verdict for m in report.messages}
    assert verdicts["ChargerTemperatures"] is NodeVerdict.FAIL
    assert verdicts["ChargerStatus"] is NodeVerdict.PASS
    nothing = prove_node(FrameTable.empty(["charge"]), as_built(), "charger")
    assert "node-silent" in serious(nothing)
    assert nothing.verdict is NodeVerdict.FAIL


def test_a_silent_node_is_told_with_what_came_under_the_identifiers_of_another() -> None:
    # The definitions of the demo (invented): 0x03C is the booster's, 0x034 the pedal's.
    def only(identifier: int, flags: int) -> FrameTable:
        n, carried = 1000, 0 if flags & REMOTE else 8000
        payload = np.arange(carried, dtype=np.uint8)
        return FrameTable.from_columns(
            ["drive"],
            np.arange(n) * 10**7,
            [0] * n,
            [identifier] * n,
            [flags] * n,
            [8] * n,
            payload,
        )

    report = prove_node(only(0x3C, 0), as_built(), "pedal")
    (silent,) = (f for f in report.findings if f.code == "node-silent")
    assert silent.summary == "its message never came, while 0x03C of brake_booster did"
    assert "alone on the bench" in silent.action
    report = prove_node(only(0x34, REMOTE), as_built(), "pedal")
    (silent,) = (f for f in report.findings if f.code == "node-silent")
    assert silent.summary == (
        "its message never came; 1000 remote frames under its identifiers, which ask for it, did"
    )


def test_a_long_silence_of_all_messages_is_one_caution() -> None:
    # Whole counter rounds are missing (32 frames), so that only the gap is left to tell.
    report = prove([r for r in charger_rows() if not 5e9 < r[0] < 8.2e9])
    assert serious(report) == ["node-pauses"]
    assert "once, at 5.0 s (silent for 3.2 s)" in report.findings[0].summary


def test_frames_that_come_in_bursts_are_no_silences_of_the_node() -> None:
    """Four frames within 3 ms every 400 ms: the stated 100 ms in the mean, and no pause of 2.5."""
    mine = identifier("ChargerStatus")
    rows = []
    for time_ns, number, payload in (r for r in charger_rows() if r[1] == mine):
        step = round(time_ns / 1e8)
        rows.append((step // 4 * 400_000_000 + step % 4 * 1_000_000, number, payload))
    rows += [r for r in charger_rows() if r[1] != mine]
    report = prove(sorted(rows))
    assert "node-pauses" not in serious(report)
    (cycle,) = (f for f in report.findings if f.code == "cycle-time-off")
    assert "ms in the mean: unevenly" in cycle.summary
    assert cycle.weight is Weight.CAUTION


@pytest.mark.parametrize(("seconds", "weight"), [(4, Weight.NOTE), (12, Weight.CAUTION)])
def test_a_message_that_is_not_there_at_first(seconds: int, weight: Weight) -> None:
    mine = identifier("ChargerOutput")
    report = prove([r for r in charger_rows() if r[1] != mine or r[0] > seconds * 10**9])
    (finding,) = (f for f in report.findings if f.code == "message-begins-late")
    assert finding.weight is weight
    passes = report.verdict is NodeVerdict.PASS
    assert passes is (weight is Weight.NOTE)


def test_a_long_silence_of_one_message_is_a_caution() -> None:
    mine = identifier("ChargerTemperatures")
    report = prove([r for r in charger_rows() if not (5e9 < r[0] < 8.2e9 and r[1] == mine)])
    assert serious(report) == ["gap-too-long"]
    assert report.findings[0].where.message == "ChargerTemperatures"


def test_start_up_is_judged_only_when_a_limit_is_given() -> None:
    rows = [(t + 3_000_000_000, i, p) for t, i, p in charger_rows()]
    request = next(s for s in as_built().on("charge") if s.message.name == "ChargeRequest")
    rows.append((0, request.message.identifier, bytes(8)))
    assert prove(rows).start_up_ns is None
    assert prove(rows, power_on_ns=0).start_up_ns == 3_000_000_000
    assert serious(prove(rows)) == []
    assert serious(prove(rows, start_within_ns=10**9, power_on_ns=0)) == ["starts-late"]
    powered = prove(rows, start_within_ns=10**9, power_on_ns=2_500_000_000)
    assert powered.start_up_ns == 500_000_000
    assert serious(powered) == []


def test_a_node_that_was_on_before_power_on_has_no_start_up_time() -> None:
    report = prove(charger_rows(), start_within_ns=10**9, power_on_ns=2_000_000_000)
    assert report.start_up_ns is None
    assert serious(report) == ["on-before-power"]
    assert report.verdict is NodeVerdict.DOUBTFUL


def test_a_start_that_nobody_saw_is_not_proven() -> None:
    late = prove(charger_rows(), power_on_ns=70 * 10**9)
    assert serious(late) == ["start-not-shown"]
    assert late.verdict is NodeVerdict.NOT_PROVEN
    assert "got power, 70 s" in late.findings[0].summary
    supply = SupplySignal("ChargeRequest", "ChargeEnable")
    asked = prove(charger_rows(), start_within_ns=10**9, supply=supply)
    assert serious(asked) == ["start-not-shown"]
    assert "ChargeRequest.ChargeEnable did not rise" in asked.findings[0].summary
    assert serious(prove(charger_rows(), supply=supply)) == []


def with_error_at(rows: list[Row], time_ns: int) -> FrameTable:
    table = table_of([*rows, (time_ns, 0, b"")])
    flags = np.where(table.identifier == 0, ERROR, EXTENDED).astype(np.uint8)
    return replace(table, flags=flags)


@pytest.mark.parametrize(
    ("until", "weight"), [(8.2e9, Weight.CAUTION), (1e12, Weight.FAULT), (5.1e9, None)]
)
def test_silence_after_a_bus_error(until: float, weight: Weight | None) -> None:
    rows = [r for r in charger_rows() if not 5e9 < r[0] < until]
    if weight is Weight.FAULT:  # someone else keeps talking, so the capture goes on
        request = next(s for s in as_built().on("charge") if s.message.name == "ChargeRequest")
        rows.append((20_000_000_000, request.message.identifier, bytes(8)))
    report = prove_node(with_error_at(rows, 5_000_500_000), as_built(), "charger")
    found = [f.weight for f in report.findings if f.code == "silent-after-error"]
    assert found == ([] if weight is None else [weight])


def test_frames_the_recorder_sent_itself_do_not_count() -> None:
    table = table_of(charger_rows())
    sent = replace(table, flags=table.flags | np.uint8(SENT))
    assert prove_node(sent, as_built(), "charger").frames == 0


@pytest.mark.parametrize(
    ("node", "network", "words"),
    [
        ("nobody", None, "the plan has no node 'nobody'"),
        ("supervisor", None, "say which network"),
        ("charger", "drive", "charger is not on 'drive' but on charge"),
    ],
)
def test_a_wrong_node_or_network_is_one_clear_error(
    node: str, network: str | None, words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        prove_node(table_of(charger_rows(1)), as_built(), node, network)
