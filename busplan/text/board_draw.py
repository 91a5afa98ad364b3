"""A whole board: the band that names what is wrong, and all tiles on their places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplan.board.alarms import Alarm, so_far
from busplan.board.model import Rect, rect_of
from busplan.board.notes import Note
from busplan.board.state import BoardState, Judged, TileState
from busplan.findings import Weight
from busplan.pack.labels import clock
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.text.canvas import Canvas
from busplan.text.runs import FAINT, OF_WEIGHT, PLAIN, Line, clip, clock_text, span_text
from busplan.text.tiles import Look, begin, draw_head, draw_value
from busplan.text.tiles_map import draw_map_tile
from busplan.text.tiles_over_time import (
    Stretch,
    draw_chart_tile,
    draw_heat_tile,
    draw_lanes_tile,
    needed_lead,
)

MANY_ROWS = 50
"""From so many rows on the band is three rows high."""
OVER_TIME = ("chart", "lanes")


@dataclass(frozen=True, eq=False)
class Shown:
    """What a board is drawn of."""

    judged: Judged
    state: BoardState
    replay: Replay
    snapshot: Snapshot
    notes: Sequence[Note] = ()


def band_rows(rows: int) -> int:
    """Rows of the band on a screen so high."""
    return 3 if rows >= MANY_ROWS else 1


def draw_board(shown: Shown, look: Look, columns: int, rows: int) -> Canvas:
    """The band and every tile."""
    canvas = Canvas(rows, columns)
    band = band_rows(rows)
    canvas.paste(0, 0, draw_band(shown.state, columns, band))
    places = tile_places(shown.state, columns, rows)
    leads = _leads(shown.state, places)
    for tile, rect, lead in zip(shown.state.tiles, places, leads, strict=True):
        if rect.rows > 0 and rect.columns > 0:
            canvas.paste(rect.y, rect.x, draw_tile(shown, tile, look, rect, lead))
    return canvas


def tile_places(state: BoardState, columns: int, rows: int) -> list[Rect]:
    """Where each tile stands."""
    band = band_rows(rows)
    places = (rect_of(tile.tile, columns, rows - band) for tile in state.tiles)
    return [Rect(r.x, r.y + band, r.columns, r.rows) for r in places]


def draw_band(state: BoardState, columns: int, rows: int) -> Canvas:
    """What is wrong on any board, each subject once: a fault fills the band, a caution its text."""
    canvas = Canvas(rows, columns)
    y = rows // 2
    parts: list[tuple[str, str]] = []
    if state.red:
        canvas.fill(0, 0, rows, columns, "plate-fault")
        parts.append((f" # {len(state.red)} IN THE RED: {', '.join(state.red)} ", PLAIN))
    if state.watch:
        words = f" ! {len(state.watch)} TO WATCH: {', '.join(state.watch)} "
        parts.append((words, PLAIN if state.red else "plate-caution"))
    if state.without:
        words = f" ? {state.lost} WITHOUT VALUES: {', '.join(state.without)} "
        parts.append((words, PLAIN if state.red else "tile-head+title-text"))
    if state.gone:
        words = f" over, not seen: {', '.join(state.gone)} "
        parts.append((words, PLAIN if state.red else "tile-head+title-text"))
    if not parts:
        parts.append((f" {state.word} ", "tile-head+title-text"))
    name = f" {state.board.name} "
    room = max(columns - len(name), 0)
    line: Line = clip([*parts], room)
    canvas.run(y, 0, line)
    canvas.write(y, columns - len(name), name, PLAIN if state.red else FAINT)
    return canvas


def _leads(state: BoardState, places: Sequence[Rect]) -> list[int]:
    """One width of labels for all tiles over time that share their left edge and width."""
    widest: dict[tuple[int, int], int] = {}
    for tile, rect in zip(state.tiles, places, strict=True):
        if tile.tile.show in OVER_TIME:
            key = (rect.x, rect.columns)
            widest[key] = max(widest.get(key, 0), needed_lead(tile, rect.rows))
    return [widest.get((r.x, r.columns), 0) for r in places]


def draw_tile(shown: Shown, tile: TileState, look: Look, rect: Rect, lead: int = 0) -> Canvas:
    """One tile."""
    columns, rows = rect.columns, rect.rows
    show, replay = tile.tile.show, shown.replay
    if rows < 3 or columns < 8:
        return draw_value(tile, look, columns, rows)
    stretch = Stretch.of(
        tile,
        shown.state.board.window_ns,
        shown.state.t_ns,
        replay.span_ns,
        replay.index.origin_ns,
    )
    if show == "chart":
        if rows < 4:
            return draw_value(tile, look, columns, rows)
        return draw_chart_tile(tile, look, replay, stretch, columns, rows, lead)
    if show == "lanes":
        return draw_lanes_tile(tile, look, replay, stretch, columns, rows, lead)
    if show == "heat":
        return draw_heat_tile(tile, look, replay, stretch, columns, rows)
    if show == "map":
        return draw_map_tile(tile, look, replay, shown.snapshot.pack, columns, rows)
    if show == "alarms":
        return draw_alarms_tile(shown, tile, look, columns, rows)
    if show == "notes":
        return draw_notes_tile(shown, tile, look, columns, rows)
    return draw_value(tile, look, columns, rows)


def draw_alarms_tile(shown: Shown, tile: TileState, look: Look, columns: int, rows: int) -> Canvas:
    """The latest alarms first: those that stand, then those that are over."""
    canvas, _ = begin(tile, look, columns, rows)
    t_ns = shown.state.t_ns
    past = [a for a in shown.judged.alarms if a.raised_ns <= t_ns]
    past = [a for a in past if not shown.judged.quantities.set_aside(a.limit.subject)]
    past.sort(key=lambda a: (a.stands(t_ns), a.weight if a.stands(t_ns) else 0, a.raised_ns))
    draw_head(canvas, tile, look, f"{len(past)} so far" if past else "")
    if not past:
        told = "no alarm so far" if shown.judged.judged else "limits are being judged"
        canvas.write(1, 1, told, FAINT)
    for y, alarm in enumerate(reversed(past[-(rows - 1) :]), 1):
        track = shown.judged.quantities.track(alarm.limit.subject)
        canvas.run(y, 0, clip(alarm_line(so_far(alarm, track, t_ns), t_ns), columns))
    return canvas


def alarm_line(alarm: Alarm, t_ns: int | None = None) -> Line:
    """One alarm: mark, moment, what, how far it went, for how long."""
    stands = alarm.cleared_ns is None or (t_ns is not None and alarm.stands(t_ns))
    role = OF_WEIGHT[alarm.weight] if stands else FAINT
    length = "now" if alarm.cleared_ns is None else span_text(alarm.cleared_ns - alarm.crossed_ns)
    sign = ">" if alarm.limit.above else "<"
    return [
        (f" {alarm.weight.mark} ", OF_WEIGHT[alarm.weight]),
        (f"{clock(alarm.raised_ns / 1e9)} ", FAINT),
        (f"{alarm.label} {sign}{alarm.limit.value:.6g}", role),
        (f" peak {alarm.peak_text}", role),
        (f"  {length}", FAINT),
    ]


def draw_notes_tile(shown: Shown, tile: TileState, look: Look, columns: int, rows: int) -> Canvas:
    """The latest notes first."""
    canvas, _ = begin(tile, look, columns, rows)
    notes = [n for n in shown.notes if n.t_ns <= shown.state.t_ns]
    draw_head(canvas, tile, look, "m adds one" if not notes else "")
    if not notes:
        canvas.write(1, 1, "no note so far", FAINT)
    for y, note in enumerate(reversed(notes[-(rows - 1) :]), 1):
        by = f"  ({note.by})" if note.by else ""
        line: Line = [(f" {clock_text(note.t_ns)} ", FAINT), (note.text, "note"), (by, FAINT)]
        canvas.run(y, 0, clip(line, columns))
    return canvas


def severity_of(state: BoardState) -> Weight | None:
    """The heaviest of everything that stands."""
    return Weight.FAULT if state.red else Weight.CAUTION if state.watch else None
