"""The axis of time that charts and lanes share: which moments are named, and where they stand."""

from __future__ import annotations

from busplan.replay.track import Columns
from busplan.text.canvas import Canvas
from busplan.text.runs import FAINT
from busplan.text.ticks import time_step_ns, time_text


def axis_times(columns: Columns, wide: int) -> list[int]:
    """The moments that are named, ``wide`` columns of dots making one character [ns]."""
    step = time_step_ns(columns.step_ns * wide)
    first = max(-(-columns.start_ns // step), 0)
    return list(range(first * step, columns.stop_ns, step))


def draw_times(whole: Canvas, columns: Columns, lead: int, wide: int) -> None:
    """The moments in the last row of a drawing, right of ``lead`` characters."""
    y, free_from = whole.rows - 1, lead
    step = time_step_ns(columns.step_ns * wide)
    for t_ns in axis_times(columns, wide):
        text, x = time_text(t_ns, step), lead + columns.column(t_ns) // wide
        if free_from <= x and x + len(text) <= whole.columns:
            whole.write(y, x, text, FAINT)
            free_from = x + len(text) + 1
