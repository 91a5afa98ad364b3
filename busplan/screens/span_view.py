"""The span from A to B on screen."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.span import Span, measure_span
from busplan.screens.beside import Beside
from busplan.screens.plain_views import SheetView
from busplan.text.pins import draw_pins
from busplan.text.runs import Line, wrap
from busplan.text.span_draw import draw_span, place_names
from busplan.text.timeline import Window

PLOT_ROWS = 8
"""Rows of each pinned signal's plot below the figures."""

AT_ONCE = 200_000
"""Spans of up to so many frames are measured while the screen is drawn."""

_Ends = tuple[int, int, tuple[SignalAddress, ...]]


class SpanView(SheetView):
    """Statistics from A to B."""

    title = "Span"
    short = "Span"
    help = (
        "Loads, signals and cycle times from A to B, or over the whole capture while A or B is "
        "not set. Cells and sensors: those that were lowest, highest and changed least and most. "
        "Pin signals on the Messages screen to see them here.\n"
        "a and b set the ends at the present moment; c clears them"
    )

    def __init__(self) -> None:
        super().__init__(id="span")
        self.ends: tuple[int, int] | None = None
        self.pinned: Sequence[SignalAddress] = ()
        self._last: tuple[_Ends, Span] | None = None
        self._beside: Beside | None = None
        self._wanted: tuple[Replay, _Ends] | None = None

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        a_ns, b_ns = self.ends or (0, replay.span_ns)
        span = self._measured(replay, (a_ns, b_ns, tuple(self.pinned)))
        if span is None:
            doing = self._beside.doing if self._beside else ""
            return [[(doing or "The span is being measured ...", "faint")]]
        lines = draw_span(span, columns, place_names(replay))
        if self.pinned:
            self.read_beside(replay, self.pinned)
            here = Window(a_ns, max(b_ns, a_ns + 1), b_ns - a_ns)
            pins = self.pinned
            drawn = draw_pins(replay, pins, columns, here, snapshot.t_ns, PLOT_ROWS, self.pen)
            lines += [[], *drawn]
        if self.ends is None:
            hint = "Whole capture. Press a and b to set the ends of a span."
            lines = [*wrap(hint, columns, "faint"), *lines]
        return lines

    def _measured(self, replay: Replay, ends: _Ends) -> Span | None:
        """The figures; ``None`` while those of many frames are worked out beside the screens."""
        key = ("span", *ends)
        a_ns, b_ns, pinned = ends
        frames = int((replay.lines.count(b_ns) - replay.lines.count(a_ns)).sum())
        if replay.has(key) or frames <= AT_ONCE:
            self._last = ends, replay.keep(key, lambda: measure_span(replay, *ends))
        elif (replay, ends) != self._wanted and not (self._beside and self._beside.running):
            self._wanted = replay, ends

            def work(beside: Beside) -> None:
                span = measure_span(replay, a_ns, b_ns, pinned)
                beside.hand(self._take, replay, ends, span)

            self._beside = Beside(self.app, work)
            self._beside.start()
        return self._last[1] if self._last and self._last[0] == ends else None

    def _take(self, replay: Replay, ends: _Ends, span: Span) -> None:
        replay.keep(("span", *ends), lambda: span)
        self._last = ends, span
        self.redraw_now()
