"""A clock that is set back while recording: what it does to times is not told of the senders."""

import numpy as np
import pytest

from busplan.bench.node_report import NodeVerdict
from busplan.bench.prove import prove_node
from busplan.findings import Weight
from busplan.frames.table import FrameTable
from busplan.plan.single import vehicle_of_part
from busplan.traffic import clock_steps
from busplan.traffic.clock_steps import longest_of_one_clock, steps_of_clock
from busplan.traffic.cycles import measured_cycles
from busplan.traffic.survey import survey

DBC = """VERSION ""
BU_: UNIT
BO_ 291 Status: 8 UNIT
 SG_ Speed : 0|16@1+ (1,0) [0|65535] "km/h" X
 SG_ AliveCounter : 48|4@1+ (1,0) [0|15] "" X
BO_ 292 Other: 8 UNIT
 SG_ Temp : 0|16@1+ (1,0) [0|65535] "degC" X
 SG_ MsgCounter : 48|8@1+ (1,0) [0|255] "" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_ "GenMsgCycleTime" BO_ 291 100;
BA_ "GenMsgCycleTime" BO_ 292 50;
"""
S = 1_000_000_000


def recorded(step_s: float, at_s: float = 30.0, *, lost: int = 0) -> FrameTable:
    """A minute of a node without a fault; its recorder's clock is moved at a moment.

    ``lost`` frames of Status are missing 10 s after the start: a fault that is the node's own.
    """
    rows = []
    for identifier, period, modulus in ((291, 0.1, 16), (292, 0.05, 256)):
        for k in range(round(60 / period)):
            if identifier == 291 and 100 <= k < 100 + lost:
                continue
            value = (1000 + 37 * k) % 5000
            data = [value & 255, value >> 8, 0, 0, 0, 0, k % modulus, 0]
            rows.append((k * period + identifier * 1e-5, identifier, data))
    rows.sort()
    seconds = np.array([r[0] for r in rows])
    seconds += np.where(seconds < at_s, 0.0, step_s)
    n = len(rows)
    return FrameTable.from_columns(
        ["bench"],
        10**18 + np.round(seconds * S).astype(np.int64),
        np.zeros(n),
        np.array([r[1] for r in rows]),
        np.zeros(n),
        np.full(n, 8),
        np.array([r[2] for r in rows], np.uint8).ravel(),
    )


def judged(tmp_path, table: FrameTable):
    dbc = tmp_path / "unit.dbc"
    dbc.write_text(DBC)
    return prove_node(table, vehicle_of_part(dbc, "UNIT", bit_rate=500_000), "UNIT")


@pytest.mark.parametrize("step_s", [-0.4, -7.03, -20.0, -4000.0])
def test_a_clock_that_is_set_back_accuses_no_node(step_s: float, tmp_path) -> None:
    table = recorded(step_s)
    report = judged(tmp_path, table)
    assert [f.code for f in report.findings if f.weight > Weight.NOTE] == ["recording-not-whole"]
    assert report.verdict is NodeVerdict.NOT_PROVEN
    assert [m.frames for m in report.messages] == [300, 600]
    assert all(one.two_senders is None and one.counters for one in survey(table))
    assert {c.median_ns for c in measured_cycles(table).values()} == {100_000_000, 50_000_000}
    assert all(c.jitter_ns < 1_000 for c in measured_cycles(table).values())


def test_a_clock_that_nobody_sets_leaves_all_to_be_judged(tmp_path) -> None:
    assert judged(tmp_path, recorded(0.0)).verdict is NodeVerdict.PASS


def test_the_nodes_own_fault_is_told_of_the_part_that_is_judged(tmp_path) -> None:
    report = judged(tmp_path, recorded(-7.03, at_s=40.0, lost=1))
    assert "counter-skips" in {f.code for f in report.findings}
    assert report.verdict is NodeVerdict.FAIL


def test_the_longer_part_is_judged_wherever_it_lies(tmp_path) -> None:
    report = judged(tmp_path, recorded(-7.03, at_s=20.0))
    assert [m.frames for m in report.messages] == [400, 800]
    (told,) = (f for f in report.findings if f.code == "recording-not-whole")
    assert "the 39.9 s of part 2 of 2" in told.summary or "the 40 s of part 2" in told.summary


def test_frames_that_were_written_late_are_no_step_of_a_clock() -> None:
    time = np.arange(200) * S // 10
    late = np.concatenate([time[:50], time[60:100], time[50:60], time[100:]])
    assert not len(steps_of_clock(late, np.ones(200, np.int64)))
    again = np.concatenate([time[:100], time[50:150]])
    assert steps_of_clock(again, np.ones(200, np.int64)).tolist() == [100]


def on_two_networks(late: int) -> FrameTable:
    """One identifier on two networks, of which one is written so many frames of it late."""
    order = [(k, 0) for k in range(200)] + [(k, 1) for k in range(200)]
    order.sort(key=lambda row: row[0] + row[1] * (late - row[0] % late))
    n = len(order)
    return FrameTable.from_columns(
        ["one", "two"],
        10**18 + np.array([k * S // 10 + network * 1000 for k, network in order]),
        np.array([network for _, network in order]),
        np.full(n, 291),
        np.zeros(n),
        np.full(n, 8),
        np.zeros(8 * n, np.uint8),
    )


def test_frames_of_another_network_that_are_written_late_are_no_step_of_a_clock() -> None:
    table = on_two_networks(7)
    assert (np.diff(table.time_ns) < -10_000_000).any()
    assert longest_of_one_clock(table, ("one", "two")) is None


@pytest.mark.parametrize("row", [1, 9, 10, 11, 20, 39])
def test_a_step_is_seen_wherever_it_lies(row: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock_steps, "_ROWS_AT_ONCE", 10)
    time = np.arange(40) * S
    assert not clock_steps._steps_back(time)
    time[row:] -= 2 * S
    assert clock_steps._steps_back(time)
