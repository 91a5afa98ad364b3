"""The span from A to B on screen."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from busplan.pack.labels import short_cell, short_sensor
from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.span import Span, measure_span
from busplan.screens.plain_views import SheetView
from busplan.screens.runs import Line, wrap
from busplan.screens.span_draw import draw_span
from busplan.screens.timeline import Window


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

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        a_ns, b_ns = self.ends or (0, replay.span_ns)
        span = _measured(replay, a_ns, b_ns, tuple(self.pinned))
        lines = draw_span(span, columns, place_names(replay))
        if self.ends is None:
            hint = "Whole capture. Press a and b to set the ends of a span."
            lines = [*wrap(hint, columns, "faint"), *lines]
        return lines


@lru_cache(maxsize=4)
def _measured(replay: Replay, a_ns: int, b_ns: int, pinned: tuple[SignalAddress, ...]) -> Span:
    return measure_span(replay, a_ns, b_ns, pinned)


def place_names(replay: Replay) -> dict[object, str]:
    """What users call the signals that are cells and sensors."""
    layout = replay.vehicle.pack
    if layout is None:
        return {}
    return {
        **{c.address: short_cell(c) for c in layout.cells},
        **{s.address: short_sensor(s) for s in layout.sensors},
    }
