"""The warm-up (or cool-down) test: does liquid flow through every module?

The door to the whole method, and its result. What is compared is *heat exchange* relative to the
peers (:mod:`busplan.pack.exchange`), which is never flow: it falls less than the flow does, so a
module's flow is at most its exchange. What all share (a weak pump) is not in it, and a starved
majority looks like a fast minority.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from busplan.answers import UNKNOWN, Interval
from busplan.frames.columns import F64, Mask
from busplan.pack.exchange import offset_of
from busplan.pack.exchange_verdict import OPEN, SLOW, Exchange, differing, judge
from busplan.pack.flow_change import FlowChange, find_change
from busplan.pack.series import PackSeries
from busplan.pack.statistics import nan_median
from busplan.pack.thermal_groups import (
    LIKE_PEERS,
    Compared,
    Comparison,
    Structure,
    Test,
    compare,
)
from busplan.pack.thermal_observations import Observations, observe
from busplan.pack.thermal_span import ThermalSpan
from busplan.pack.under_load import carried_load
from busplan.pack.warm_up_power import HALF_FLOW, THIRD_FLOW, Power, minutes_missing, power
from busplan.pack.warm_up_result import (
    LOADED_A,
    LOADED_PER_H,
    ModuleVerdict,
    ModuleWarmUp,
    SensorOffset,
    WarmUp,
    WarmUpState,
)
from busplan.pack.warm_up_text import missing, power_text, sentence
from busplan.plan.vehicle import PackLayout

STANDING_PEER_STEPS = 4.0
"""Steps the median sensor must move before one that moves by a step at most stands still."""
OFFSET_SURE, OFFSET_K = 4.0, 2.0
"""A sensor reads wrong when it is off by this many standard deviations, and so many kelvin."""
OFFSET_LOOKED_AT = 0.75
"""The same is looked at closely from this part of it on."""
KNOWN_SHARE = 0.8
"""Part of the span over which the current has to be known to say what the cells carried."""
LOADED_BLUR, UNLEVEL_BLUR = 0.15, 0.08
"""What own heat and a missing level start add to the uncertainty of ln e (choices, no source)."""


def judge_warm_up(
    series: PackSeries,
    layout: PackLayout,
    span: ThermalSpan,
    step_k: float,
    stuck: Mask | None = None,
) -> WarmUp:
    """Judge every module that has sensors over a span.

    ``step_k`` is the step of the temperatures [K], ``stuck`` (sensors,) marks those that are known
    not to measure (:mod:`busplan.pack.sensors`).
    """
    modules = tuple(m for m in layout.modules if any(s.module == m for s in layout.sensors))
    owner = np.array([modules.index(s.module) for s in layout.sensors], np.int64)
    known_bad = np.zeros(len(owner), np.bool_) if stuck is None else stuck
    seen = observe(series.sensors, span, step_k, span.rate_k_min / 60.0)
    still = _standing(seen, step_k, known_bad)
    partner = np.array(
        [bool((seen.heard & ~still & ~known_bad & (owner == m)).any()) for m in owner], np.bool_
    )
    dead = known_bad | (still & partner)
    usable = seen.heard & ~dead
    state = _state(span, len(np.unique(owner[usable])))
    liquid = _liquid(series, span)
    current = _current(series, span)
    limit = min(LOADED_A, LOADED_PER_H * (layout.capacity_ah or np.inf))
    moved = bool(np.isnan(current)) and carried_load(series.voltage, span.start_s, span.stop_s)
    loaded = moved or current >= limit
    blur = float(np.hypot(LOADED_BLUR * loaded, UNLEVEL_BLUR * (not span.plateau)))
    structure = Structure(
        modules,
        {m: box for box, members in layout.enclosures.items() for m in members},
        layout.loop_position,
        layout.kind,
    )
    places = np.array([s.position for s in layout.sensors], np.int64)
    test = Test(seen, owner, places, span, liquid, blur)
    compared = None
    if state is WarmUpState.JUDGED or (state is WarmUpState.TOO_SHORT and span.rise_steps >= 1.0):
        compared = compare(test, structure, usable)
        if state is WarmUpState.TOO_SHORT and span.enough_to_name and compared.slow.any():
            state = WarmUpState.JUDGED
            compared = replace(compared, clear=np.zeros_like(compared.clear))
    if state is WarmUpState.JUDGED and (compared is None or len(compared.few) == len(modules)):
        state = WarmUpState.FEW
    per_module = max(round(float(usable.sum()) / max(len(np.unique(owner[usable])), 1)), 1)
    chances, more = _foresee(series, compared, span, step_k, per_module, loaded, state)
    middle = _median_move(seen, usable, span.heating)
    for_module = compared if state is WarmUpState.JUDGED else None
    judged = tuple(
        _Judge(test, for_module, usable, dead, still, loaded, middle).module(index, name)
        for index, name in enumerate(modules)
    )
    result = WarmUp(
        state=state,
        start_s=span.start_s,
        stop_s=span.stop_s,
        heating=span.heating,
        level_start=span.plateau,
        liquid_known=liquid is not None,
        peer_rise_k=middle,
        steps=span.rise_steps,
        rate_k_min=span.rate_k_min,
        current_a=current,
        more_minutes=more,
        power=chances,
        late=() if compared is None else compared.late,
        odd=compared is not None and compared.odd,
        few=() if compared is None else compared.few,
        modules=judged,
        loaded_a=limit,
        moved=moved,
    )
    return replace(
        result,
        told=sentence(result),
        missing=missing(result),
        would_have_shown=power_text(result),
    )


def _standing(seen: Observations, step_k: float, bad: Mask) -> Mask:
    """Sensors (m,) that move by no more than one step while the median one moves by several."""
    middle = float(np.nan_to_num(nan_median(np.where(bad, np.nan, seen.travel_k))))
    with np.errstate(invalid="ignore"):
        low = seen.travel_k <= 1.01 * step_k
    return np.asarray(low & seen.heard & (middle >= STANDING_PEER_STEPS * step_k), np.bool_)


def _state(span: ThermalSpan, modules: int) -> WarmUpState:
    if not span.enough:
        moving = span.rise_steps >= 1.0 and span.rate_k_min > 0.1
        return WarmUpState.TOO_SHORT if moving else WarmUpState.NOTHING
    return WarmUpState.JUDGED if modules >= 3 else WarmUpState.FEW


def _liquid(series: PackSeries, span: ThermalSpan) -> F64 | None:
    """Times from the span's start and liquid temperatures (k, 2); ``None``: too little of it."""
    trace = series.quantity("inlet_temperature")
    if trace is None:
        return None
    inside = (trace.time_s >= span.start_s - 60.0) & (trace.time_s <= span.stop_s + 1.0)
    time, value = trace.time_s[inside], trace.value[inside]
    length = span.stop_s - span.start_s
    if len(time) < 10 or time[-1] - max(time[0], span.start_s) < 0.9 * length:
        return None
    gaps = np.diff(time)
    if float(gaps[gaps > max(trace.stale_s, 30.0)].sum()) > 0.1 * length:
        return None
    # An inlet that reads the same throughout while the modules move does not measure the liquid.
    if float(np.ptp(value)) <= trace.step:
        return None
    return np.column_stack((time - span.start_s, value))


def _current(series: PackSeries, span: ThermalSpan) -> float:
    """RMS of the current over the span [A]; NaN when it is not known for most of it."""
    trace = series.quantity("current")
    if trace is None:
        return float("nan")
    inside = (trace.time_s >= span.start_s) & (trace.time_s <= span.stop_s)
    time, length = trace.time_s[inside], span.stop_s - span.start_s
    known_s = float(np.minimum(np.diff(time, append=span.stop_s), trace.stale_s).sum())
    if not len(time) or known_s < KNOWN_SHARE * length:
        return float("nan")
    return float(np.sqrt(np.mean(trace.value[inside] ** 2)))


def _foresee(
    series: PackSeries,
    compared: Compared | None,
    span: ThermalSpan,
    step_k: float,
    sensors: int,
    loaded: bool,
    state: WarmUpState,
) -> tuple[tuple[Power, ...], float | None]:
    """What the test would have shown, by its largest comparison, and the minutes it lacks."""
    if compared is None or loaded:
        return (), None
    known = [c for c in compared.nearest if c is not None]
    if not known:
        return (), None
    largest = max(known, key=lambda c: len(c.modules))
    periods = [t.period_s for t in series.sensors if len(t) > 1]
    period = float(np.clip(np.median(periods), 0.5, 60.0)) if periods else 1.0
    chances = tuple(
        power(largest, span, step_k, sensors, exchange, period_s=period)
        for exchange in (HALF_FLOW, THIRD_FLOW)
    )
    if state is WarmUpState.TOO_SHORT:
        chances = ()
    return chances, minutes_missing(largest, span, step_k, sensors, period)


def _median_move(seen: Observations, usable: Mask, heating: bool) -> float:
    """How far the median sensor moved [K], positive the way of the test."""
    if not usable.any():
        return 0.0
    moved = float(np.median((seen.end_c - seen.start_c)[usable]))
    return moved if heating else -moved


@dataclass(frozen=True, eq=False)
class _Judge:
    """What is known when a module is judged; masks are over sensors (m,)."""

    test: Test
    compared: Compared | None
    usable: Mask
    dead: Mask
    still: Mask
    loaded: bool
    middle_k: float

    def module(self, index: int, name: str) -> ModuleWarmUp:
        """Everything about one module."""
        seen, span = self.test.seen, self.test.span
        own = self.test.owner == index
        working = own & self.usable
        sign = 1.0 if span.heating else -1.0
        start = float(seen.start_c[working].mean()) if working.any() else float("nan")
        end = float(seen.end_c[working].mean()) if working.any() else float("nan")
        minutes = (span.stop_s - span.moves_s) / 60.0
        exchange, interval, verdict = OPEN, UNKNOWN, ModuleVerdict.OPEN
        disagree, change = None, None
        offsets: tuple[SensorOffset, ...] = ()
        nearest = None if self.compared is None else self.compared.nearest[index]
        if self.compared is not None and nearest is not None and working.any():
            exchange = self.compared.exchange[index]
            interval = exchange.interval
            disagree = self._later(nearest, index)
            places = nearest.places(self.test.owner, index)
            change = find_change(seen, places, seen.length_s, span.start_s)
            verdict = self._verdict(index, exchange, working, disagree, change)
            if verdict is ModuleVerdict.CHANGED and change is not None:
                # One exchange for the whole test would be none at all.
                exchange, interval = replace(OPEN, value=change.after), UNKNOWN
            else:
                change = None
                offsets = self._offsets(nearest, index)
        lags = verdict not in (ModuleVerdict.STILL, ModuleVerdict.NO_FLOW)
        return ModuleWarmUp(
            module=name,
            verdict=verdict,
            start_c=start,
            end_c=end,
            rate_k_min=(end - start) / minutes if minutes > 0 else float("nan"),
            lag_k=self.middle_k - sign * (end - start),
            lag_s=exchange.lag_s if lags else float("nan"),
            lag_interval=exchange.lag if lags else UNKNOWN,
            exchange=exchange.value,
            interval=interval,
            moved=bool(working.any() and float(seen.travel_k[working].max()) > 0.0),
            sensors=int(working.sum()),
            stuck=tuple(int(p) for p in self.test.position[own & self.dead]),
            offsets=offsets,
            change=change,
            disagree=disagree if verdict is ModuleVerdict.DISAGREE else None,
        )

    def _verdict(
        self,
        index: int,
        exchange: Exchange,
        working: Mask,
        disagree: int | None,
        change: FlowChange | None,
    ) -> ModuleVerdict:
        assert self.compared is not None
        if self.still[working].all():
            return ModuleVerdict.STILL if working.sum() == 1 else ModuleVerdict.NO_FLOW
        if disagree is not None:
            return ModuleVerdict.DISAGREE
        if change is not None and not self.compared.odd:
            return ModuleVerdict.CHANGED
        if self.compared.slow[index]:
            if not exchange.no_flow:
                return ModuleVerdict.SLOW
            # An only sensor that never moved may be stuck, however few steps its peers made.
            dumb = working.sum() == 1 and self.test.seen.travel_k[working].max() == 0.0
            return ModuleVerdict.STILL if dumb else ModuleVerdict.NO_FLOW
        if self.compared.clear[index] and not self.loaded:
            return ModuleVerdict.FOLLOWS
        return ModuleVerdict.OPEN

    def _later(self, nearest: Comparison, index: int) -> int | None:
        """The place of a sensor that is late while another one comes with the peers."""
        sensors, told = nearest.told(self.test.owner, index)
        found = differing(told, nearest.tau)
        if found is None:
            return None
        late, fast = (
            judge(told[i], nearest.tau, nearest.scatter, nearest.more_blur).value for i in found
        )
        # Along a starved plate all are late, each by its place: no disagreement. Nor are two that
        # both come with the peers, or before them; far before them comes nobody but a sound module
        # among few peers of which one is starved.
        if late >= LIKE_PEERS or not SLOW <= fast <= 1.0 / SLOW:
            return None
        return int(self.test.position[sensors[found[0]]])

    def _offsets(self, nearest: Comparison, index: int) -> tuple[SensorOffset, ...]:
        found = []
        for fit, row in nearest.places(self.test.owner, index):
            if abs(float(fit.offset_k[row])) < OFFSET_LOOKED_AT * OFFSET_K:
                continue
            off, sd = offset_of(self.test.seen, fit, row)
            if abs(off) >= max(OFFSET_SURE * sd, OFFSET_K):
                place = int(self.test.position[fit.members[row]])
                reach = 1.96 * sd
                found.append(SensorOffset(place, off, Interval(off - reach, off + reach)))
        return tuple(found)
