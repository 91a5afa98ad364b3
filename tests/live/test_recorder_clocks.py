"""What the recorder makes of time, with clocks that the test turns."""

import threading
import time

import numpy as np
import pytest

from busplan.frames.table import FrameTable
from busplan.live.in_order import InOrder, clock_parts
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.journal import Journal
from busplan.live.recorder import Recorder

SPEC = InterfaceSpec("drive", "virtual", "nobody")


class Clocks(threading.Event):
    """Both clocks, and the event that the recorder waits for: each wait turns them on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, wall_s: list[float]) -> None:
        super().__init__()
        self.steady, self.wall, self._turns = 1_000.0, 5_000.0, wall_s
        monkeypatch.setattr(time, "monotonic", lambda: self.steady)
        monkeypatch.setattr(time, "monotonic_ns", lambda: round(self.steady * 1e9))
        monkeypatch.setattr(time, "time_ns", lambda: round(self.wall * 1e9))

    def wait(self, timeout: float | None = None) -> bool:
        if not self._turns:
            return True
        self.steady += 0.1
        self.wall += 0.1 + self._turns.pop(0)
        return False


@pytest.mark.parametrize(
    ("beyond_s", "noted"),
    [
        ([0.45, 0.0], []),
        ([0.55, 0.0], [0.55]),
        ([0.0, -0.55, 0.0], [-0.55]),
        ([0.3, 0.0, 0.3], [0.6]),
        ([0.6, 0.0, -0.6], [0.6, -0.6]),
    ],
)
def test_clocks_that_part_by_half_a_second_are_a_jump(
    beyond_s: list[float], noted: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = Journal(None)
    recorder = Recorder([], None, journal)
    recorder._begin = 1_000.0
    recorder._write_until(Clocks(monkeypatch, beyond_s), None)
    told = [e["seconds"] for e in journal.entries if e["what"] == "clock jumped"]
    assert told == pytest.approx(noted)


@pytest.mark.parametrize(("after_s", "told"), [(4.9, []), (5.1, [5.0])])
def test_an_interface_has_five_seconds_to_bring_a_first_frame(
    after_s: float, told: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A node that sends once a second has had four chances."""
    journal = Journal(None)
    recorder = Recorder([SPEC], None, journal)
    recorder._begin = 1_000.0
    clocks = Clocks(monkeypatch, [])
    clocks.steady += after_s
    for _ in range(2):
        recorder._tell(at_once=True)
    assert [e["seconds"] for e in journal.entries if e["what"] == "nothing heard"] == told


def came(*frames: tuple[int, int]) -> FrameTable:
    """Frames (interface, time [ms]) as they were handed on."""
    n = len(frames)
    number, time_ms = np.array(frames, np.int64).reshape(n, 2).T
    return FrameTable.from_columns(
        ["a", "b"],
        10**18 + time_ms * 1_000_000,
        number,
        np.arange(n),
        np.zeros(n),
        np.zeros(n),
        np.zeros(0, np.uint8),
    )


@pytest.mark.parametrize("by_ms", [300, 2_000, 4_900])
def test_frames_of_a_clock_set_back_by_seconds_come_after_those_before_it(by_ms: int) -> None:
    """Sorted by time they would lie among each other, as no bus sent them."""
    order = InOrder(5_000_000_000)
    order.add(came((0, 10_000), (1, 10_010), (0, 10_050), (1, 10_060)))
    back = came((0, 10_100 - by_ms), (1, 10_110 - by_ms))
    first = order.add(back)
    assert (first.time_ns - 10**18).tolist() == [
        t * 10**6 for t in (10_000, 10_010, 10_050, 10_060)
    ]
    rest = order.rest(came())
    assert rest.time_ns.tolist() == back.time_ns.tolist()


def test_a_late_frame_of_another_interface_still_goes_first() -> None:
    order = InOrder(5_000_000_000)
    order.add(came((0, 10_000), (0, 10_090)))
    written = order.add(came((1, 10_050), (0, 10_100)))
    assert ((written.time_ns - 10**18) // 10**6).tolist() == [10_000, 10_050, 10_090]


def test_parts_of_a_clock_are_those_of_each_interface() -> None:
    table = came((0, 100), (0, 200), (0, 50), (1, 150), (1, 145), (1, 20))
    assert clock_parts(table).tolist() == [0, 0, 1, 0, 0, 1]
