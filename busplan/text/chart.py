"""Curves over time on one scale, with zones, limits, gaps, labelled ticks and the present moment.

The rules of this file: a column of dots shows lowest to highest of what came in it, joined with the
column before, so that no spike is lost. Where nothing came it stays open and is hatched. What lies
outside the scale stands at its end, in the role of its zone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from busplan.findings import Weight
from busplan.frames.columns import F64, I64, Mask
from busplan.replay.track import Columns
from busplan.text.axis import axis_times, draw_times
from busplan.text.canvas import Canvas, role_number
from busplan.text.dots import Pen, to_cells
from busplan.text.runs import FAINT, HEAD, Line
from busplan.text.ticks import value_ticks

TRACES = ("trace", "trace-2", "trace-3", "trace-4")
HATCH = "╱"
LEAST_ROWS = 2


class Curve(NamedTuple):
    """Lowest and highest of each column of dots, and its role; a ``thin`` one is a fine line."""

    low: F64
    high: F64
    role: str
    thin: bool = False


class Band(NamedTuple):
    """A shaded range behind the curves."""

    low: F64
    high: F64


class LimitLine(NamedTuple):
    """A limit: what lies ``above`` it, or else below it, is its zone; ``lit`` when something is."""

    value: float
    weight: Weight
    above: bool
    lit: bool = False


class Flag(NamedTuple):
    """A moment that is marked on the time axis."""

    t_ns: int
    mark: str
    role: str


@dataclass(frozen=True, eq=False)
class Chart:
    """What is drawn. ``columns`` are of dots; ``until_ns`` is the end of what has been seen.

    ``lead`` are the columns of the labels, so that charts below each other have one time axis.
    """

    curves: Sequence[Curve]
    columns: Columns
    scale: tuple[float, float]
    until_ns: int
    lead: int = 0
    unit: str = ""
    bands: Sequence[Band] = ()
    limits: Sequence[LimitLine] = ()
    flags: Sequence[Flag] = ()
    cursor_ns: int | None = None
    pen: Pen = field(default_factory=Pen)


def dot_columns(a_ns: int, b_ns: int, wide: int, pen: Pen, origin_ns: int = 0) -> Columns:
    """The columns of dots of a chart ``wide`` characters across; see :meth:`Columns.over`."""
    return Columns.over(a_ns, b_ns, wide * pen.shape.wide, origin_ns)


def scale_of(curves: Sequence[Curve], bands: Sequence[Band] = ()) -> tuple[float, float]:
    """Lowest and highest of all; NaN without any value."""
    parts = [c.low for c in curves] + [c.high for c in curves]
    parts += [b.low for b in bands] + [b.high for b in bands]
    seen = [p[~np.isnan(p)] for p in parts]
    joined = np.concatenate(seen) if seen else np.empty(0)
    if not len(joined):
        return float("nan"), float("nan")
    return float(joined.min()), float(joined.max())


def lead_of(scale: tuple[float, float], rows: int, unit: str = "") -> int:
    """Columns that the labels of a scale take."""
    ticks, decimals = value_ticks(*scale, _most(rows))
    names = [_label(t, decimals) for t in ticks]
    return max((len(n) for n in names), default=1) + 1


def draw_chart(chart: Chart, rows: int) -> Canvas:
    """The chart in so many rows, the time axis being the last of them (from three rows on)."""
    high = body_rows(rows)
    axis = high < rows
    wide = chart.columns.count // chart.pen.shape.wide
    lead = chart.lead or lead_of(chart.scale, high)
    whole = Canvas(rows, lead + wide)
    whole.paste(0, lead, draw_body(chart, high))
    ticks, decimals = value_ticks(*chart.scale, _most(high))
    for y in range(high):
        whole.write(y, lead - 1, "│", FAINT)
    free = set(range(high))
    for value in ticks:
        y = _row(chart.scale, value, high)
        if y in free:
            whole.write(y, 0, _label(value, decimals).rjust(lead - 1), FAINT)
            free -= {y}
    if axis:
        _axis(chart, whole, lead)
    return whole


def body_rows(rows: int) -> int:
    """Rows of a chart that are left above its axis of time."""
    return max(rows - (rows > LEAST_ROWS), 1)


def draw_body(chart: Chart, rows: int) -> Canvas:
    """What stands between the axes. A chart of a part of the columns gives that part of it."""
    body = Canvas(rows, chart.columns.count // chart.pen.shape.wide)
    _zones(chart, body)
    _grid(chart, body)
    _curves(chart, body)
    return body


def _most(rows: int) -> int:
    return max((rows + 1) // 2, 2) if rows > 1 else 1


def _label(value: float, decimals: int) -> str:
    return f"{value:z.{decimals}f}"


def _row(scale: tuple[float, float], value: float, rows: int) -> int:
    """The row of a value, 0 at the top."""
    low, high = scale
    at = (value - low) / (high - low) * rows
    return min(max(rows - 1 - int(at), 0), rows - 1)


def zone_role(weight: Weight, lit: bool) -> str:
    """The ground of a zone."""
    return f"zone-{weight.word}{'-lit' if lit else ''}"


def _zones(chart: Chart, body: Canvas) -> None:
    """Grounds beyond the limits, cautions first, and the limits as lines."""
    low, high = chart.scale
    rows = body.rows
    for limit in sorted(chart.limits, key=lambda each: each.weight):
        if not low <= limit.value <= high:
            beyond = limit.value < low if limit.above else limit.value > high
            if beyond:
                body.fill(0, 0, rows, body.columns, zone_role(limit.weight, limit.lit))
            continue
        y = _row(chart.scale, limit.value, rows)
        if chart.pen.colour:
            first, last = (0, y + 1) if limit.above else (y, rows)
            body.fill(first, 0, last - first, body.columns, zone_role(limit.weight, limit.lit))
        line = "─" if limit.weight == Weight.FAULT else "╌"
        role = f"limit-{limit.weight.word}{'-lit' if limit.lit else ''}"
        body.write(y, 0, line * body.columns, role)


def _grid(chart: Chart, body: Canvas) -> None:
    """Fine upright lines at the times that are named, in every second row."""
    if not chart.pen.colour:
        return
    role = role_number("grid")
    for t_ns in axis_times(chart.columns, chart.pen.shape.wide):
        x = _character(chart, t_ns)
        if 0 <= x < body.columns:
            for y in range(0, body.rows, 2):
                if body.piece[y, x] == " ":
                    body.piece[y, x], body.ink[y, x] = "╎", role


def _character(chart: Chart, t_ns: int) -> int:
    return chart.columns.column(t_ns) // chart.pen.shape.wide


def _curves(chart: Chart, body: Canvas) -> None:
    shape = chart.pen.shape
    dots, wide = body.rows * shape.high, body.columns * shape.wide
    owner = np.full((dots, wide), -1, np.int64)
    heights = np.arange(dots)[:, None]
    shade = np.zeros((dots, wide), np.bool_)
    for band in chart.bands:
        bottom, top = (_levels(chart.scale, each[:wide], dots) for each in band)
        shade |= (heights >= bottom) & (heights <= top) & (bottom >= 0)
    for n, curve in enumerate(chart.curves):
        bottom, top = joined(
            _levels(chart.scale, curve.low[:wide], dots),
            _levels(chart.scale, curve.high[:wide], dots),
        )
        more = 0 if curve.thin else chart.pen.thick - 1
        top = np.minimum(top + more, dots - 1)
        bottom = np.where(bottom >= 0, np.maximum(np.minimum(bottom, top - more), 0), -1)
        owner[(heights >= bottom) & (heights <= top) & (bottom >= 0)] = n
    owner, shade = owner[::-1], shade[::-1]
    piece, front, back = to_cells(owner, shape)
    roles = np.array([role_number(c.role) for c in chart.curves] or [0])
    thin = np.array([c.thin for c in chart.curves] or [False])
    grounds = np.array([role_number(f"{c.role}-ground") for c in chart.curves] or [0])
    shaded = shade.reshape(body.rows, shape.high, body.columns, shape.wide).any(axis=(1, 3))
    here: Mask = (front < 0) & shaded
    body.piece[here] = "░"
    body.ink[here] = role_number("band")
    here = front >= 0
    fine = here & thin[front]
    body.piece[here] = np.where(fine, "─", piece)[here]
    body.ink[here] = roles[front][here]
    two = here & (back >= 0) & ~thin[back]
    body.ground[two] = grounds[back][two]
    _gaps(chart, body)
    _cursor(chart, body, front < 0)


def joined(bottom: I64, top: I64) -> tuple[I64, I64]:
    """Columns reached out to the ones before them, so that a curve has no breaks of its own."""
    low, high = bottom.copy(), top.copy()
    both = (bottom[1:] >= 0) & (bottom[:-1] >= 0)
    up = both & (bottom[1:] > top[:-1])
    down = both & (top[1:] < bottom[:-1])
    low[1:][up] = top[:-1][up] + 1
    high[1:][down] = bottom[:-1][down] - 1
    high = np.maximum(high, top)
    return np.where(bottom >= 0, np.minimum(low, bottom), -1), np.where(top >= 0, high, -1)


def _levels(scale: tuple[float, float], values: F64, dots: int) -> I64:
    """The dot of each value, counted from the bottom; −1 without one."""
    low, high = scale
    with np.errstate(invalid="ignore"):
        at = np.rint((np.clip(values, low, high) - low) / (high - low) * (dots - 1))
    at[np.isnan(at)] = -1
    return at.astype(np.int64)


def _gaps(chart: Chart, body: Canvas) -> None:
    """Hatch what nothing is known of, up to what has been seen."""
    if not chart.curves:
        return
    wide = chart.pen.shape.wide
    empty = np.ones(body.columns * wide, np.bool_)
    for curve in chart.curves:
        empty &= np.isnan(curve.low[: len(empty)])
    begin, end = _character(chart, 0), _character(chart, chart.until_ns)
    open_: Mask = np.all(empty.reshape(body.columns, wide), axis=1)
    open_[: max(begin, 0)] = False
    open_[max(end, 0) :] = False
    at = np.flatnonzero(open_)
    role = role_number("hatch")
    first = chart.columns.start_ns // (chart.columns.step_ns * wide)
    for y in range(body.rows):
        for x in at[(at + first + y) % 3 == 0].tolist():
            if body.piece[y, x] in (" ", "╎"):
                body.piece[y, x], body.ink[y, x] = HATCH, role


def _cursor(chart: Chart, body: Canvas, free: Mask) -> None:
    if chart.cursor_ns is None:
        return
    x = _character(chart, chart.cursor_ns)
    if 0 <= x < body.columns:
        here = free[:, x]
        body.piece[here, x], body.ink[here, x] = "│", role_number(HEAD)


def _axis(chart: Chart, whole: Canvas, lead: int) -> None:
    """Times, and flags in place of those they fall on: a time with a letter in it is misread."""
    y = whole.rows - 1
    whole.write(y, 0, chart.unit[: max(lead - 1, 0)].rjust(lead - 1), FAINT)
    draw_times(whole, chart.columns, lead, chart.pen.shape.wide)
    marked: set[int] = set()
    for flag in chart.flags:
        x = lead + _character(chart, flag.t_ns)
        if lead <= x < whole.columns:
            ends = [x, x]
            for end, step in enumerate((-1, 1)):
                while lead <= ends[end] < whole.columns and _written(whole, ends[end], marked):
                    ends[end] += step
            whole.write(y, ends[0] + 1, " " * (ends[1] - ends[0] - 1), FAINT)
            marked.add(x)
            whole.write(y, x, flag.mark, flag.role)


def _written(whole: Canvas, x: int, marked: set[int]) -> bool:
    """Whether a time stands at a place of the last row, and no flag yet."""
    return whole.piece[whole.rows - 1, x] != " " and x not in marked


def chart_lines(chart: Chart, rows: int) -> list[Line]:
    """The chart as lines."""
    return draw_chart(chart, rows).lines()
