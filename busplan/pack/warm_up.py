"""The warm-up (or cool-down) test: does liquid flow through every module?

Each sensor's rate divided by the median of its peers is its *heat exchange* relative to them
(:mod:`busplan.pack.relative`), which for modules of one build goes with the flow they get. Without
a mapped inlet temperature the ratio of rises takes its place; since a slow module meets a greater
difference to the liquid than its peers do, that ratio is an upper bound of its exchange.

A module is told apart only where figures allow it: its exchange must lie under ``SLOW`` by its own
uncertainty and stand out from the scatter of the peers by the gate for their number. Whether a test
could have shown a module of ``TARGET`` exchange is foreseen with the same model, and when it could
not, so is how many more minutes it needs.

``SLOW``, ``NO_FLOW`` and ``PEER_SCATTER``: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busplan.findings import Figure, Finding, Weight, Where
from busplan.pack.labels import clock, module_place, sentence, time_ns
from busplan.pack.relative import Relative, foreseen, relative_exchange
from busplan.pack.statistics import F64, I64, Mask, gate, mad_sigma, nan_median, rounding_sigma
from busplan.pack.thermal_span import ThermalSpan
from busplan.plan.vehicle import PackLayout

SLOW = 0.75
"""Exchange relative to peers under which a module is slow."""
NO_FLOW = 0.15
"""Exchange relative to peers under which nothing flows (what is left is conduction)."""
TARGET = 0.4
"""A test must be able to show a module of this exchange before the others count as well."""
PEER_SCATTER = 0.05
"""Least natural scatter of the exchange over peers that is reckoned with."""
ONE_SIDED_95 = 1.645
LONGEST_EXTENSION_MIN = 90
STANDING_PEER_STEPS = 4.0
"""Steps the median sensor must move before one that moves by a step at most stands still."""


class ModuleVerdict(StrEnum):
    """What the test says of one module."""

    FOLLOWS = "comes up with the others"
    SLOW = "slow"
    NO_FLOW = "no flow"
    STUCK = "stuck sensor"
    OPEN = "not judged"


class WarmUpState(StrEnum):
    """Whether the test allows a judgement."""

    JUDGED = "judged"
    TOO_SHORT = "too short"
    TOO_EVEN = "too even"
    UNEVEN = "peers too uneven"


_OPEN = {
    WarmUpState.TOO_SHORT: "test-too-short",
    WarmUpState.TOO_EVEN: "test-too-even",
    WarmUpState.UNEVEN: "test-peers-too-uneven",
}
"""The finding of a test that does not allow a judgement."""


@dataclass(frozen=True, slots=True)
class ModuleWarmUp:
    """One module in the test; temperatures are means over its working sensors.

    ``lag_k`` and ``lag_s`` say how far it is behind the median module at the end. ``exchange`` is
    relative to peers, with its standard ``uncertainty``. ``stuck`` are sensor positions (from 1).
    """

    module: str
    verdict: ModuleVerdict
    start_c: float
    end_c: float
    rate_k_min: float
    lag_k: float
    lag_s: float
    exchange: float
    uncertainty: float
    stuck: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class WarmUp:
    """The judgement over one span. ``exchange_bound``: no liquid temperature, see this file's head.

    ``more_minutes`` is what is missing for a judgement, ``None`` when more time alone will not do.
    """

    state: WarmUpState
    start_s: float
    stop_s: float
    heating: bool
    exchange_bound: bool
    more_minutes: float | None
    peer_rise_k: float
    modules: tuple[ModuleWarmUp, ...]


def judge_warm_up(
    span: ThermalSpan,
    modules: Sequence[str],
    module_of: Sequence[str],
    position_of: Sequence[int],
    step_k: float,
    stuck: Mask | None = None,
) -> WarmUp:
    """Judge every module of a span.

    ``module_of`` and ``position_of`` name the module and the place in it of each sensor (column);
    ``stuck`` (m,) marks sensors that are known not to measure (:mod:`busplan.pack.sensors`).
    """
    owner = np.array([modules.index(m) for m in module_of], np.int64)
    position = np.array(position_of, np.int64)
    stuck = np.zeros(len(owner), np.bool_) if stuck is None else stuck
    still = _standing(span, step_k) | stuck
    values = np.where(stuck, np.nan, span.temperature_c)
    relative = relative_exchange(span, values, position, still, step_k)
    exchange, scatter_of, model, curve = _per_module(relative, owner, len(modules))
    noise = float(np.nan_to_num(nan_median(scatter_of)))
    scatter = mad_sigma(exchange)
    natural = max(float(np.nan_to_num(scatter)) ** 2 - noise**2, PEER_SCATTER**2) ** 0.5
    limit = gate(len(modules))
    state, more = _foresee(span, relative, natural, limit, len(owner) / len(modules), step_k)
    peer = nan_median(curve, axis=1)
    judged = []
    for index, name in enumerate(modules):
        own = owner == index
        r, u, m = float(exchange[index]), float(scatter_of[index]), float(model[index])
        verdict = _verdict(r, u, m, natural, limit, state)
        if verdict in (ModuleVerdict.FOLLOWS, ModuleVerdict.OPEN) and stuck[own].any():
            verdict = ModuleVerdict.STUCK
        lag_k, lag_s = _lag(span, peer, curve[:, index])
        minutes = (span.time_s[-1] - span.time_s[0]) / 60.0
        start, end = float(curve[0, index]), float(curve[-1, index])
        rate = (end - start) / minutes if minutes > 0 else float("nan")
        places = tuple(int(p) for p in position[own & stuck])
        judged.append(
            ModuleWarmUp(
                module=name,
                verdict=verdict,
                start_c=start,
                end_c=end,
                rate_k_min=rate,
                lag_k=lag_k,
                lag_s=lag_s,
                exchange=r,
                uncertainty=float(np.hypot(u, m)),
                stuck=places,
            )
        )
    rise = float(peer[-1] - peer[0])
    bound = span.liquid_c is None
    return WarmUp(
        state=state,
        start_s=span.start_s,
        stop_s=span.stop_s,
        heating=span.heating,
        exchange_bound=bound,
        more_minutes=more,
        peer_rise_k=rise,
        modules=tuple(judged),
    )


def _standing(span: ThermalSpan, step_k: float) -> Mask:
    """Sensors (m,) that move by no more than one step while the median one moves by several.

    They are no peers: a module without flow must not tell how the others should behave.
    """
    values = span.temperature_c
    known = np.isfinite(values)
    highest = np.max(values, axis=0, initial=-np.inf, where=known)
    lowest = np.min(values, axis=0, initial=np.inf, where=known)
    travel = np.where(known.any(axis=0), highest - lowest, np.nan)
    moved = float(np.nan_to_num(nan_median(travel))) >= STANDING_PEER_STEPS * step_k
    return np.asarray((travel <= step_k * 1.01) & moved, np.bool_)


def _per_module(relative: Relative, owner: I64, modules: int) -> tuple[F64, F64, F64, F64]:
    """Exchange, its own and its model uncertainty (modules,), and curve (n, modules).

    Means over working sensors. Sensors that disagree by more than their uncertainties widen the
    mean's (Birge ratio, R. T. Birge, Physical Review 40, 1932; from memory).
    """
    exchange, own, model = (np.full(modules, np.nan) for _ in range(3))
    curve = np.full((len(relative.curve), modules), np.nan)
    for index in range(modules):
        known = np.isfinite(relative.exchange) & np.isfinite(relative.own)
        good = np.flatnonzero((owner == index) & known)
        if not len(good):
            continue
        weight = 1.0 / np.square(relative.own[good])
        mean = float(weight @ relative.exchange[good] / weight.sum())
        spread = float(weight @ (relative.exchange[good] - mean) ** 2) / max(len(good) - 1, 1)
        exchange[index] = mean
        own[index] = max(spread, 1.0) ** 0.5 * float(weight.sum() ** -0.5)
        model[index] = float(weight @ relative.model[good] / weight.sum())
        curve[:, index] = relative.curve[:, good].mean(axis=1)
    return exchange, own, model, curve


def _stands_out(r: float, own: float, model: float, natural: float, limit: float) -> bool:
    """Whether exchange ``r`` can be neither that of a peer nor ``SLOW``, by its uncertainties.

    The model's part goes with the distance from the peers: a peer has none, a module of ``SLOW``
    as much less than this one as it is nearer to them.
    """
    at_slow = model * min((1.0 - SLOW) / max(1.0 - r, 1e-9), 1.0)
    beyond_slow = r + ONE_SIDED_95 * float(np.hypot(own, at_slow)) < SLOW
    return beyond_slow and 1.0 - r > limit * float(np.hypot(natural, own))


def _verdict(
    r: float, own: float, model: float, natural: float, limit: float, state: WarmUpState
) -> ModuleVerdict:
    if np.isfinite(r) and _stands_out(r, own, model, natural, limit):
        return ModuleVerdict.NO_FLOW if r < NO_FLOW else ModuleVerdict.SLOW
    if not np.isfinite(r) or state is not WarmUpState.JUDGED:
        return ModuleVerdict.OPEN
    return ModuleVerdict.FOLLOWS


def _lag(span: ThermalSpan, peer: F64, own: F64) -> tuple[float, float]:
    """How far ``own`` is behind ``peer`` at the end, in K and in s (negative: ahead)."""
    sign = 1.0 if span.heating else -1.0
    lag_k = sign * float(peer[-1] - own[-1])
    if not np.isfinite(lag_k):
        return float("nan"), float("nan")
    leader, level = (peer, own[-1]) if lag_k >= 0 else (own, peer[-1])
    reached = np.flatnonzero(sign * leader >= sign * level)
    at = float(span.time_s[reached[0]]) if len(reached) else float(span.time_s[-1])
    since = float(span.time_s[-1]) - at
    return lag_k, since if lag_k >= 0 else -since


def _foresee(
    span: ThermalSpan,
    relative: Relative,
    natural: float,
    limit: float,
    sensors: float,
    step_k: float,
) -> tuple[WarmUpState, float | None]:
    """Whether a module of ``TARGET`` exchange would stand out (95 %), else the minutes missing."""

    def shows(extra_s: float) -> bool:
        own, model = _target_uncertainty(span, relative, extra_s, step_k)
        own /= max(sensors, 1.0) ** 0.5
        seen = TARGET + ONE_SIDED_95 * own
        return np.isfinite(own) and _stands_out(seen, own, model, natural, limit)

    if shows(0.0):
        return WarmUpState.JUDGED, None
    if not _stands_out(TARGET, 0.0, 0.0, natural, limit):
        return WarmUpState.UNEVEN, None
    for minutes in range(1, LONGEST_EXTENSION_MIN + 1):
        if shows(60.0 * minutes):
            return WarmUpState.TOO_SHORT, float(minutes)
    return WarmUpState.TOO_EVEN, None


def _target_uncertainty(
    span: ThermalSpan, relative: Relative, extra_s: float, step_k: float
) -> tuple[float, float]:
    """Both uncertainties of a module at ``TARGET``, the test being longer by ``extra_s``.

    The liquid is taken to hold its last temperature; without it, the peers to go on as they rose.
    """
    time = span.time_s
    block = float(time[1] - time[0]) if len(time) > 1 else 1.0
    more = time[-1] + block * np.arange(1, int(extra_s / block) + 1)
    longer = np.concatenate((time, more))
    if span.liquid_c is not None:
        rate = relative.peer_rate
        if not rate > 0:
            return float("nan"), 0.0
        liquid = np.concatenate((span.liquid_c, np.full(len(more), span.liquid_c[-1])))
        start = float(nan_median(relative.curve[0]))
        return foreseen(longer, liquid, rate, start, step_k, TARGET)
    peer = nan_median(relative.curve, axis=1)
    known = np.isfinite(peer)
    if known.sum() < 2:
        return float("nan"), 0.0
    rise = float(peer[known][-1] - peer[known][0]) * len(longer) / len(time)
    crossed = min(TARGET * abs(rise) / step_k + 1.0, float(len(longer)))
    return float(rounding_sigma(step_k) / np.sqrt(crossed * max(rise**2 / 12.0, 1e-12))), 0.0


def warm_up_findings(warm_up: WarmUp, layout: PackLayout) -> list[Finding]:
    """Findings for modules that stay behind; a note when the test does not allow a judgement."""
    findings = [
        _module_finding(warm_up, m, layout)
        for m in warm_up.modules
        if m.verdict in (ModuleVerdict.SLOW, ModuleVerdict.NO_FLOW)
    ]
    if warm_up.state is not WarmUpState.JUDGED:
        findings.append(
            Finding(
                _OPEN[warm_up.state],
                Weight.NOTE,
                Where(time_ns=time_ns(warm_up.start_s)),
                sentence(why_open(warm_up)) + ".",
                "A module that gets little liquid could hide in this test.",
                "Repeat the test as said; start it cold, with the pump at its usual speed.",
            )
        )
    return findings


def why_open(warm_up: WarmUp) -> str:
    """Why the test does not allow a judgement, and what it would need."""
    minutes = (warm_up.stop_s - warm_up.start_s) / 60.0
    if warm_up.state is WarmUpState.TOO_SHORT:
        return (
            f"the test is too short: after {minutes:.0f} min (peers moved "
            f"{abs(warm_up.peer_rise_k):.1f} K) it needs {warm_up.more_minutes:.0f} min more"
        )
    if warm_up.state is WarmUpState.TOO_EVEN:
        return (
            f"the loop is too even: liquid and modules lie so close (peers moved "
            f"{abs(warm_up.peer_rise_k):.1f} K) that more time would not tell; start colder or "
            f"heat further"
        )
    return "the modules differ so much among each other that none can be told apart"


def _interval(module: ModuleWarmUp) -> str:
    """Where the exchange lies in 95 % of such tests: two standard uncertainties to each side."""
    low, high = (module.exchange + side * 2 * module.uncertainty for side in (-1, 1))
    return f"95% sure: {max(low, 0.0):.0%} to {high:.0%}"


def _module_finding(warm_up: WarmUp, module: ModuleWarmUp, layout: PackLayout) -> Finding:
    none = module.verdict is ModuleVerdict.NO_FLOW
    share = f"{'at most ' if warm_up.exchange_bound else ''}{max(module.exchange, 0.0):.0%}"
    way = "warm-up" if warm_up.heating else "cool-down"
    measured = sum(s.module == module.module for s in layout.sensors) - len(module.stuck)
    doubt = " (its only sensor could be stuck instead)" if none and measured == 1 else ""
    return Finding(
        "module-no-flow" if none else "module-slow",
        Weight.FAULT if none else Weight.CAUTION,
        module_place(layout, module.module, warm_up.stop_s),
        f"Module {module.module} {'stands still' if none else 'lags'} in the {way}: "
        f"{module.lag_k:.1f} K and {module.lag_s:.0f} s behind its peers at "
        f"{clock(warm_up.stop_s)}; heat exchange {share} of theirs "
        f"({_interval(module)}){doubt}.",
        "Without its share of liquid it overheats under load and limits the whole pack.",
        "Bleed the loop; look for an air pocket, a kink or a blocked branch at this module.",
        (
            Figure("lag", module.lag_k, "K"),
            Figure("lag in time", module.lag_s, "s"),
            Figure("exchange", module.exchange),
            Figure("uncertainty", module.uncertainty),
            Figure("rate", module.rate_k_min, "K/min"),
        ),
    )
