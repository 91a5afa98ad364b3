"""The resistances as rows and plain values: what each frame's delay is, and the conditions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from busplan.pack.joints import Joints
from busplan.pack.resistance import Resistance
from busplan.plan.vehicle import PackLayout
from busplan.tables import unit


@dataclass(frozen=True, slots=True)
class DelayRow:
    """A frame of a monitor: how many cells it carries, and how late it tells them; NaN: unknown."""

    node: str
    message: str
    cells: int
    delay_ms: float = field(metadata=unit("ms"))


def delay_rows(resistance: Resistance | None, layout: PackLayout) -> list[DelayRow]:
    """All frames that carry cells, in the order of their cells."""
    if resistance is None:
        return []
    rows = []
    for frame in sorted(resistance.delays, key=lambda f: f.cells):
        address = layout.cells[frame.cells[0]].address
        late = frame.delay_s * 1e3
        rows.append(DelayRow(address.node, address.message, len(frame.cells), late))
    return rows


def resistance_dict(resistance: Resistance | None, layout: PackLayout) -> dict[str, Any] | None:
    """The conditions of the cells' resistances, what temperature explains, what is missing."""
    if resistance is None:
        return None
    peers = resistance.peers
    return {
        "at_a": resistance.at_a,
        "blocks": resistance.blocks,
        "current_range_a": resistance.range_a,
        "charge_low_percent": resistance.charge.low,
        "charge_high_percent": resistance.charge.high,
        "missing": resistance.missing,
        "scales": [{"after_s": s.after_s, "missing": s.missing} for s in resistance.scales],
        "energy_kj_mol": None if peers is None else peers.energy.value,
        "energy_uncertainty_kj_mol": None if peers is None else peers.energy.uncertainty,
        "temperature_explains": None if peers is None else peers.energy.believed,
        "would_show": None if peers is None else peers.shows,
        "raised_modules": [
            layout.modules[m] for m in resistance.raised_modules(layout.limits.voltage_spread_v)
        ],
    }


def joints_dict(joints: Joints | None) -> dict[str, Any] | None:
    """The resistance outside the taps, or what is missing."""
    if joints is None:
        return None
    least = joints.would_name_ohm
    return {
        "answer": joints.answer.value,
        "resistance_mohm": joints.value * 1e3,
        "resistance_low_mohm": joints.interval.low * 1e3,
        "resistance_high_mohm": joints.interval.high * 1e3,
        "stated_mohm": None if joints.reference_ohm is None else joints.reference_ohm * 1e3,
        "would_have_named_mohm": None if least is None else least * 1e3,
        "delay_ms": joints.delay_s * 1e3,
        "missing": joints.missing,
    }
