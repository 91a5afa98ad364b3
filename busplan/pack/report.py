"""The judgement over a pack: every topic evaluated, in one value that all who show it share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.answers import Answer
from busplan.findings import Finding, Weight, by_weight, heaviest, summary_line
from busplan.frames.columns import F64
from busplan.pack.capacity import Capacity, capacity_findings, fit_capacity
from busplan.pack.chemistry import chemistry_findings
from busplan.pack.drift import Baseline, Drift, drifts, keep
from busplan.pack.drift_told import drift_findings
from busplan.pack.electrical import SenseCheck, check_electrical
from busplan.pack.evenness import (
    Evenness,
    evenness_findings,
    temperature_evenness,
    voltage_evenness,
)
from busplan.pack.heard import Heard, find_heard
from busplan.pack.joints import Joints, find_joints, joint_findings
from busplan.pack.kinds import PackTest, kind_of
from busplan.pack.limit_times import LimitTime, limit_times
from busplan.pack.limits import Excess, find_excesses, limit_findings
from busplan.pack.order import EndOrder, end_order, order_findings
from busplan.pack.plausible import (
    WRONG_SCALE,
    WRONG_SIGN,
    cell_scale_off,
    current_doubt,
    plausible_findings,
    sign_shown,
    twins,
)
from busplan.pack.resistance import Resistance, fit_resistance
from busplan.pack.resistance_told import resistance_findings
from busplan.pack.self_discharge import (
    SelfDischarge,
    fit_self_discharge,
    self_discharge_findings,
)
from busplan.pack.sensors import (
    FaultyReading,
    find_faulty,
    temperature_step,
    voltage_step,
)
from busplan.pack.sensors_told import faulty_findings
from busplan.pack.series import PackSeries, Trace
from busplan.pack.silence import DropOut, drop_out_findings, find_drop_outs
from busplan.pack.standing import Standing, find_noisy, find_standing, standing_findings
from busplan.pack.statistics import nan_median
from busplan.pack.thermal_observations import step_read
from busplan.pack.thermal_span import widest_move
from busplan.pack.unmoved import Unmoved, find_unmoved
from busplan.pack.warm_up import judge_warm_up
from busplan.pack.warm_up_findings import warm_up_findings
from busplan.pack.warm_up_result import WarmUp
from busplan.plan.vehicle import PackLayout


@dataclass(frozen=True, slots=True)
class Extreme:
    """The lowest or highest believable value of the capture: of which cell or sensor, and when.

    ``index`` is its place in the layout.
    """

    value: float
    index: int
    time_s: float


@dataclass(frozen=True, eq=False, repr=False)
class PackReport:
    """Everything that was judged. What the capture does not allow is ``None``.

    ``test`` is what the capture was judged as, ``asked`` whether the user said so.
    ``temperature_c`` (cells,) is the median temperature of each cell's module. ``voltage_range``
    and ``temperature_range`` are the lowest and highest value seen, ``None`` when none was.
    ``tolerated`` is what reading capture and definitions had to put up with; ``findings`` are those
    of the pack alone. ``one_clock`` says which part was judged where the capture's clock was set
    back, ``paused`` the same where everybody paused; the places of ``findings`` count from the
    capture's first frame. ``standing`` are readings that stood still while what drives them moved,
    ``unmoved`` are temperatures that did so while the current must have warmed them: either they
    are not read, or the pack is cooled that well.
    ``unbelieved`` are the channels (kind, index) that were left out of every judgement. ``most_a``
    are the highest currents of charging and discharging, ``None`` where none is known or believed;
    ``sign_shown`` whether anything showed which of the two is which.
    """

    layout: PackLayout
    span_s: float
    test: PackTest
    asked: bool
    voltage: Evenness
    temperature: Evenness
    temperature_c: F64
    voltage_range: tuple[Extreme, Extreme] | None
    temperature_range: tuple[Extreme, Extreme] | None
    faulty: tuple[FaultyReading, ...]
    drop_outs: tuple[DropOut, ...]
    excesses: tuple[Excess, ...]
    limit_times: tuple[LimitTime, ...]
    warm_up: WarmUp | None
    resistance: Resistance | None
    joints: Joints | None
    top: EndOrder | None
    bottom: EndOrder | None
    capacity: Capacity | None
    self_discharge: SelfDischarge | None
    baseline: Baseline
    drift: tuple[Drift, ...] | None
    checks: tuple[SenseCheck, ...]
    heard: Heard
    standing: tuple[Standing, ...]
    unmoved: Unmoved | None
    unbelieved: frozenset[tuple[str, int]]
    findings: tuple[Finding, ...]
    tolerated: tuple[Finding, ...] = ()
    one_clock: str = ""
    paused: str = ""
    most_a: tuple[float, float] | None = None
    sign_shown: bool = True

    def __repr__(self) -> str:
        told = summary_line(self.findings)
        return f"<PackReport: {self.test} of {self.span_s:.0f} s, {self.layout!r}, {told}>"

    def stood_still(self, what: str) -> bool:
        """Whether all ``what`` (cells, temperatures) stood still where they had to move."""
        unmoved = what == "temperatures" and self.unmoved is not None
        return unmoved or any(s.what == what for s in self.standing)

    @property
    def weight(self) -> Weight:
        """The heaviest finding's weight."""
        return heaviest(self.findings)


def evaluate_pack(
    series: PackSeries,
    layout: PackLayout,
    *,
    test: PackTest | None = None,
    span_s: tuple[float, float] | None = None,
    before: PackReport | Baseline | None = None,
    tolerated: Sequence[Finding] = (),
) -> PackReport:
    """Judge a pack by one capture.

    ``test`` says what was done (found from the signals when ``None``); ``span_s`` the start and
    stop [s] of a warm-up or cool-down; ``before`` an older report of the same pack
    or what one kept, for drift; ``tolerated`` what reading had to put up with.
    Findings name a culprit once: a cell or module that one judgement has named is left out of the
    spread of the others.
    """
    kind = test or kind_of(series)
    step_k, step_v = temperature_step(series, layout), voltage_step(series)
    faulty = find_faulty(series, layout)
    known = {(f.kind, f.index) for f in faulty}
    faulty = (*faulty, *(f for f in find_noisy(series) if (f.kind, f.index) not in known))
    unbelievable = frozenset((f.kind, f.index) for f in faulty)
    standing = find_standing(series)
    if cell_scale_off(series.cells) is not None:
        standing = ()
        # One statement where all cells are scaled wrongly, not one a cell.
        faulty = tuple(f for f in faulty if f.kind != "cell")
        unbelievable |= {("cell", index) for index in range(len(series.cells))}
    drop_outs = find_drop_outs(series, layout)
    doubt = current_doubt(series, layout.capacity_ah)
    still = [s.what for s in standing]
    sized = series.without("current") if "current" in still or doubt == WRONG_SCALE else series
    signed = series.without("current") if doubt == WRONG_SIGN else sized
    excesses = find_excesses(signed, layout, unbelievable)
    ranges = (
        _range(series.cells, "cell", unbelievable),
        _range(series.sensors, "sensor", unbelievable),
    )
    same = twins(series.cells)
    # Which of them was measured nobody knows: beyond a limit is bad all the same, else it is open.
    unbelievable |= {("cell", index) for group in same for index in group}
    warm_up = _warm_up(sized, layout, step_k, faulty, span_s) if kind is PackTest.WARM_UP else None
    cells_c = _cell_temperatures(series, layout, unbelievable)
    current = series.quantity("current")
    checks, electrical = check_electrical(
        series,
        layout,
        faulty=unbelievable,
        rest=test is PackTest.REST,
        still=still,
    )
    # A state of charge that the count contradicts is no condition to tell a figure at.
    wrong = any(f.code == "state-of-charge-off" for f in electrical)
    charge = None if wrong else series.quantity("state_of_charge")
    resistance = None
    if current is not None:
        resistance = fit_resistance(
            series.cells,
            current,
            step_v,
            temperature_c=cells_c,
            module=np.array([layout.modules.index(c.module) for c in layout.cells], np.int64),
            charge=charge,
            left_out=[index for kind_, index in unbelievable if kind_ == "cell"],
            at_a=layout.capacity_ah,
            doubt=doubt,
        )
    unmoved = None
    if "temperatures" not in still:
        unmoved = find_unmoved(sized, layout, resistance, step_k, unbelievable)
    joints = find_joints(series, layout, resistance)
    top = end_order(signed, layout, resistance, unbelievable, top=True)
    bottom = end_order(signed, layout, resistance, unbelievable, top=False)
    voltage = voltage_evenness(sized, step_v, unbelievable)
    temperature = temperature_evenness(series, layout, step_k, unbelievable)
    capacity = fit_capacity(series, unbelievable, layout, step_v, doubt)
    self_discharge = fit_self_discharge(sized, unbelievable, step_v)

    findings = [*series.findings, *plausible_findings(series, layout, same)]
    findings += chemistry_findings(series, layout)
    findings += standing_findings(standing, layout)
    findings += [*faulty_findings(faulty, layout), *drop_out_findings(drop_outs)]
    findings += limit_findings(excesses, layout) + electrical
    named_cells: set[int] = set()
    named_modules: set[int] = set()
    if warm_up is not None:
        told = warm_up_findings(warm_up, layout)
        findings += told
        named_modules |= _modules_named(told, layout)
    if resistance is not None:
        findings += resistance_findings(resistance, layout)
        named_cells |= {int(i) for i in resistance.raised(layout.limits.voltage_spread_v)}
    findings += joint_findings(joints, layout)
    for order in (top, bottom):
        if order is not None:
            findings += order_findings(order, layout)
            named_cells |= set() if order.first is None else {order.first}
    if capacity is not None:
        findings += capacity_findings(capacity, layout)
    if self_discharge is not None:
        findings += self_discharge_findings(self_discharge, layout)
    findings += evenness_findings(voltage, layout, frozenset(named_cells))
    findings += evenness_findings(temperature, layout, frozenset(named_modules))
    baseline = keep(
        layout,
        voltage=voltage,
        temperature=temperature,
        resistance=resistance,
        joints=joints,
        capacity=capacity,
        self_discharge=self_discharge,
        warm_up=warm_up,
    )
    drift = None
    if before is not None:
        old = before if isinstance(before, Baseline) else before.baseline
        drift = drifts(old, baseline, layout, (step_v, step_k))
        findings += drift_findings(drift, layout)
    return PackReport(
        layout=layout,
        span_s=series.span_s,
        test=kind,
        asked=test is not None,
        voltage=voltage,
        temperature=temperature,
        temperature_c=cells_c,
        voltage_range=ranges[0],
        temperature_range=ranges[1],
        faulty=faulty,
        drop_outs=drop_outs,
        excesses=excesses,
        limit_times=limit_times(signed, layout, excesses, unbelievable),
        warm_up=warm_up,
        resistance=resistance,
        joints=joints,
        top=top,
        bottom=bottom,
        capacity=capacity,
        self_discharge=self_discharge,
        baseline=baseline,
        drift=drift,
        checks=checks,
        standing=standing,
        unmoved=unmoved,
        unbelieved=unbelievable,
        heard=find_heard(series, layout, kind),
        tolerated=tuple(tolerated),
        one_clock=series.one_clock,
        paused=series.paused,
        most_a=_most(signed.quantity("current")),
        sign_shown=sign_shown(signed) or _counts(checks),
        findings=tuple(by_weight(f.later(series.begin_s) for f in findings)),
    )


def _warm_up(
    series: PackSeries,
    layout: PackLayout,
    step_k: float,
    faulty: Iterable[FaultyReading],
    span_s: tuple[float, float] | None,
) -> WarmUp | None:
    span = widest_move(series.temperature, step_k, span_s)
    if span is None:
        return None
    read_k = step_read(series.sensors, span, step_k)
    if read_k > step_k:  # whole degrees, where plan or definition tell finer steps
        step_k, span = read_k, widest_move(series.temperature, read_k, span_s) or span
    stuck = np.zeros(len(layout.sensors), np.bool_)
    stuck[[f.index for f in faulty if f.kind == "sensor"]] = True
    return judge_warm_up(series, layout, span, step_k, stuck)


def _range(
    traces: Sequence[Trace], kind: str, faulty: frozenset[tuple[str, int]]
) -> tuple[Extreme, Extreme] | None:
    """Lowest and highest value over all believable traces."""
    low: Extreme | None = None
    high: Extreme | None = None
    for index, trace in enumerate(traces):
        if not len(trace) or (kind, index) in faulty:
            continue
        for row in (int(np.argmin(trace.value)), int(np.argmax(trace.value))):
            seen = Extreme(float(trace.value[row]), index, float(trace.time_s[row]))
            low = seen if low is None or seen.value < low.value else low
            high = seen if high is None or seen.value > high.value else high
    return None if low is None or high is None else (low, high)


def _counts(checks: Iterable[SenseCheck]) -> bool:
    """Whether the state of charge goes the way of the current."""
    return any(c.name == "state of charge" and c.answer is Answer.GOOD for c in checks)


def _most(current: Trace | None) -> tuple[float, float] | None:
    """The highest current into the pack and out of it [A]."""
    if current is None or not len(current):
        return None
    return max(-float(current.value.min()), 0.0), max(float(current.value.max()), 0.0)


def _modules_named(findings: Iterable[Finding], layout: PackLayout) -> set[int]:
    """Modules (indices) whose signal is the place of one of these findings."""
    owner: dict[tuple[str | None, ...], str] = {tuple(c.address): c.module for c in layout.cells}
    owner |= {tuple(s.address): s.module for s in layout.sensors}
    places = [(f.where.network, f.where.node, f.where.message, f.where.signal) for f in findings]
    return {layout.modules.index(owner[place]) for place in places if place in owner}


def _cell_temperatures(
    series: PackSeries, layout: PackLayout, faulty: frozenset[tuple[str, int]]
) -> F64:
    """Median temperature of each cell's module over the capture (cells,) [°C]; NaN if unknown."""
    of_module: dict[str, list[float]] = {}
    for index, (sensor, trace) in enumerate(zip(layout.sensors, series.sensors, strict=True)):
        if len(trace) and ("sensor", index) not in faulty:
            of_module.setdefault(sensor.module, []).append(float(np.median(trace.value)))
    return np.array(
        [float(nan_median(np.array(of_module.get(c.module, [np.nan])))) for c in layout.cells]
    )
