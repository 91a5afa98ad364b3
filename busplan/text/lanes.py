"""Named states over time: each stretch with its name inside."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import numpy as np

from busplan.findings import Weight
from busplan.replay.track import Columns, Track
from busplan.text.axis import draw_times
from busplan.text.canvas import Canvas, role_number
from busplan.text.dots import Pen
from busplan.text.runs import FAINT, HEAD, Line

CHANGE = "▏"
MANY = "▒"
"""A column in which a state came and went."""


class Stretch(NamedTuple):
    """Characters ``[first, last)`` of one state; an empty name where nothing is known."""

    first: int
    last: int
    name: str


def stretches(
    track: Track, columns: Columns, wide: int, until_ns: int | None = None
) -> list[Stretch]:
    """The states of a signal over its columns, up to ``until_ns``; ``wide`` dots make a character.

    A character in which more than one state was seen is a stretch of its own, named ``MANY``, so
    that none is lost however short it was.
    """
    each = Columns(columns.start_ns, columns.step_ns * wide, columns.count // wide)
    low, high = track.lowest_highest(each, until_ns)
    last_ns = each.stop_ns if until_ns is None else until_ns
    found: list[Stretch] = []
    for x, (a, b) in enumerate(zip(low.tolist(), high.tolist(), strict=True)):
        # A change from one state to the next falls into one character: the later one has it.
        end = track.at(min(each.start_ns + (x + 1) * each.step_ns - 1, last_ns))
        name = "" if a != a else track.text(end.value if end.value == end.value else b)
        if a != b and a == a and _passing(track, each, x, last_ns):
            name = MANY
        if found and found[-1].name == name:
            found[-1] = found[-1]._replace(last=x + 1)
        else:
            found.append(Stretch(x, x + 1, name))
    return found


def _passing(track: Track, each: Columns, x: int, last_ns: int) -> bool:
    """Whether a state was seen in a column that neither began nor ended it."""
    a_ns = each.start_ns + x * each.step_ns
    b_ns = min(a_ns + each.step_ns - 1, last_ns)
    first, last = np.searchsorted(track.time_ns, (a_ns, b_ns + 1)).tolist()
    seen = set(track.value[first:last].tolist())
    ends = {track.at(a_ns - 1).value, track.at(b_ns).value}
    return bool({v for v in seen if v == v} - ends)


def lane(
    track: Track,
    columns: Columns,
    rows: int,
    pen: Pen,
    bad: Collection[str] = (),
    until_ns: int | None = None,
) -> Canvas:
    """One lane, its names inside the stretches that have room for them, ``bad`` ones on plates.

    What came after ``until_ns`` is not looked at.
    """
    wide = pen.shape.wide
    canvas = Canvas(rows, columns.count // wide)
    shade = 0
    before = ""
    for stretch in stretches(track, columns, wide, until_ns):
        if stretch.name and before:
            shade = 1 - shade
        before = stretch.name
        if not stretch.name:
            continue
        plate = f"plate-{Weight.FAULT.word}" if stretch.name in bad else f"lane-{shade + 1}"
        size = stretch.last - stretch.first
        canvas.fill(0, stretch.first, rows, size, plate)
        if stretch.name == MANY:
            for y in range(rows):
                canvas.write(y, stretch.first, MANY * size, "lane-name")
            continue
        for y in range(rows):
            canvas.write(y, stretch.first, CHANGE, "lane-name")
        room = size - 1
        name = stretch.name if len(stretch.name) <= room else stretch.name[: max(room - 1, 0)] + "…"
        if room >= min(len(stretch.name), 3):
            canvas.write((rows - 1) // 2, stretch.first + 1, name, "lane-name")
    return canvas


def draw_lane(
    track: Track, columns: Columns, lead: int, t_ns: int, rows: int, pen: Pen, until_ns: int
) -> list[Line]:
    """One lane with its time axis, under a chart or alone."""
    axis = rows > 2
    high = max(rows - axis, 1)
    body = lane(track, columns, min(high, 2), pen)
    whole = Canvas(min(high, 2) + axis, lead + body.columns)
    whole.paste(0, lead, body)
    x = columns.column(t_ns) // pen.shape.wide
    for y in range(body.rows):
        whole.write(y, lead - 1, "│", FAINT)
        if 0 <= x < body.columns and body.piece[y, x] == " ":
            whole.piece[y, lead + x], whole.ink[y, lead + x] = "│", role_number(HEAD)
    if axis:
        draw_times(whole, columns, lead, pen.shape.wide)
    return whole.lines()
