"""From across the shop: the state in one word and a few huge figures."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.findings import Weight
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.tiles import Tile, tiles
from busplan.text.draw import load_grid, state_role
from busplan.text.figures import HEIGHT, Scale, best_scale, draw_figure, figure_width, scales
from busplan.text.runs import FAINT, HEAD, OF_WEIGHT, PLAIN, Line, clip, fill
from busplan.wording import counted

LEAST_GAP = 4
"""Columns between two figures, so that they are not read as one."""
WIDE = 100
"""From this width on the current has room among the figures."""


def role_of(tile: Tile) -> str:
    """How a figure looks."""
    if tile.stale:
        return "stale"
    return OF_WEIGHT[tile.weight] if tile.weight > Weight.NOTE else PLAIN


def draw_shop(snapshot: Snapshot, replay: Replay, columns: int, rows: int) -> list[Line]:
    """Word, reason, figures; the loads below."""
    vehicle = replay.vehicle
    role = state_role(snapshot)
    shown = tiles(snapshot, vehicle)
    if columns < WIDE:
        shown = [[t for t in row if t.label != "current"] or row for row in shown]
    reason = clip([(told(replay, snapshot).center(columns).rstrip(), PLAIN)], columns)
    loads = load_grid(snapshot, vehicle, columns, 3 if columns >= 72 else 2)
    heads = len(shown) + 1
    if rows - heads - len(loads) < HEIGHT * heads:
        loads = []
    points = rows - heads - len(loads)
    room = (points - HEIGHT) // max(len(shown), 1)
    fits = [next((x for x in scales(room) if fit(row, columns, x)), Scale()) for row in shown]
    down = min((scale.down for scale in fits), default=1)
    fits = [next((x for x in scales(HEIGHT * down) if fit(r, columns, x)), Scale()) for r in shown]
    word = best_scale(snapshot.word, columns, points - HEIGHT * sum(x.down for x in fits))
    lines: list[Line] = [
        [(row, role)] for row in _centred(draw_figure(snapshot.word, word), columns)
    ]
    lines.append(reason)
    for row, scale in zip(shown, fits, strict=True):
        lines += _row(row, columns, scale)
    left = rows - len(lines) - len(loads)
    return [*lines, *([[]] if left > 0 else []), *loads]


def told(replay: Replay, snapshot: Snapshot) -> str:
    """The heaviest reason for the state, or that there is none; what was found before."""
    if snapshot.troubles:
        return snapshot.troubles[0].text
    past = replay.findings[: snapshot.past]
    counts = [(w, sum(f.weight == w for f in past)) for w in (Weight.FAULT, Weight.CAUTION)]
    found = [counted(n, w.word) for w, n in counts if n]
    before = f"; found so far: {', '.join(found)}" if found else ""
    return f"nothing wrong at this moment{before}"


def widths(row: Sequence[Tile], scale: Scale) -> list[int]:
    """Columns that each figure and its heading need."""
    heads = [len(f"{tile.heading} {tile.note}") for tile in row]
    return [
        max(figure_width(tile.figure, scale), head) for tile, head in zip(row, heads, strict=True)
    ]


def fit(row: Sequence[Tile], columns: int, scale: Scale) -> bool:
    """Whether the figures fit side by side with a clear gap between them."""
    return sum(widths(row, scale)) + LEAST_GAP * (len(row) - 1) <= columns


def _row(row: Sequence[Tile], columns: int, scale: Scale) -> list[Line]:
    needed = widths(row, scale)
    gap = max(columns - sum(needed), 0) // max(len(row) - 1, 1) if len(row) > 1 else 0
    heads: Line = []
    blocks = [draw_figure(tile.figure, scale) for tile in row]
    drawn: list[Line] = [[] for _ in range(HEIGHT * scale.down)]
    for n, (tile, block, wide) in enumerate(zip(row, blocks, needed, strict=True), 1):
        each = wide + gap if n < len(row) else wide
        head: Line = [(f"{tile.heading} ", HEAD if role_of(tile) == PLAIN else role_of(tile))]
        heads += fill([*head, (tile.note, FAINT)], each)
        for line, piece in zip(drawn, block, strict=True):
            line += fill([(piece, role_of(tile))], each)
    return [clip(line, columns) for line in (heads, *drawn)]


def _centred(rows: list[str], columns: int) -> list[str]:
    lead = max((columns - max(len(r) for r in rows)) // 2, 0)
    return [" " * lead + row for row in rows]
