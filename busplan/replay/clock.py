"""The replay clock: where in the capture we are, without drift.

The position is always computed from one anchor, ``position = anchor + (now − then) · speed``, with
``now`` from a monotonic clock. Nothing is added up tick by tick, so a slow screen shows fewer
moments but never falls behind; how far a shown moment is behind says :meth:`ReplayClock.behind_ns`.
"""

from __future__ import annotations

from collections.abc import Callable

SPEEDS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""The speeds a user steps through; any speed between the first and the last can be set."""


class ReplayClock:
    """Plays, pauses and seeks over ``0 … span_ns``.

    ``now`` gives monotonic nanoseconds; the caller brings it, for nothing here asks a clock.
    """

    live = False
    """Whether the end of the capture is the present; see :class:`LiveClock`."""

    def __init__(
        self,
        span_ns: int,
        *,
        speed: float = 1.0,
        now: Callable[[], int],
    ) -> None:
        self.span_ns = max(0, span_ns)
        self._now = now
        self._speed = _allowed(speed)
        self._anchor_ns = 0
        self._then_ns = now()
        self._playing = False

    @property
    def playing(self) -> bool:
        """Whether time runs; false once the end of the capture is reached."""
        if self._playing and self._raw_position() >= self.span_ns:
            self._anchor_ns, self._playing = self.span_ns, False
        return self._playing

    @property
    def speed(self) -> float:
        """Capture seconds a second of real time."""
        return self._speed

    @property
    def position_ns(self) -> int:
        """The moment of the capture that is due now [ns since its first frame]."""
        return min(self._raw_position(), self.span_ns) if self.playing else self._anchor_ns

    def play(self) -> None:
        """Let time run; from the start again when the end has been reached."""
        if self.playing:
            return
        if self._anchor_ns >= self.span_ns:
            self._anchor_ns = 0
        self._then_ns, self._playing = self._now(), True

    def pause(self) -> None:
        """Hold the present moment."""
        self._anchor_ns, self._playing = self.position_ns, False

    def toggle(self) -> None:
        """Play when paused, pause when playing."""
        if self.playing:
            self.pause()
        else:
            self.play()

    def seek(self, position_ns: int) -> None:
        """Go to a moment, held within the capture; playing or paused stays as it was."""
        playing = self._playing
        self._anchor_ns = min(max(0, position_ns), self.span_ns)
        self._then_ns, self._playing = self._now(), playing

    def step(self, by_ns: int) -> None:
        """Pause and move by ``by_ns``, forward or back."""
        self.pause()
        self.seek(self._anchor_ns + by_ns)

    def set_speed(self, speed: float) -> None:
        """Change the speed from this moment on, held within ×0.1 … ×100."""
        self._anchor_ns, self._then_ns = self.position_ns, self._now()
        self._speed = _allowed(speed)

    def faster(self) -> None:
        """The next higher speed of :data:`SPEEDS`."""
        self.set_speed(next((s for s in SPEEDS if s > self._speed), SPEEDS[-1]))

    def slower(self) -> None:
        """The next lower speed of :data:`SPEEDS`."""
        self.set_speed(next((s for s in reversed(SPEEDS) if s < self._speed), SPEEDS[0]))

    def behind_ns(self, shown_ns: int) -> int:
        """How far a shown moment is behind the due one, in real nanoseconds (capture / speed)."""
        return round(max(0, self.position_ns - shown_ns) / self._speed) if self._playing else 0

    def _raw_position(self) -> int:
        if not self._playing:
            return self._anchor_ns
        return self._anchor_ns + round((self._now() - self._then_ns) * self._speed)


def _allowed(speed: float) -> float:
    return min(max(speed, SPEEDS[0]), SPEEDS[-1])


class LiveClock(ReplayClock):
    """The clock of a live bus: *playing* means following the newest moment; the span grows.

    Held, it stays where it is while the recording goes on. Seeking holds, except at the very end.
    """

    live = True

    def __init__(self) -> None:
        super().__init__(0, now=lambda: 0)
        self._following = True

    @property
    def playing(self) -> bool:
        """Whether the newest moment is followed."""
        return self._following

    @property
    def position_ns(self) -> int:
        """The newest moment, or the held one."""
        return self.span_ns if self._following else self._anchor_ns

    def play(self) -> None:
        """Follow the newest moment."""
        self._following = True

    def pause(self) -> None:
        """Hold the present moment."""
        self._anchor_ns, self._following = self.position_ns, False

    def seek(self, position_ns: int) -> None:
        """Go to a moment and hold it; at the end, follow."""
        self._anchor_ns = min(max(0, position_ns), self.span_ns)
        self._following = position_ns >= self.span_ns

    def set_speed(self, speed: float) -> None:
        """A live bus has one speed."""

    def behind_ns(self, shown_ns: int) -> int:
        """Nothing is behind: the newest moment is what has been received."""
        return 0

    def grow(self, span_ns: int, forgotten_ns: int = 0) -> None:
        """More has been received; ``forgotten_ns`` have been dropped at the beginning."""
        self.span_ns = max(0, span_ns)
        self._anchor_ns = min(max(0, self._anchor_ns - forgotten_ns), self.span_ns)
