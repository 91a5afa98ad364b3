"""Time outside the windows of the cells: voltage always, temperature by what the pack is doing.

A touch is not an offence: what counts is how long and how far a value stays beyond its limit.
Which window holds when: :mod:`busplan.pack.windows`. Values of the windows: see
:class:`busplan.plan.vehicle.PackLimits` and the chemistry table of the plan room (cell datasheets).
How long each mode lasted, and so what was seen of it: :mod:`busplan.pack.limit_times`.
``LEAST_S``, ``NEAR_V``, ``FAR_V`` and ``FAR_K``: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, Mask
from busplan.pack.labels import cell_label, clock, place, sensor_label, sentence
from busplan.pack.series import PackSeries, Sampled, sample
from busplan.pack.statistics import longest_run, time_where
from busplan.pack.windows import Mode, beyond, modes, temperature_window, voltage_window
from busplan.plan.vehicle import PackLayout
from busplan.wording import plain

LEAST_S = 1.0
"""Shorter stays beyond a limit are touches."""
NEAR_V = 0.002
"""A cell that is held at its limit reads so far beyond it, by the monitor's accuracy: nothing."""
FAR_V = 0.010
"""Beyond the limit by more than a monitor's accuracy: a fault."""
FAR_K = 2.0
FAR = {"cell": FAR_V, "sensor": FAR_K}


@dataclass(frozen=True, slots=True)
class Excess:
    """A stay beyond a limit of one cell or sensor (``index`` in the layout).

    ``mode`` is what the pack was doing at the worst moment and ``limit`` the one it had then;
    ``mode`` is ``None`` for voltages. ``by_mode`` are the seconds of ``total_s`` in each mode.
    ``lasted`` says that it stayed long enough to count.
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
    lasted: bool
    by_mode: tuple[tuple[Mode, float], ...] = ()

    @property
    def beyond(self) -> float:
        """How far the worst value lies beyond the limit."""
        return self.worst - self.limit if self.above else self.limit - self.worst

    @property
    def touch(self) -> bool:
        """Whether it was too short to count."""
        return not self.lasted


def find_excesses(
    series: PackSeries, layout: PackLayout, faulty: frozenset[tuple[str, int]]
) -> tuple[Excess, ...]:
    """Every stay beyond a limit, touches too; channels in ``faulty`` (kind, index) are left out.

    Touches within a monitor's accuracy are none.
    """
    found: list[Excess] = []
    volts = series.voltage
    everywhere = np.ones(len(volts.time_s), np.bool_)
    low_v, high_v = voltage_window(layout.limits)
    while_ = by_mode(series, volts.time_s)
    for limit, above in ((low_v, False), (high_v, True)):
        found += _beyond("cell", volts, [(None, everywhere, limit)], above, faulty, while_)
    warmth = series.temperature
    parts = by_mode(series, warmth.time_s)
    windows = {mode: temperature_window(layout.limits, mode) for mode in Mode}
    cold = [(mode, rows, windows[mode][0]) for mode, rows in parts.items()]
    # Charging in the cold is another offence than being cold.
    charging = [c for c in cold if c[0] is Mode.CHARGING]
    others = [c for c in cold if c[0] is not Mode.CHARGING]
    hot = [(mode, rows, windows[mode][1]) for mode, rows in parts.items()]
    for offence, above in ((charging, False), (others, False), (hot, True)):
        found += _beyond("sensor", warmth, offence, above, faulty, parts)
    return tuple(e for e in found if e.lasted or e.beyond > FAR[e.kind])


Part = tuple[Mode | None, Mask, float]
"""What the pack does, when (n,), and the limit that holds then."""


def by_mode(series: PackSeries, time_s: F64) -> dict[Mode, Mask]:
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
    while_: Mapping[Mode, Mask],
) -> list[Excess]:
    value, time_s = sampled.value, sampled.time_s
    near = NEAR_V if kind == "cell" else 0.0
    limits = np.full(len(time_s), np.nan)  # NaN: not judged here
    for _, rows, limit in parts:
        limits[rows] = limit
    over = beyond(value, limits[:, None] + (near if above else -near), above=above)
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
        # One reading of a slow monitor stands for a second or more, yet is one touch.
        twice = bool((mask[1:] & mask[:-1]).any())
        spent = tuple((m, time_where(time_s, mask & rows)) for m, rows in while_.items())
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
                lasted=longest >= LEAST_S and twice,
                by_mode=tuple(part for part in spent if part[1] > 0.0),
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
    whole = _in_all(worst) if lasting else ""
    return Finding(
        code,
        weight,
        place(address, worst.start_s),
        f"{sentence(label)} was {side} {worst.limit:g} {unit}{doing} {length} "
        f"from {clock(worst.start_s)}{whole}, at worst {plain(worst.worst)} {unit}{more}.",
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


def _in_all(worst: Excess) -> str:
    """How long it was beyond in all, and in which modes, where the longest stay does not say so."""
    told = [(m, s) for m, s in worst.by_mode if m.words]
    parts = ", ".join(f"{s:.0f} s{m.words}" for m, s in told)
    if len(told) > 1 or (told and worst.mode is None):
        return f" ({worst.total_s:.0f} s in all: {parts})"
    return f" ({worst.total_s:.0f} s in all)" if worst.total_s > worst.longest_s + 0.5 else ""
