"""From across the shop: the state in one word and a few huge figures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from busplan.findings import Weight
from busplan.pack.labels import short_cell
from busplan.plan.vehicle import Vehicle
from busplan.replay.pack_state import Grade, PackState
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.text.draw import load_grid, state_role
from busplan.text.figures import HEIGHT, Scale, best_scale, draw_figure, figure_width, scales
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, clip, fill
from busplan.wire.load_limit import over_limit
from busplan.wording import counted

LEAST_GAP = 4
"""Columns between two figures, so that they are not read as one."""
WIDE = 100
"""From this width on the current has room among the figures."""


class Tile(NamedTuple):
    """One figure: what it is, the figure, where and in which unit, its role."""

    label: str
    figure: str
    note: str
    role: str

    @property
    def heading(self) -> str:
        """What it is; with the mark of its weight when it is not as it should be."""
        mark = {"caution": Weight.CAUTION.mark, "fault": Weight.FAULT.mark}.get(self.role)
        return f"{mark} {self.label}" if mark else self.label


def tiles(snapshot: Snapshot, vehicle: Vehicle) -> list[list[Tile]]:
    """The figures that matter, in two rows: cells and current; temperatures and load.

    Without a pack the loads of the networks.
    """
    if snapshot.pack is None or not snapshot.pack.any_value:
        found = _load_tiles(snapshot, vehicle)
        half = -(-len(found) // 2)
        return [row for row in (found[:half], found[half:]) if row]
    cells, heat = _pack_tiles(snapshot.pack)
    loads = _load_tiles(snapshot, vehicle)
    limits = {n.name: n.load_limit for n in vehicle.networks.values()}
    if loads:
        recorded = [load for load in snapshot.loads if load.recorded]
        fullest = max(recorded, key=lambda load: load.now / limits[load.network])
        at = recorded.index(fullest)
        heat.append(loads[at]._replace(label="fullest"))
    return [row for row in (cells, heat) if row]


def _load_tiles(snapshot: Snapshot, vehicle: Vehicle) -> list[Tile]:
    found = []
    for load in snapshot.loads:
        if load.recorded:
            over = over_limit(load.now, vehicle.networks[load.network].load_limit)
            figure = f"{100 * load.now:.0f}" if load.counted else "--"
            found.append(Tile("load", figure, f"% {load.network}", "caution" if over else PLAIN))
    return found


def _pack_tiles(pack: PackState) -> tuple[list[Tile], list[Tile]]:
    layout, limits = pack.layout, pack.layout.limits
    cells, heat = pack.cells.evenness, pack.sensors.evenness
    upper: list[Tile] = []
    lower: list[Tile] = []
    if cells:
        low, high = layout.cells[cells.lowest], layout.cells[cells.highest]
        uneven = cells.spread > limits.voltage_spread_v
        below, above = cells.minimum < limits.cell_low_v, cells.maximum > limits.cell_high_v
        upper += [
            Tile("lowest", f"{cells.minimum:.3f}", f"V  {short_cell(low)}", _if(below)),
            Tile("highest", f"{cells.maximum:.3f}", f"V  {short_cell(high)}", _if(above)),
            Tile("spread", f"{cells.spread * 1e3:.0f}", "mV", "caution" if uneven else PLAIN),
        ]
    elif layout.cells:
        upper.append(Tile("cells", "--", "no fresh value", "stale"))
    if heat:
        low_s, high_s = layout.sensors[heat.lowest], layout.sensors[heat.highest]
        cold, hot = (pack.sensors.grade[at] == Grade.OUTSIDE for at in (heat.lowest, heat.highest))
        lower += [
            Tile("coldest", f"{heat.minimum:.1f}", f"°C  {low_s.module}", _if(cold)),
            Tile("hottest", f"{heat.maximum:.1f}", f"°C  {high_s.module}", _if(hot)),
        ]
        if worst := pack.worst_lag:
            far = worst[1] > limits.temperature_spread_k
            role = "caution" if far else PLAIN
            note = f"K  {worst[0]}" if worst[1] >= 0.05 else "K"
            lower.append(Tile("lag", f"{worst[1]:.1f}", note, role))
    elif layout.sensors:
        lower.append(Tile("sensors", "--", "no fresh value", "stale"))
    current = pack.quantities.get("current")
    if current:
        role = "stale" if current.stale else PLAIN
        note = current.unit + ("  stale" if current.stale else "")
        upper.append(Tile("current", f"{current.value:.0f}", note, role))
    return upper, lower


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
        head: Line = [(f"{tile.heading} ", HEAD if tile.role == PLAIN else tile.role)]
        heads += fill([*head, (tile.note, FAINT)], each)
        for line, piece in zip(drawn, block, strict=True):
            line += fill([(piece, tile.role)], each)
    return [clip(line, columns) for line in (heads, *drawn)]


def _centred(rows: list[str], columns: int) -> list[str]:
    lead = max((columns - max(len(r) for r in rows)) // 2, 0)
    return [" " * lead + row for row in rows]


def _if(wrong: bool | np.bool_) -> str:
    return "fault" if wrong else PLAIN
