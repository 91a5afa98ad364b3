"""Tiles over time: charts, lanes of states, and modules against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.board.state import Reading, TileState
from busplan.findings import Weight
from busplan.plan.vehicle import PackLayout
from busplan.replay.pack_state import Grade
from busplan.replay.replay import Replay
from busplan.replay.track import Columns
from busplan.replay.trend import ModuleGrid, module_heat, module_volts
from busplan.text.axis import draw_times
from busplan.text.canvas import Canvas, role_number
from busplan.text.chart import (
    TRACES,
    Chart,
    Curve,
    LimitLine,
    body_rows,
    dot_columns,
    draw_body,
    draw_chart,
    lead_of,
)
from busplan.text.lanes import lane
from busplan.text.runs import HEAD, PLAIN
from busplan.text.ticks import round_scale
from busplan.text.tiles import (
    NEVER_CAME,
    UNKNOWN,
    Look,
    begin,
    draw_head,
    hatch,
    limit_lines,
    scale_of,
    value_text,
)

MOST_CURVES = 4
LEAST_LEAD = 6


HOPS = 12
"""A window moves on by such a part of itself at once, and stands still in between."""


@dataclass(frozen=True)
class Stretch:
    """The stretch of time that a tile shows, and how far it shows what has come [ns].

    A ``moving`` one follows the present, and shows nothing that came later.
    """

    a_ns: int
    b_ns: int
    until_ns: int
    moving: bool = False

    @staticmethod
    def of(
        state: TileState, board_ns: int | None, t_ns: int, span_ns: int, origin_ns: int = 0
    ) -> Stretch:
        """The tile's own window, else the board's, up to the present; else the whole capture.

        A window ends at a whole hop of absolute time at or after the present.
        """
        length = state.tile.window_ns or board_ns
        if not length or length >= span_ns:
            return Stretch(0, max(span_ns, 1), span_ns)
        hop = max(length // HOPS, 1)
        end = max(-(-(t_ns + origin_ns) // hop) * hop - origin_ns, length)
        return Stretch(end - length, end, min(t_ns, span_ns), moving=True)


def chart_scale(state: TileState) -> tuple[float, float]:
    """One scale for all curves of a tile."""
    scales = [scale_of(state, r) for r in state.readings[:MOST_CURVES] if r.track is not None]
    if state.tile.range is not None or len(scales) == 1:
        return scales[0] if scales else (0.0, 1.0)
    if not scales:
        return 0.0, 1.0
    return round_scale(min(s[0] for s in scales), max(s[1] for s in scales))


def needed_lead(state: TileState, rows: int) -> int:
    """Columns that the labels left of a tile need."""
    if state.tile.show == "chart":
        return max(lead_of(chart_scale(state), max(rows - 2, 1)), LEAST_LEAD)
    if state.tile.show == "lanes":
        return min(max((len(r.label) for r in state.readings), default=0), 14) + 1
    return LEAST_LEAD


def over(state: TileState, replay: Replay, stretch: Stretch, wide: int, look: Look) -> Columns:
    """The columns of dots of a tile."""
    return dot_columns(stretch.a_ns, stretch.b_ns, wide, look.pen, replay.index.origin_ns)


def draw_chart_tile(
    state: TileState,
    look: Look,
    replay: Replay,
    stretch: Stretch,
    columns: int,
    rows: int,
    lead: int = 0,
) -> Canvas:
    """Curves with the present values in the header, each in the colour of its curve."""
    canvas, _ = begin(state, look, columns, rows)
    draw_head(canvas, state, look)
    shown = [r for r in state.readings[:MOST_CURVES] if r.track is not None]
    if not shown:
        hatch(canvas, 1)
        canvas.write(
            rows // 2, 1, f" {NEVER_CAME if state.readings else UNKNOWN} ", "tile-head+title-text"
        )
        return canvas
    _legend(canvas, state, shown)
    lead = lead or needed_lead(state, rows)
    whole = over(state, replay, stretch, columns - lead, look)
    canvas.paste(1, 0, _curves(state, shown, look, stretch, whole, rows - 1, lead))
    return canvas


def _curves(
    state: TileState,
    shown: Sequence[Reading],
    look: Look,
    stretch: Stretch,
    whole: Columns,
    rows: int,
    lead: int,
) -> Canvas:
    """The chart below the header. What stood still since it was drawn last is not drawn again."""
    tracks = tuple(r.track for r in shown if r.track is not None)
    scale, limits = chart_scale(state), tuple(_limits(shown))
    until_ns = stretch.until_ns
    cut_ns = until_ns if stretch.moving else None
    fault = state.weight == Weight.FAULT
    ground = role_number("tile-red" if fault else "tile")

    def chart_of(part: Columns) -> Chart:
        drawn = [Curve(*t.lowest_highest(part, cut_ns), TRACES[n]) for n, t in enumerate(tracks)]
        return Chart(
            curves=drawn[::-1],
            columns=part,
            scale=scale,
            until_ns=until_ns,
            lead=lead,
            unit=tracks[0].unit,
            limits=limits,
            flags=look.flags,
            cursor_ns=look.t_ns,
            pen=look.pen,
        )

    made_of = (tracks, whole, rows, lead, scale, limits, tuple(look.flags), look.pen, fault)
    kept_of = (made_of, None if stretch.moving else until_ns)
    drawn, before_ns, before = look.kept.get(state.tile, kept_of) or (None, 0, ())
    said: tuple[object, ...] = ()
    if drawn is None:
        drawn = draw_chart(chart_of(whole), rows)
        drawn.ground[drawn.ground == 0] = ground
    else:
        # Only what lies between the two moments differs; a curve reaches out to the left of it.
        wide = look.pen.shape.wide
        ends = sorted(whole.column(t) // wide for t in (before_ns, look.t_ns))
        first = max(ends[0] - 1, 0)
        last = min(ends[1] + 1, whole.count // wide)
        if first < last:
            part = chart_of(whole.part(first * wide, last * wide))
            said = (*ends, *(side.tobytes() for c in part.curves for side in (c.low, c.high)))
            if said != before or ends[0] != ends[1]:
                body = draw_body(part, body_rows(rows))
                body.ground[body.ground == 0] = ground
                drawn.paste(0, lead + first + (first > 0), body, skip=int(first > 0))
    look.kept.put(state.tile, kept_of, (drawn, look.t_ns, said))
    return drawn


def _legend(canvas: Canvas, state: TileState, shown: Sequence[Reading]) -> None:
    """Names and values at the end of the header; the title makes way for them."""
    calm = state.weight is None and state.gone is None
    parts = []
    for n, reading in enumerate(shown):
        text, unit = value_text(state, reading)
        value = f"{text} {unit}".rstrip()
        name = reading.label if len(shown) > 1 else ""
        parts.append((f"{name} {value}".strip(), TRACES[n] if calm else PLAIN))
    title = f" {state.title}" if len(shown) == 1 or state.tile.title else ""
    room = canvas.columns - len(title) - 2
    if sum(len(p) + 2 for p, _ in parts) > room and len(shown) > 1:
        # Names tell the curves apart; the values stand there where there is room.
        parts = [(r.label, role) for r, (_, role) in zip(shown, parts, strict=True)]
    while parts and sum(len(p) + 2 for p, _ in parts) > room:
        if len(parts) == 1:
            value = " ".join(value_text(state, shown[0])).rstrip()
            parts = [(value, parts[0][1])] if len(value) + 2 <= room else []
            break
        parts.pop()
    if not title and parts:
        ground = canvas.ground[0].copy()
        canvas.write(0, 0, " " * canvas.columns)
        canvas.ground[0] = ground
        if not calm and state.weight is not None:
            canvas.write(0, 1, state.weight.mark, PLAIN)
    x = canvas.columns - 1
    for text, role in reversed(parts):
        x -= len(text)
        canvas.write(0, max(x, 0), text, role)
        x -= 2


def _limits(shown: Sequence[Reading]) -> list[LimitLine]:
    """Limits that all curves share, each once; of different ones those of the first curve."""
    found: dict[tuple[float, Weight, bool], bool] = {}
    for reading in shown:
        for line in limit_lines(reading):
            key = (line.value, line.weight, line.above)
            if reading is shown[0] or key in found:
                found[key] = found.get(key, False) or line.lit
    if len(shown) > 1:
        every = [{(x.value, x.weight, x.above) for x in limit_lines(r)} for r in shown]
        common = {
            key
            for key in found
            if all(key in keys or any(k[2] != key[2] for k in keys) for keys in every if keys)
        }
        found = {key: lit for key, lit in found.items() if key in common}
        for reading in shown[1:]:
            for line in limit_lines(reading):
                key = (line.value, line.weight, line.above)
                if not any(k[2] == line.above for k in found):
                    found[key] = line.lit
    return [LimitLine(value, weight, above, lit) for (value, weight, above), lit in found.items()]


def draw_lanes_tile(
    state: TileState,
    look: Look,
    replay: Replay,
    stretch: Stretch,
    columns: int,
    rows: int,
    lead: int = 0,
) -> Canvas:
    """A lane a signal, its states by name; bad ones on plates."""
    canvas, ink = begin(state, look, columns, rows)
    draw_head(canvas, state, look)
    shown = [r for r in state.readings if r.track is not None]
    axis = rows - 1 > len(shown)
    if not shown:
        hatch(canvas, 1)
        return canvas
    lead = lead or needed_lead(state, rows)
    columns_over = over(state, replay, stretch, columns - lead, look)
    each = max((rows - 1 - axis) // len(shown), 1)
    each = min(each, 3)
    x = columns_over.column(look.t_ns) // look.pen.shape.wide
    seen, until_ns = columns_over, None
    if stretch.moving:
        until_ns = look.t_ns
        seen = columns_over.part(0, min((x + 1) * look.pen.shape.wide, columns_over.count))
    for n, reading in enumerate(shown):
        y = 1 + n * each
        if y + 1 > rows - axis:
            break
        track = reading.track
        assert track is not None
        high = max(each - (1 if each > 2 else 0), 1)
        place = ("lane", state.tile, reading.subject)
        made_of = (track, seen, high, look.pen, reading.held.value, reading.held.fresh)
        drawn = look.kept.get(place, made_of)
        if drawn is None:
            drawn = lane(track, seen, high, look.pen, state.tile.bad, until_ns)
            look.kept.put(place, made_of, drawn)
        plain = drawn.ground == 0
        ground = drawn.ground.copy()
        ground[plain] = canvas.ground[y, 0]
        canvas.paste(y, lead, drawn)
        canvas.ground[y : y + drawn.rows, lead:][:, : drawn.columns] = ground[
            : canvas.rows - y, : canvas.columns - lead
        ]
        label = reading.label if len(reading.label) < lead else f"{reading.label[: lead - 2]}…"
        canvas.write(y, 0, label.ljust(lead - 1), ink if ink == PLAIN else HEAD)
        for row in range(y, min(y + high, rows)):
            if 0 <= x < columns - lead and canvas.piece[row, lead + x] == " ":
                canvas.write(row, lead + x, "│", HEAD)
    if axis:
        draw_times(canvas, columns_over, lead, look.pen.shape.wide)
    return canvas


def draw_heat_tile(
    state: TileState,
    look: Look,
    replay: Replay,
    stretch: Stretch,
    columns: int,
    rows: int,
) -> Canvas:
    """Modules over time, graded by how far each is off the others."""
    canvas, ink = begin(state, look, columns, rows)
    draw_head(canvas, state, look)
    layout = replay.vehicle.pack
    cells = {str(c.address) for c in layout.cells} if layout else set()
    if layout is None or not state.readings:
        hatch(canvas, 1)
        return canvas
    volts = state.readings[0].subject in cells
    found = _modules(replay, layout, volts, stretch, columns - 6)
    if stretch.moving:
        found = found.upto(look.t_ns)
    most = rows - 2
    each = max(most // max(len(found.names), 1), 1)
    x = np.arange(columns - 6)
    for m, name in enumerate(found.names[: max(most, 1)]):
        y = 1 + m * each
        canvas.write(y, 0, name[:5].ljust(5), ink if ink == PLAIN else HEAD)
        for row in range(y, min(y + max(each, 1), rows - 1)):
            for grade in Grade:
                here = x[found.grade[m] == grade]
                role = GRADE_GROUND[grade]
                canvas.ground[row, 6 + here] = role_number(role)
                marked = here[here % 4 == 1]
                if row == y and grade not in (Grade.EVEN, Grade.MISSING):
                    canvas.piece[row, 6 + marked] = grade.mark
    draw_times(canvas, over(state, replay, stretch, columns - 6, look), 6, look.pen.shape.wide)
    return canvas


GRADE_GROUND = {
    Grade.MISSING: "tile",
    Grade.STALE: "tile",
    Grade.FAR_LOW: "map-far-low",
    Grade.LOW: "map-low",
    Grade.EVEN: "map-even",
    Grade.HIGH: "map-high",
    Grade.FAR_HIGH: "map-far-high",
    Grade.OUTSIDE: "map-outside",
    Grade.ASIDE: "tile",
}


def _modules(
    replay: Replay, layout: PackLayout, volts: bool, stretch: Stretch, count: int
) -> ModuleGrid:
    make = module_volts if volts else module_heat
    columns = Columns.over(stretch.a_ns, stretch.b_ns, count, replay.index.origin_ns)
    return replay.keep((make, columns), lambda: make(replay, layout, columns.edges[1:] - 1))
