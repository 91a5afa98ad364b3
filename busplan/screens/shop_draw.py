"""From across the shop: the state in one word and a few huge figures."""

from __future__ import annotations

from typing import NamedTuple

from busplan.findings import Weight
from busplan.plan.vehicle import Vehicle
from busplan.replay.pack import PackState
from busplan.replay.snapshot import Snapshot
from busplan.screens.draw import load_grid
from busplan.screens.figures import HEIGHT, best_scale, draw_figure, figure_width
from busplan.screens.runs import FAINT, HEAD, OF_WEIGHT, PLAIN, Line, clip, fill

WORDS = max(
    ("CELLS UNEVEN", "NODE SILENT", "NETWORK FULL", "VALUES STALE", "CELL TOO HIGH"), key=len
)


class Tile(NamedTuple):
    """One figure: what it is, the figure, where and in which unit, its role."""

    label: str
    figure: str
    note: str
    role: str


def tiles(snapshot: Snapshot, vehicle: Vehicle) -> list[Tile]:
    """The figures that matter."""
    found: list[Tile] = []
    if snapshot.pack:
        found += _pack_tiles(snapshot.pack)
    recorded = [load for load in snapshot.loads if load.recorded]
    if recorded:
        fullest = max(recorded, key=lambda x: x.now / vehicle.networks[x.network].load_limit)
        limit = vehicle.networks[fullest.network].load_limit
        role = "caution" if fullest.now > limit else PLAIN
        note = f"% {fullest.network}"
        found.append(Tile("fullest", f"{100 * fullest.now:.0f}", note, role))
    return found


def _pack_tiles(pack: PackState) -> list[Tile]:
    layout, limits = pack.layout, pack.layout.limits
    cells, heat = pack.cells.evenness, pack.sensors.evenness
    found: list[Tile] = []
    if cells:
        low, high = layout.cells[cells.lowest], layout.cells[cells.highest]
        uneven = cells.spread > limits.voltage_spread_v
        below, above = cells.minimum < limits.cell_low_v, cells.maximum > limits.cell_high_v
        found += [
            Tile("lowest", f"{cells.minimum:.3f}", f"V {low.number} {low.module}", _if(below)),
            Tile(
                "highest",
                f"{cells.maximum:.3f}",
                f"V {high.number} {high.module}",
                _if(above),
            ),
            Tile("spread", f"{cells.spread * 1e3:.0f}", "mV", "caution" if uneven else PLAIN),
        ]
    elif layout.cells:
        found.append(Tile("cells", "--", "no fresh value", "stale"))
    if heat:
        low_s, high_s = layout.sensors[heat.lowest], layout.sensors[heat.highest]
        found += [
            Tile("coldest", f"{heat.minimum:.1f}", f"°C {low_s.module}", PLAIN),
            Tile("hottest", f"{heat.maximum:.1f}", f"°C {high_s.module}", PLAIN),
        ]
        if worst := pack.worst_lag:
            far = worst[1] > limits.temperature_spread_k
            found.append(
                Tile("lag", f"{worst[1]:.1f}", f"K {worst[0]}", "caution" if far else PLAIN)
            )
    elif layout.sensors:
        found.append(Tile("sensors", "--", "no fresh value", "stale"))
    current = pack.quantities.get("current")
    if current:
        role = "stale" if current.stale else PLAIN
        found.append(Tile("current", f"{current.value:.0f}", current.unit, role))
    return found


def draw_shop(snapshot: Snapshot, vehicle: Vehicle, columns: int, rows: int) -> list[Line]:
    """Word, reason, figures; loads below where there is room."""
    role = OF_WEIGHT[snapshot.weight] if snapshot.weight > Weight.NOTE else "good"
    loads = load_grid(snapshot, vehicle, columns, 3 if columns >= 72 else 2)
    foot = len(loads) + 1 if rows >= 26 else 0
    shown = tiles(snapshot, vehicle)
    across = 4
    tile_rows = -(-max(len(shown), 1) // across)
    room = max((rows - foot - 1) // (tile_rows + 1), HEIGHT + 1)
    word_scale = best_scale(WORDS, columns, room - 1)
    lines: list[Line] = [
        [(row, role)] for row in _centred(draw_figure(snapshot.word, *word_scale), columns)
    ]
    reason = snapshot.troubles[0].text if snapshot.troubles else "nothing wrong at this moment"
    lines.append(clip([(reason.center(columns), FAINT)], columns))
    each = columns // across
    figures = max((tile.figure for tile in shown), key=figure_width, default="0")
    scale = best_scale(figures, each - 2, room - 1)
    for start in range(0, len(shown), across):
        part = shown[start : start + across]
        lines += _row(part, each, scale)
    if foot:
        lines += [[], *loads]
    return lines


def _row(part: list[Tile], each: int, scale: tuple[int, int]) -> list[Line]:
    heads: Line = []
    for tile in part:
        heads += fill([(f"{tile.label} ", HEAD), (tile.note, FAINT)], each)
    lines = [heads]
    blocks = [draw_figure(tile.figure, *scale) for tile in part]
    for y in range(HEIGHT * scale[1]):
        line: Line = []
        for tile, block in zip(part, blocks, strict=True):
            line += fill([(block[y], tile.role)], each)
        lines.append(line)
    return lines


def _centred(rows: list[str], columns: int) -> list[str]:
    lead = max((columns - max(len(r) for r in rows)) // 2, 0)
    return [" " * lead + row for row in rows]


def _if(wrong: bool) -> str:
    return "fault" if wrong else PLAIN
