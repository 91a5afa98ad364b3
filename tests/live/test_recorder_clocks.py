"""What the recorder makes of time, with clocks that the test turns."""

import threading
import time

import pytest

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
