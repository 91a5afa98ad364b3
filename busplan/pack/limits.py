"""Time outside the windows of the cells: voltage always, temperature by what the pack is doing.

A touch is not an offence: what counts is how long and how far a value stays beyond its limit.
Which window holds when: :mod:`busplan.pack.windows`. Values of the windows: see
:class:`busplan.plan.vehicle.PackLimits` and the chemistry table of the plan room (cell datasheets).
``LEAST_S``, ``FAR_V`` and ``FAR_K``: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.pack.labels import cell_label, clock, place, sensor_label, sentence
from busplan.pack.series import PackSeries, Sampled, sample
from busplan.pack.statistics import F64, Mask, longest_run, time_where
from busplan.pack.windows import Mode, beyond, modes, temperature_window, voltage_window
from busplan.plan.vehicle import PackLayout

LEAST_S = 1.0
"""Shorter stays beyond a limit are touches."""
FAR_V = 0.010
"""Beyond the limit by more than a monitor's accuracy: a fault."""
FAR_K = 2.0


@dataclass(frozen=True, slots=True)
class Excess:
    """A stay beyond a limit of one cell or sensor (``index`` in the layout).

    ``mode`` is what the pack was doing at the worst moment and ``limit`` the one it had then;
    ``mode`` is ``None`` for voltages.
    """

    kind: str
    index: int
    above: bool
    mode: Mode | None
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
    found: list[Excess] = []
    volts = series.voltage
    everywhere = np.ones(len(volts.time_s), np.bool_)
    low_v, high_v = voltage_window(layout.limits)
    for limit, above in ((low_v, False), (high_v, True)):
        found += _beyond("cell", volts, [(None, everywhere, limit)], above, faulty)
    warmth = series.temperature
    parts = _by_mode(series, warmth.time_s)
    windows = {mode: temperature_window(layout.limits, mode) for mode in Mode}
    cold = [(mode, rows, windows[mode][0]) for mode, rows in parts.items()]
    # Charging in the cold is another offence than being cold.
    found += _beyond("sensor", warmth, [c for c in cold if c[0] is Mode.CHARGING], False, faulty)
    found += _beyond(
        "sensor", warmth, [c for c in cold if c[0] is not Mode.CHARGING], False, faulty
    )
    hot = [(mode, rows, windows[mode][1]) for mode, rows in parts.items()]
    found += _beyond("sensor", warmth, hot, True, faulty)
    return tuple(found)


Part = tuple[Mode | None, Mask, float]
"""What the pack does, when (n,), and the limit that holds then."""


def _by_mode(series: PackSeries, time_s: F64) -> dict[Mode, Mask]:
    """When the pack is in which mode, by the last current it told."""
    current = series.quantity("current")
    if current is None:
        return {Mode.UNKNOWN: np.ones(len(time_s), np.bool_)}
    return modes(sample([current], time_s).value[:, 0])


def _beyond(
    kind: str,
    sampled: Sampled,
    parts: Sequence[Part],
    above: bool,
    faulty: frozenset[tuple[str, int]],
) -> list[Excess]:
    value, time_s = sampled.value, sampled.time_s
    limits = np.full(len(time_s), np.nan)  # NaN: not judged here
    for _, rows, limit in parts:
        limits[rows] = limit
    over = beyond(value, limits[:, None], above=above)
    found = []
    for column in np.flatnonzero(over.any(axis=0)):
        if (kind, int(column)) in faulty:
            continue
        mask = over[:, column]
        start, longest = longest_run(time_s, mask)
        far = np.where(mask, value[:, column] - limits if above else limits - value[:, column], 0.0)
        worst = int(np.argmax(far))
        mode, _, limit = next(p for p in parts if p[1][worst])
        reached, total = float(value[worst, column]), time_where(time_s, mask)
        found.append(
            Excess(
                kind=kind,
                index=int(column),
                above=above,
                mode=mode,
                limit=limit,
                worst=reached,
                total_s=total,
                longest_s=longest,
                start_s=start,
            )
        )
    return found


def limit_findings(excesses: tuple[Excess, ...], layout: PackLayout) -> list[Finding]:
    """One finding for each kind of offence, at its worst place; touches alone give a note."""
    groups: dict[tuple[str, bool, bool], list[Excess]] = {}
    for excess in excesses:
        cold = excess.mode is Mode.CHARGING and not excess.above
        groups.setdefault((excess.kind, excess.above, cold), []).append(excess)
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
        if worst.mode is Mode.CHARGING and not worst.above:
            code, why = "charging-too-cold", "Charging a cold cell plates lithium; it stays unsafe."
        else:
            why = "Outside its temperature window a cell ages fast or becomes unsafe."
        action = "Warm or cool the pack first; check that the current limits follow temperature."
    weight = Weight.NOTE
    if lasting:
        weight = Weight.FAULT if worst.beyond > far else Weight.CAUTION
    doing = worst.mode.words if worst.mode else ""
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
