"""The figures of a moment that matter most, for who looks from across the shop."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from busplan.findings import Weight
from busplan.pack.labels import short_cell
from busplan.plan.vehicle import Vehicle
from busplan.replay.pack_state import Grade, PackState
from busplan.replay.snapshot import Snapshot
from busplan.wire.load_limit import over_limit


class Tile(NamedTuple):
    """One figure: what it is, the figure, where and in which unit, and how it stands.

    ``weight`` is above a note when it is not as it should be; ``stale`` when it has not come.
    """

    label: str
    figure: str
    note: str
    weight: Weight = Weight.NOTE
    stale: bool = False

    @property
    def heading(self) -> str:
        """What it is; with the mark of its weight when it is not as it should be."""
        return f"{self.weight.mark} {self.label}" if self.weight > Weight.NOTE else self.label


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
            found.append(Tile("load", figure, f"% {load.network}", _if(over, Weight.CAUTION)))
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
            Tile("spread", f"{cells.spread * 1e3:.0f}", "mV", _if(uneven, Weight.CAUTION)),
        ]
    elif layout.cells:
        upper.append(Tile("cells", "--", "no fresh value", stale=True))
    if heat:
        low_s, high_s = layout.sensors[heat.lowest], layout.sensors[heat.highest]
        cold, hot = (pack.sensors.grade[at] == Grade.OUTSIDE for at in (heat.lowest, heat.highest))
        lower += [
            Tile("coldest", f"{heat.minimum:.1f}", f"°C  {low_s.module}", _if(cold)),
            Tile("hottest", f"{heat.maximum:.1f}", f"°C  {high_s.module}", _if(hot)),
        ]
        if worst := pack.worst_lag:
            far = worst[1] > limits.temperature_spread_k
            note = f"K  {worst[0]}" if worst[1] >= 0.05 else "K"
            lower.append(Tile("lag", f"{worst[1]:.1f}", note, _if(far, Weight.CAUTION)))
    elif layout.sensors:
        lower.append(Tile("sensors", "--", "no fresh value", stale=True))
    current = pack.quantities.get("current")
    if current:
        note = current.unit + ("  stale" if current.stale else "")
        figure = "--" if math.isnan(current.value) else f"{current.value:.0f}"
        upper.append(Tile("current", figure, note, stale=current.stale))
    return upper, lower


def _if(wrong: bool | np.bool_, weight: Weight = Weight.FAULT) -> Weight:
    return weight if wrong else Weight.NOTE
