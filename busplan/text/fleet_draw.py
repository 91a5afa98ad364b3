"""The screen of a fleet as lines: vehicles, captures, and a figure over the years.

The rules of this file: every value is a point of its own with its interval as a bar; the line is
drawn only where a slope is told. What is chosen bears a mark beside the colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

from busplan.answers import Answer
from busplan.fleet.browsing import CaptureLine, VehicleLine
from busplan.fleet.reply import Curve, Reply
from busplan.text.canvas import Canvas
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, clip, wrap
from busplan.text.ticks import round_scale, value_ticks

ROLES = {"good": "good", "bad": "fault", "not shown": "caution"}
_DAY_NS = 86_400 * 10**9
_LEAD = 9


def day(time_ns: int | None) -> str:
    """A date, UTC; ``-`` without one."""
    if time_ns is None:
        return "-"
    return f"{datetime.fromtimestamp(time_ns / 1e9, UTC):%Y-%m-%d}"


def draw_vehicles(vehicles: Sequence[VehicleLine], chosen: int, columns: int) -> list[Line]:
    """One line a vehicle."""
    wide = max([7, *(len(v.vehicle) for v in vehicles)])
    lines: list[Line] = [
        [(f"  {'vehicle':<{wide}}  captures  not all right    hours  first       last", HEAD)]
    ]
    for number, v in enumerate(vehicles):
        words = (
            f"{v.vehicle:<{wide}}  {v.captures:>8,}  {v.bad:>13,}  {v.hours:>7,.1f}  "
            f"{day(v.first_ns):<10}  {day(v.last_ns)}"
        )
        lines.append(_row(words, number == chosen))
    return [clip(line, columns) for line in lines]


def _row(words: str, chosen: bool) -> Line:
    return [("▸ " if chosen else "  ", HEAD), (words, "chosen" if chosen else PLAIN)]


def draw_captures(captures: Sequence[CaptureLine], chosen: int, columns: int) -> list[Line]:
    """One line a capture, newest first: when, what was done, the answer's mark, the verdict."""
    lines: list[Line] = [[("  when (UTC)        test      minutes    verdict", HEAD)]]
    for number, c in enumerate(captures):
        when = f"{datetime.fromtimestamp(c.start_ns / 1e9, UTC):%Y-%m-%d %H:%M}" if c.dated else "-"
        answer = Answer(c.answer)
        words = f"{when:<16}  {c.test or '-':<8}  {c.span_s / 60:>7.1f}  "
        line = _row(words, number == chosen)
        line += [(f"{answer.mark} ", ROLES[c.answer]), (c.what or c.verdict, PLAIN)]
        lines.append(line)
    return [clip(line, columns) for line in lines]


def draw_years(
    told: Reply | str, title: str, chosen_ns: int | None, columns: int, rows: int
) -> list[Line]:
    """A figure over the years with its intervals and its line, or why there is none.

    ``chosen_ns`` is the capture chosen in the list: an upright line stands at its day.
    """
    head: Line = [(title, HEAD)]
    if isinstance(told, str):
        return [head, *wrap(told, columns, FAINT)]
    assert told.drawing is not None
    (curve,) = told.drawing.curves
    says = wrap(told.says[0], columns, "trace-2")
    chart = _chart(curve, told.drawing.label, chosen_ns, columns, max(rows - 1 - len(says), 4))
    return [clip(head, columns), *says, *chart]


def _chart(curve: Curve, label: str, chosen_ns: int | None, columns: int, rows: int) -> list[Line]:
    high, wide = rows - 1, max(columns - _LEAD, 10)
    ends = [curve.value] + [e for e in (curve.low, curve.high, curve.line) if e is not None]
    joined = np.concatenate(ends)
    known = joined[np.isfinite(joined)]
    low, top = round_scale(float(known.min()), float(known.max()))
    first, last = int(curve.time_ns.min()), int(curve.time_ns.max())
    span = max(last - first, 1)
    canvas = Canvas(rows, _LEAD + wide)

    def row(value: float) -> int:
        at = (value - low) / (top - low) * high
        return min(max(high - 1 - int(at), 0), high - 1)

    def column(time_ns: int) -> int:
        return _LEAD + min(int((time_ns - first) / span * (wide - 1)), wide - 1)

    for y in range(high):
        canvas.write(y, _LEAD - 1, "│", FAINT)
    ticks, decimals = value_ticks(low, top, max(high // 2, 2))
    for value in ticks:
        canvas.write(row(value), 0, f"{value:z.{decimals}f}"[:7].rjust(7), FAINT)
    if chosen_ns is not None and first <= chosen_ns <= last:
        for y in range(high):
            canvas.write(y, column(chosen_ns), "╎", HEAD)
    if curve.line is not None:
        for x in range(wide):
            at = first + span * x / max(wide - 1, 1)
            value = float(np.interp(at, curve.time_ns, curve.line))
            canvas.write(row(value), _LEAD + x, "─", "trace-2")
    for n, time_ns in enumerate(curve.time_ns.tolist()):
        x = column(time_ns)
        if curve.low is not None and curve.high is not None and np.isfinite(curve.low[n]):
            for y in range(row(float(curve.high[n])), row(float(curve.low[n])) + 1):
                canvas.write(y, x, "│", FAINT)
    for time_ns, value in zip(curve.time_ns.tolist(), curve.value.tolist(), strict=True):
        canvas.write(row(value), column(time_ns), "●", "trace")
    _dates(canvas, first, last, wide, label)
    return canvas.lines()


def _dates(canvas: Canvas, first: int, last: int, wide: int, label: str) -> None:
    """Dates below, as many as have room and differ, and the unit at the left; of few days times."""
    y = canvas.rows - 1
    unit = label[label.rfind("[") :] if "[" in label else ""
    canvas.write(y, 0, unit[:7].rjust(7), FAINT)
    steps = max(min(wide // 14, 8), 1)
    form = "%Y-%m-%d" if last - first > steps * _DAY_NS else "%m-%d %H:%M"
    begin, before = datetime.fromtimestamp(first / 1e9, UTC), ""
    for n in range(steps):
        x = n * wide // steps
        when = begin + timedelta(seconds=(last - first) / 1e9 * x / max(wide - 1, 1))
        told = f"{when:{form}}"
        if told != before:
            canvas.write(y, _LEAD + x, told[: wide - x], FAINT)
        before = told
