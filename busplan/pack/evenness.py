"""Evenness: how far the peers lie apart, who stands out, who is lowest and highest how often.

Voltages are judged where hardly any current flows (else the sag of a resistive cell would pass for
a low state of charge), and only once that has lasted: around a step of the current the cells of one
row were not measured at one moment. Where the capture has too little of such rest, each cell's own
sag is taken out first, by how its distance from the middle cell follows the changes of the current.
Temperatures are judged by module, over its believable sensors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.frames.columns import F64, I64, Mask
from busplan.pack.labels import cell_label, clock, module_place, place
from busplan.pack.series import PackSeries
from busplan.pack.statistics import deviates, gate, longest_run, nan_median
from busplan.pack.under_load import leaps
from busplan.plan.vehicle import PackLayout

QUIET_A = 2.0
QUIET_SHARE = 0.03
"""Quiet: a current below ``QUIET_A`` or this share of the largest one."""
LEAST_QUIET_S = 20.0
BEFORE_S = 2.0
"""A row counts as quiet once no current has flowed for so long ..."""
BEFORE_PERIODS = 2.5
"""... and for so many periods of the cells, so that no value is left from before the step ..."""
AFTER_S = 0.5
"""... and when none begins within this time: the current's message may come late."""
SAG_OVER_S = 2.0
"""Changes over this time tell a cell's own sag."""
LEAST_CHANGE_A = 5.0
"""Changes of the current smaller than this (root mean square) tell nothing of it."""
USUAL_SHARE = 1.0 / 6.0
"""The scatter of sound peers as a part of the deviation that counts (common practice)."""
LASTING_S = 10.0
"""A spread over its limit counts once it lasts this long (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Evenness:
    """Evenness of one quantity over m peers (cells [V] or modules [°C]).

    ``time_s`` (n,) and ``value`` (n, m) are what was judged, NaN where not received;
    ``deviation`` (m,) each peer's median distance from the median peer, ``lowest_share`` and
    ``highest_share`` (m,) the part of the time each is the lowest or highest (ties shared).
    ``quiet`` says whether only moments without current were judged, ``freed`` whether each cell's
    own sag was taken out because there were too few of them. ``missing`` says what would be needed
    where a spread cannot be told from sag; it is empty when the answers stand. ``hidden`` are
    modules of which one sensor stands out among its like while the mean of them does not.
    """

    kind: str
    time_s: F64
    value: F64
    step: float
    quiet: bool
    deviation: F64
    lowest_share: F64
    highest_share: F64
    freed: bool = False
    missing: str = ""
    hidden: tuple[int, ...] = ()

    @property
    def spread(self) -> F64:
        """Highest minus lowest at each time (n,); NaN where fewer than two peers were heard."""
        return spread_of(self.value)

    def standing_out(self, least: float) -> I64:
        """Peers whose median deviation passes the gate for their number, and ``least``."""
        far = np.abs(deviates(self.deviation, self.step / 3.0, USUAL_SHARE * least))
        out = (far > gate(len(self.deviation))) & (np.abs(self.deviation) > least)
        return np.flatnonzero(out)


def spread_of(value: F64) -> F64:
    """Highest minus lowest of each row (n, m) → (n,); NaN below two values."""
    known = np.isfinite(value)
    high = np.max(value, axis=1, initial=-np.inf, where=known)
    low = np.min(value, axis=1, initial=np.inf, where=known)
    enough = known.sum(axis=1) >= 2
    return np.where(enough, np.where(enough, high, 0) - np.where(enough, low, 0), np.nan)


def voltage_evenness(
    series: PackSeries, step_v: float, faulty: frozenset[tuple[str, int]]
) -> Evenness:
    """Evenness of the cells, at quiet moments where there are enough of them, else freed of sag."""
    sampled = series.voltage
    time, value = sampled.time_s, _without(sampled.value, "cell", faulty)
    rows = quiet_rows(series, time)
    if rows is not None:
        return _measure("voltage", time[rows], value[rows], step_v, quiet=True)
    amps = series.quantity_at("current", time)
    if amps is None or np.isfinite(amps).sum() < KNOWN_SHARE * len(amps):
        missing = NO_CURRENT if leaps(time, value) else ""
        return _measure("voltage", time, value, step_v, missing=missing)
    freed = _freed_of_sag(time, value, amps)
    return _measure(
        "voltage", time, value if freed is None else freed, step_v, freed=freed is not None
    )


NO_CURRENT = (
    "the cells move as under load, and no current is known: record it, or ten minutes at rest"
)
KNOWN_SHARE = 0.5
"""Part of the moments at which the current has to be known to take sag out of all of them."""


def _freed_of_sag(time_s: F64, value: F64, amps: F64) -> F64 | None:
    """Voltages (n, m) without what each cell sags more than the middle one; ``None``: no changes.

    Least squares of the changes, over ``SAG_OVER_S``, of the distance from the middle cell on those
    of the current; slow differences of charge do not enter.
    """
    if len(time_s) < 3:
        return None
    lag = max(round(SAG_OVER_S / float(time_s[1] - time_s[0])), 1)
    change = amps[lag:] - amps[:-lag]
    apart = value - nan_median(value, axis=1)[:, None]
    moved = apart[lag:] - apart[:-lag]
    known = np.isfinite(moved) & np.isfinite(change)[:, None]
    square = np.where(known, np.nan_to_num(change)[:, None] ** 2, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    if not count.any() or float(np.sqrt(square.sum() / count.sum())) < LEAST_CHANGE_A:
        return None
    product = np.where(known, np.nan_to_num(change)[:, None] * np.nan_to_num(moved), 0.0)
    slope = product.sum(axis=0) / np.maximum(square, 1e-9)
    # Where the current is not known no sag can be taken out.
    return np.asarray(value - amps[:, None] * slope, np.float64)


def temperature_evenness(
    series: PackSeries, layout: PackLayout, step_k: float, faulty: frozenset[tuple[str, int]]
) -> Evenness:
    """Evenness of the modules, each the mean of its believable sensors."""
    sampled = series.temperature
    value = _without(sampled.value, "sensor", faulty)
    means = np.full((len(sampled.time_s), len(layout.modules)), np.nan)
    for index, module in enumerate(layout.modules):
        own = [i for i, s in enumerate(layout.sensors) if s.module == module]
        known = np.isfinite(value[:, own])
        count = known.sum(axis=1)
        total = np.where(known, value[:, own], 0.0).sum(axis=1)
        means[:, index] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    found = _measure("temperature", sampled.time_s, means, step_k)
    return replace(found, hidden=_hidden(sampled.time_s, value, layout, step_k))


def _hidden(time_s: F64, value: F64, layout: PackLayout, step_k: float) -> tuple[int, ...]:
    """Modules of several sensors of which some stand out among those of their position.

    Half of what one of two is off is all that their mean shows.
    """
    sides: dict[str, list[float]] = {}
    heard: Mask = np.asarray(np.isfinite(value).any(axis=0), np.bool_)
    for position in {s.position for s in layout.sensors}:
        columns = [i for i, s in enumerate(layout.sensors) if s.position == position and heard[i]]
        alike = _measure("temperature", time_s, value[:, columns], step_k)
        out = set(alike.standing_out(layout.limits.temperature_spread_k / 2).tolist())
        for column, index in enumerate(columns):
            side = float(np.sign(alike.deviation[column])) if column in out else 0.0
            sides.setdefault(layout.sensors[index].module, []).append(side)
    return tuple(i for i, m in enumerate(layout.modules) if len(set(sides.get(m, []))) > 1)


def quiet_rows(series: PackSeries, time_s: F64) -> Mask | None:
    """Moments (n,) of hardly any current that has lasted; ``None`` when unknown or too few."""
    current = series.quantity("current")
    if current is None or len(time_s) < 2:
        return None
    amps = current.at(time_s)
    if not np.isfinite(amps).any():
        return None
    limit = max(QUIET_A, QUIET_SHARE * float(np.nanmax(np.abs(amps))))
    period = float(time_s[1] - time_s[0])
    before = max(BEFORE_S, BEFORE_PERIODS * period)
    # What flowed between two rows counts as well, so the current's own values are asked.
    loud = current.time_s[np.abs(current.value) > limit]
    with np.errstate(invalid="ignore"):
        quiet = np.abs(amps) <= limit
    since = np.searchsorted(loud, time_s - before)
    until = np.searchsorted(loud, time_s + AFTER_S, side="right")
    quiet &= since == until
    return quiet if quiet.sum() * period >= LEAST_QUIET_S else None


def _without(value: F64, kind: str, faulty: frozenset[tuple[str, int]]) -> F64:
    columns = [index for what, index in faulty if what == kind]
    if not columns:
        return value
    kept = value.copy()
    kept[:, columns] = np.nan
    return kept


def _measure(
    kind: str,
    time_s: F64,
    value: F64,
    step: float,
    *,
    quiet: bool = False,
    freed: bool = False,
    missing: str = "",
) -> Evenness:
    centre = nan_median(value, axis=1) if len(value) else np.empty(0)
    deviation = nan_median(value - centre[:, None], axis=0) if len(value) else _blank(value)
    known = np.isfinite(value)
    low = np.min(value, axis=1, initial=np.inf, where=known)
    high = np.max(value, axis=1, initial=-np.inf, where=known)
    return Evenness(
        kind=kind,
        time_s=time_s,
        value=value,
        step=step,
        quiet=quiet,
        deviation=deviation,
        lowest_share=_share(value, low),
        highest_share=_share(value, high),
        freed=freed,
        missing=missing,
    )


def _blank(value: F64) -> F64:
    return np.full(value.shape[1], np.nan)


def _share(value: F64, extreme: F64) -> F64:
    """Part of the rows in which each column holds the extreme, ties shared."""
    holds = value == extreme[:, None]
    count = holds.sum(axis=1)
    told = count > 0
    if not told.any():
        return np.zeros(value.shape[1])
    return np.asarray((holds[told] / count[told, None]).mean(axis=0), np.float64)


def evenness_findings(
    evenness: Evenness, layout: PackLayout, named: frozenset[int]
) -> list[Finding]:
    """Peers that stand out, then a spread over the limit among those that nobody has named.

    ``named`` are peers another finding already speaks of; they are left out.
    """
    if evenness.missing:
        return []
    volts = evenness.kind == "voltage"
    limit = layout.limits.voltage_spread_v if volts else layout.limits.temperature_spread_k
    out = [int(i) for i in evenness.standing_out(limit / 2) if int(i) not in named]
    findings = [_outlier(evenness, i, layout) for i in out]
    rest = [i for i in range(evenness.value.shape[1]) if i not in named and i not in out]
    over = _spread_over(evenness, rest, limit, layout)
    return findings if over is None else [*findings, over]


def _outlier(evenness: Evenness, index: int, layout: PackLayout) -> Finding:
    off = float(evenness.deviation[index])
    side = "above" if off > 0 else "below"
    away = np.abs(evenness.value[:, index] - nan_median(evenness.value, axis=1))
    known = np.isfinite(away)
    time = float(evenness.time_s[known][np.argmax(away[known])])
    if evenness.kind == "voltage":
        cell = layout.cells[index]
        where = place(cell.address, time)
        at = " at rest" if evenness.quiet else ""
        text = f"Cell {cell.number} ({cell.module}) stands {abs(off) * 1e3:.0f} mV {side} its peers"
        return Finding(
            "cell-high" if off > 0 else "cell-low",
            Weight.CAUTION,
            where,
            f"{text}{at}.",
            "The pack stops charging at its highest and discharging at its lowest cell.",
            "Balance the pack; a cell that comes back to this loses charge by itself.",
            (Figure("deviation", off * 1e3, "mV"),),
        )
    module = layout.modules[index]
    return Finding(
        "module-hot" if off > 0 else "module-cold",
        Weight.CAUTION,
        module_place(layout, module, time),
        f"Module {module} stands {abs(off):.1f} K {side} its peers.",
        "Warm modules age faster, cold ones carry less.",
        "Check its cooling branch, and its sensors against a second thermometer.",
        (Figure("deviation", off, "K"),),
    )


def _spread_over(
    evenness: Evenness, columns: list[int], limit: float, layout: PackLayout
) -> Finding | None:
    value = evenness.value[:, columns]
    if value.shape[1] < 2 or not len(value):
        return None
    spread = spread_of(value)
    with np.errstate(invalid="ignore"):
        over = spread > limit + evenness.step
    start, length = _lasting(evenness.time_s, over)
    if length < LASTING_S:
        return None
    row = int(np.nanargmax(np.where(over, spread, np.nan)))
    low = columns[int(np.nanargmin(value[row]))]
    high = columns[int(np.nanargmax(value[row]))]
    worst, time = float(spread[row]), float(evenness.time_s[row])
    if evenness.kind == "voltage":
        cell = layout.cells[low]
        return Finding(
            "voltage-spread",
            Weight.CAUTION,
            place(cell.address, time),
            f"Cells lay up to {worst * 1e3:.0f} mV apart (limit {limit * 1e3:.0f} mV) at "
            f"{clock(time)}: {cell_label(cell)} lowest, {cell_label(layout.cells[high])} highest.",
            "The weakest cell decides what the whole pack can give and take.",
            "Balance the pack, then look again.",
            (Figure("spread", worst * 1e3, "mV"), Figure("longest", length, "s")),
        )
    return Finding(
        "temperature-spread",
        Weight.CAUTION,
        module_place(layout, layout.modules[high], time),
        f"Modules lay up to {worst:.1f} K apart (limit {limit:g} K) at {clock(time)}: "
        f"{layout.modules[low]} coldest, {layout.modules[high]} hottest.",
        "Unevenly warm modules age unevenly.",
        "Check the liquid loop for flow through every branch.",
        (Figure("spread", worst, "K"), Figure("longest", length, "s"), Figure("from", start, "s")),
    )


def _lasting(time_s: F64, over: Mask) -> tuple[float, float]:
    """Start and length [s] of the longest run; what lies between the rows judged is not counted."""
    if len(time_s) < 2:
        return float("nan"), 0.0
    gaps = np.diff(time_s)
    heard = np.minimum(gaps, 2.0 * float(np.median(gaps)))
    passed = np.concatenate(([0.0], np.cumsum(heard)))
    begun, length = longest_run(passed, over)
    row = int(np.searchsorted(passed, begun)) if length else 0
    return (float(time_s[row]) if length else float("nan")), length
