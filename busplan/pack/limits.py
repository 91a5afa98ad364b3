"""Time outside the windows of the cells: voltage always, temperature with the current's direction.

A touch is not an offence: what counts is how long and how far a value stays beyond its limit.
Windows: see :class:`busplan.plan.vehicle.PackLimits` and the chemistry table of the plan room
(cell datasheets). ``LEAST_S``, ``FAR_V`` and ``FAR_K``: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.pack.labels import cell_label, clock, place, sensor_label, sentence
from busplan.pack.series import PackSeries, Sampled
from busplan.pack.statistics import F64, Mask, longest_run, time_where
from busplan.plan.vehicle import PackLayout

LEAST_S = 1.0
"""Shorter stays beyond a limit are touches."""
FAR_V = 0.010
"""Beyond the limit by more than a monitor's accuracy: a fault."""
FAR_K = 2.0
FLOWING_A = 2.0
"""A smaller current than this neither charges nor discharges."""


@dataclass(frozen=True, slots=True)
class Excess:
    """A stay beyond a limit of one cell or sensor (``index`` in the layout).

    ``mode`` is ``""``, ``charging``, ``discharging`` or ``at any time`` (current not known).
    """

    kind: str
    index: int
    above: bool
    mode: str
    limit: float
    worst: float
    total_s: float
    longest_s: float
    start_s: float

    @property
    def beyond(self) -> float:
        """How far the worst value lies beyond the limit."""
        return self.worst - self.limit if self.above else self.limit - self.worst

    @property
    def touch(self) -> bool:
        """Whether it was too short to count."""
        return self.longest_s < LEAST_S


def find_excesses(
    series: PackSeries, layout: PackLayout, faulty: frozenset[tuple[str, int]]
) -> tuple[Excess, ...]:
    """Every stay beyond a limit, touches too; channels in ``faulty`` (kind, index) are left out."""
    limits = layout.limits
    found: list[Excess] = []
    volts = series.voltage
    everywhere = np.ones(len(volts.time_s), np.bool_)
    for limit, above in ((limits.cell_low_v, False), (limits.cell_high_v, True)):
        found += _beyond("cell", volts, limit, above, "", everywhere, faulty)
    warmth = series.temperature
    for mode, rows, low, high in _windows(series, layout, warmth.time_s):
        found += _beyond("sensor", warmth, low, False, mode, rows, faulty)
        found += _beyond("sensor", warmth, high, True, mode, rows, faulty)
    return tuple(found)


def _windows(
    series: PackSeries, layout: PackLayout, time_s: F64
) -> list[tuple[str, Mask, float, float]]:
    """Which temperature window holds when; without a current the wider one holds always."""
    limits = layout.limits
    charge = (limits.charge_low_c, limits.charge_high_c)
    discharge = (limits.discharge_low_c, limits.discharge_high_c)
    amps = series.quantity_at("current", time_s)
    if amps is None:
        wide = (min(charge[0], discharge[0]), max(charge[1], discharge[1]))
        return [("at any time", np.ones(len(time_s), np.bool_), *wide)]
    return [
        ("charging", np.asarray(amps < -FLOWING_A), *charge),
        ("discharging", np.asarray(amps > FLOWING_A), *discharge),
    ]


def _beyond(
    kind: str,
    sampled: Sampled,
    limit: float,
    above: bool,
    mode: str,
    rows: Mask,
    faulty: frozenset[tuple[str, int]],
) -> list[Excess]:
    value, time_s = sampled.value, sampled.time_s
    with np.errstate(invalid="ignore"):
        over = (value > limit + 1e-6 if above else value < limit - 1e-6) & rows[:, None]
    found = []
    for column in np.flatnonzero(over.any(axis=0)):
        if (kind, int(column)) in faulty:
            continue
        mask = over[:, column]
        start, longest = longest_run(time_s, mask)
        reached = value[mask, column]
        worst = float(reached.max() if above else reached.min())
        total = time_where(time_s, mask)
        found.append(Excess(kind, int(column), above, mode, limit, worst, total, longest, start))
    return found


def limit_findings(excesses: tuple[Excess, ...], layout: PackLayout) -> list[Finding]:
    """One finding for each kind of offence, at its worst place; touches alone give a note."""
    groups: dict[tuple[str, bool, str], list[Excess]] = {}
    for excess in excesses:
        groups.setdefault((excess.kind, excess.above, excess.mode), []).append(excess)
    return [_finding(members, layout) for members in groups.values()]


def _finding(members: list[Excess], layout: PackLayout) -> Finding:
    lasting = [e for e in members if not e.touch]
    worst = max(lasting or members, key=lambda e: e.beyond)
    side = "above" if worst.above else "below"
    if worst.kind == "cell":
        cell = layout.cells[worst.index]
        label, address, unit, far = cell_label(cell), cell.address, "V", FAR_V
        code = "cell-voltage-high" if worst.above else "cell-voltage-low"
        why = (
            "Overcharging can set a cell on fire."
            if worst.above
            else "Deep discharge damages a cell for good; charging it again can be dangerous."
        )
        action = "Stop; have the charger's or inverter's voltage limits and this cell checked."
    else:
        sensor = layout.sensors[worst.index]
        label, address, unit, far = sensor_label(sensor), sensor.address, "°C", FAR_K
        code = "temperature-high" if worst.above else "temperature-low"
        if worst.mode == "charging" and not worst.above:
            code, why = "charging-too-cold", "Charging a cold cell plates lithium; it stays unsafe."
        else:
            why = "Outside its temperature window a cell ages fast or becomes unsafe."
        action = "Warm or cool the pack first; check that the current limits follow temperature."
    weight = Weight.NOTE
    if lasting:
        weight = Weight.FAULT if worst.beyond > far else Weight.CAUTION
    doing = f" while {worst.mode}" if worst.mode in ("charging", "discharging") else ""
    others = len({e.index for e in (lasting or members)}) - 1
    more = f"; {others} more did so too" if others else ""
    length = f"for {worst.longest_s:.0f} s on end" if lasting else "for a moment"
    return Finding(
        code,
        weight,
        place(address, worst.start_s),
        f"{sentence(label)} was {side} {worst.limit:g} {unit}{doing} {length} "
        f"from {clock(worst.start_s)}, at worst {worst.worst:.4g} {unit}{more}.",
        why,
        action,
        (
            Figure("worst", worst.worst, unit),
            Figure("limit", worst.limit, unit),
            Figure("longest", worst.longest_s, "s"),
            Figure("total", worst.total_s, "s"),
            Figure("places", others + 1),
        ),
    )
