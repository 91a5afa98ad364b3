"""J1939's own groups on the bench: claim, faults and identification need no definition.

NAME, DM1 and identification layouts: SAE J1939-81, -73 and -71, from memory; bytes put together
here by hand, bit for bit.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.bench_nodes import (
    BENCH,
    MS,
    SECOND,
    Bench,
    Program,
    Row,
    as_ours,
    placed,
    serious,
    stated,
    told,
    unsigned,
    wave,
)
from support.truth_bench import judged
from truth import nodes_claim

from busplan.bench.node_report import NodeVerdict
from busplan.decode.j1939_groups import identification, parse_faults, parse_name
from busplan.definitions.model import Message
from busplan.frames.kinds import EXTENDED
from busplan.plan.vehicle import Network

ADDRESS = 0x27
ENGINE = placed(
    Message(
        "Motor1",
        0x0CF00400 | ADDRESS,
        True,
        8,
        (
            unsigned("Torque", 16, 8, scale=1, offset=-125, unit="%", minimum=-125, maximum=125),
            unsigned("Speed", 24, 16, scale=0.125, unit="rpm", minimum=0, maximum=8031.875),
        ),
        ("unit",),
        cycle=stated(100),
    )
)
NAME = (
    12345 | 641 << 21 | 1 << 32 | 2 << 35 | 30 << 40 | 5 << 49 | 3 << 56 | 2 << 60 | 1 << 63
).to_bytes(8, "little")


def motor_values(k: np.ndarray) -> dict[str, np.ndarray]:
    return {"Torque": np.round(wave(k, 10, 60, 90)), "Speed": np.round(wave(k, 800, 2000, 70))}


def motor(values: object = motor_values) -> Bench:
    program = Program(ENGINE, 100, values, 400, 1.0)  # type: ignore[arg-type]
    return Bench([program], more={"network": Network(BENCH, 250_000, j1939=True)})


def of(pgn: int, data: bytes, at_ms: float, source: int = ADDRESS) -> Row:
    """A frame of a broadcast group, or of one sent to all."""
    specific = 0xFF if pgn >> 8 & 0xFF < 240 else 0
    return Row(round(at_ms * MS), 6 << 26 | (pgn | specific) << 8 | source, EXTENDED, data)


def broadcast(pgn: int, data: bytes, at_ms: float) -> list[Row]:
    """A message of more than eight bytes as BAM and its packets (SAE J1939-21, from memory)."""
    packets = [data[i : i + 7].ljust(7, b"\xff") for i in range(0, len(data), 7)]
    head = bytes([32]) + len(data).to_bytes(2, "little") + bytes([len(packets), 0xFF])
    rows = [of(0xEC00, head + pgn.to_bytes(3, "little"), at_ms)]
    for i, packet in enumerate(packets, 1):
        rows.append(of(0xEB00, bytes([i]) + packet, at_ms + 60 * i))
    return rows


def every_second(pgn: int, data: bytes, seconds: int = 20) -> list[Row]:
    return [of(pgn, data, 500 + 1000 * i) for i in range(seconds - 1)]


QUIET_DM1 = bytes.fromhex("00FF00000000FFFF")


def test_a_node_that_claims_and_reports_no_faults_passes() -> None:
    bench = motor()
    rows = [of(60928, NAME, 100), *bench.rows(), *every_second(65226, QUIET_DM1)]
    rows += broadcast(65242, b"\x02BOOT 1.1*APP 2.07*", 3000)
    report = bench.judge(rows)
    assert serious(report) == []
    assert report.verdict is NodeVerdict.PASS
    assert dict(report.identity)["software"] == "BOOT 1.1"
    assert dict(report.identity)["software (2)"] == "APP 2.07"
    assert "manufacturer code 641, identity 12345, function 30" in dict(report.identity)["NAME"]


def test_active_faults_are_decoded_and_doubtful() -> None:
    """SPN 110 FMI 0, came 3 times, amber lamp on."""
    bench = motor()
    data = bytes([0b00000100, 0xFF, 110, 0, 0, 3, 0xFF, 0xFF])
    report = bench.judge([*bench.rows(), *every_second(65226, data)])
    assert serious(report) == ["fault-told"]
    assert "SPN 110 FMI 0; lamps on: amber warning" in told(report, "fault-told")


def test_a_fault_message_of_ones_does_not_say_that_there_is_no_fault() -> None:
    bench = motor()
    data = bytes.fromhex("00FFFFFFFFFFFFFF")
    report = bench.judge([*bench.rows(), *every_second(65226, data)])
    assert "SPN and FMI are all ones" in told(report, "fault-message-filled")
    quiet = bench.judge([*bench.rows(), *every_second(65226, QUIET_DM1)])
    assert "fault-message-filled" not in {f.code for f in quiet.findings}


def test_a_claim_after_the_first_message_is_late() -> None:
    bench = motor()
    rows = [*bench.rows(), of(60928, NAME, 450)]
    assert "1 frame came before" in told(bench.judge(rows, begin_ns=-SECOND), "claim-late")
    asked = as_ours(of(59904, bytes.fromhex("00EE00"), 430, source=0xF9))
    assert serious(bench.judge([*rows, asked], begin_ns=-SECOND)) == []
    assert serious(bench.judge(rows, begin_ns=0)) == [], "its start was not seen"


@pytest.mark.parametrize("claims", [(12.0,), (12.0, 12.5), (10.02,)])
def test_a_start_whose_claim_comes_late_is_told_once(
    claims: tuple[float, ...], tmp_path: Path
) -> None:
    """The invented lift restarts at 10.0 s, and its first claim of all comes after that: one thing
    is wrong with that start, so one finding tells it (the other rule would tell it as well)."""
    node = replace(nodes_claim.NODES[0], sends=nodes_claim.lift_sends(claims))
    report = judged(node, tmp_path)
    about = [f.code for f in report.findings if f.code in ("claim-late", "claim-not-again")]
    assert about == ["claim-late"]


def test_two_late_starts_are_two_things_to_tell(tmp_path: Path) -> None:
    """Its first start claims 0.7 s late, its second 2 s."""
    node = replace(nodes_claim.NODES[0], sends=nodes_claim.lift_sends((1.0, 12.0)))
    found = {f.code: f for f in judged(node, tmp_path).findings}
    assert "700.7 ms before" in found["claim-late"].summary
    assert "after 1 of 1 start" in found["claim-not-again"].summary
    assert "2001 ms later" in found["claim-not-again"].summary


def test_two_names_at_one_address_are_two_nodes() -> None:
    bench = motor()
    other = bytes([NAME[0] ^ 1, *NAME[1:]])
    report = bench.judge([of(60928, NAME, 100), of(60928, other, 150), *bench.rows()])
    assert serious(report) == ["address-contested"]


def test_a_node_that_cannot_claim_says_so() -> None:
    bench = motor()
    report = bench.judge([of(60928, NAME, 100, source=254), *bench.rows()])
    assert serious(report) == ["address-not-claimed"]


def test_makers_own_groups_still_need_a_definition() -> None:
    bench = motor()
    assert serious(bench.judge([*bench.rows(), *every_second(0xFF10, bytes(8))])) == [
        "message-undefined"
    ]


def test_other_nodes_of_the_bench_may_claim_too() -> None:
    bench = motor()
    report = bench.judge([*bench.rows(), of(60928, NAME, 900, source=0x80)])
    assert serious(report) == []
    assert not report.identity


def test_a_signal_that_is_never_available_is_not_proven() -> None:
    def values(k: np.ndarray) -> dict[str, np.ndarray]:
        return motor_values(k) | {"Speed": np.full(len(k), 65535 * 0.125)}

    bench = motor(values)
    report = bench.judge()
    assert serious(report) == ["signal-not-seen"]
    assert report.verdict is NodeVerdict.NOT_PROVEN


def test_the_same_frames_on_a_plain_network_are_undefined() -> None:
    plain = motor()
    plain.programs = [replace(plain.programs[0], message=replace(ENGINE, j1939=None))]
    plain.more = {}
    assert "message-undefined" in serious(plain.judge([of(60928, NAME, 100), *plain.rows()]))


def test_layouts() -> None:
    name = parse_name(NAME)
    assert name is not None
    assert (name.ecu_instance, name.function_instance, name.vehicle_system) == (1, 2, 5)
    assert (name.vehicle_system_instance, name.industry_group) == (3, 2)
    assert name.arbitrary_address
    assert parse_name(NAME[:7]) is None
    two = parse_faults(bytes([0x40, 0xFF, 0x34, 0x12, 0xE5, 0x81, 1, 0, 2, 127]))
    assert two is not None
    assert two.lamps == ("malfunction",)
    assert [(t.spn, t.fmi, t.count) for t in two.troubles] == [(0x71234, 5, 1), (1, 2, None)]
    assert parse_faults(b"\x00\xff\x00") is None


@pytest.mark.parametrize(
    ("pgn", "data", "told"),
    [
        (65259, b"MAKE*M1*77*\xff\xff", {"make": "MAKE", "model": "M1", "serial number": "77"}),
        (65260, b"INVENTED0VIN00017*", {"vehicle identification number": "INVENTED0VIN00017"}),
        (64965, b"PN-1*SN-2*", {"part number": "PN-1", "serial number": "SN-2"}),
        (65242, b"\x01V3", {"software": "V3"}),
        (65226, b"", {}),
    ],
)
def test_identification_texts(pgn: int, data: bytes, told: dict[str, str]) -> None:
    assert dict(identification(pgn, data)) == told


def restarted(claims_ms: tuple[int, ...], **limits: object) -> list[str]:
    """A motor of two counters that restarts at 8 s; what is told of its claims."""
    counted = replace(
        ENGINE, signals=(*ENGINE.signals, unsigned("CounterA", 0, 8), unsigned("CounterB", 8, 8))
    )

    def values(k: np.ndarray) -> dict[str, np.ndarray]:
        return {**motor_values(k), "CounterA": k % 256, "CounterB": k % 256}

    program = Program(counted, 100, values, 400, 1.0)
    bench = Bench([program], more={"network": Network(BENCH, 250_000, j1939=True)})
    life = [r for r in bench.rows(20.0) if r.time_ns < 7 * SECOND]
    again = [replace(r, time_ns=r.time_ns + 8 * SECOND) for r in life]
    claims = [Row(ms * MS, 0x18EEFF00 | ADDRESS, EXTENDED, NAME) for ms in claims_ms]
    report = bench.judge([*life, *again, *claims], seconds=16.0, **limits)
    assert limits.get("lost") or "node-restarts" in {f.code for f in report.findings}
    return [f"{f.weight.word}: {f.summary}" for f in report.findings if "claim" in f.code]


def test_a_claim_is_due_again_after_each_restart() -> None:
    assert restarted((10, 8_010)) == []
    (told,) = restarted((10,))
    assert told.startswith("caution: after 1 of 1 start, at 8.4 s, it sent before a claim")
    (told,) = restarted((10, 9_400))
    assert "which came 1000 ms later" in told or "which came 1001 ms later" in told
    lost = (7 * SECOND, 9 * SECOND, "the adapter lost frames")
    assert restarted((10,), lost=(lost,)) == []


def test_a_recording_without_any_claim_may_have_been_made_so() -> None:
    (told,) = restarted(())
    assert told.startswith("note: ")
    assert "may leave them out" in told
    (told,) = restarted((), begin_ns=0)
    assert told.startswith("caution: ")


@pytest.mark.parametrize(
    ("claims_ms", "told"),
    [((1_300, 8_300), 0), ((1_300,), 1), ((), 2), ((8_300,), 1), ((9_000,), 1)],
)
def test_a_claim_is_due_at_each_power_on_of_a_test(claims_ms: tuple[int, ...], told: int) -> None:
    """Switched on at 1 s, off at 6.5 s and on at 8 s; its first message comes 0.6 s later.

    With the first claim after the second start only, the first start had none; that the second
    one's came late is told by another finding.
    """
    bench = motor()
    life = bench.rows(5.0)
    sent = [replace(r, time_ns=r.time_ns + on * SECOND + 200 * MS) for on in (1, 8) for r in life]
    claims = [Row(ms * MS, 0x18EEFF00 | ADDRESS, EXTENDED, NAME) for ms in claims_ms]
    first = min(r.time_ns for r in (*sent, *claims))
    cycles = tuple(
        (round(off * SECOND) - first, on * SECOND - first) for off, on in ((0, 1), (6.5, 8))
    )
    report = bench.judge(
        [*sent, *claims],
        seconds=14.0,
        power_cycles=cycles,
        begin_ns=-first,
        power_on_ns=SECOND - first,
    )
    found = [f for f in report.findings if f.code == "claim-not-again"]
    assert [f.figures[1].value for f in found] == ([told] if told else [])
    assert all(f.weight.word == "caution" for f in found)
