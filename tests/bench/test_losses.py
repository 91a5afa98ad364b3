"""Frames that the recording lost accuse no node, and nothing passes beside them."""

from pathlib import Path

import can
import pytest
from support.bench import PLANS
from support.bench_nodes import SECOND, Bench, good_unit, serious
from support.command import busplan
from support.recording_bus import KIND, RememberingBus, install

from busplan.bench.node_report import NodeVerdict

LOST = (8 * SECOND, 9 * SECOND)


@pytest.mark.parametrize("seconds", [1.0, 0.05])
def test_what_was_lost_is_no_skipped_count_and_no_pass(seconds: float) -> None:
    """All of the node for a second, or one frame of each message."""
    bench, end = Bench(good_unit()), LOST[0] + round(seconds * SECOND)
    rows = [r for r in bench.rows() if not LOST[0] < r.time_ns < end]
    assert bench.judge(rows).verdict is not NodeVerdict.PASS
    report = bench.judge(rows, lost=((LOST[0], end, "the interface went"),))
    assert serious(report) == ["recording-not-whole"]
    assert report.verdict is NodeVerdict.NOT_PROVEN
    words = f"not whole: the interface went; {seconds:g} s around it"
    assert words in report.findings[0].summary


def test_a_fault_elsewhere_stays_one() -> None:
    bench = Bench(good_unit())
    rows = [r for r in bench.rows() if not LOST[0] < r.time_ns < LOST[1]]
    again = [r for r in rows if not (r.identifier == 0x120 and 12e9 < r.time_ns < 12.6e9)]
    report = bench.judge(again, lost=((*LOST, "frames were dropped"),))
    assert "counter-skips" in serious(report)
    assert report.verdict is NodeVerdict.FAIL


def test_an_adapter_that_goes_during_a_test_is_in_its_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    install()
    for number in (0x18FF50E5, 0x18FF51E5):
        RememberingBus.incoming.append(can.Message(arbitration_id=number, data=bytes(8)))
    receive, calls = RememberingBus._recv_internal, []

    def failing(self: RememberingBus, timeout: float | None) -> object:
        calls.append(1)
        if len(calls) == 20:
            raise can.CanOperationError("gone")
        return receive(self, timeout)

    monkeypatch.setattr(RememberingBus, "_recv_internal", failing)
    monkeypatch.setattr("busplan.live.channel.RETRY_S", 0.1)
    run = busplan(
        *("bench", "charger", "--plan", PLANS / "as_built.toml", "-i", f"{KIND}:x"),
        *("--seconds", "0.6", "--record", tmp_path),
    )
    assert "recording-not-whole" in run.out
    assert "the interface went and the interface came back" in " ".join(run.out.split())
