"""What a warm-up could have shown: made modules put through the same judgement.

A module of a given exchange is drawn ``DRAWS`` times among the peers of the test (a parametric
bootstrap): time constant, offset, start difference, noise, place in the sensor's step and waves at
random from the priors the judgement uses. Its readings are observed, fitted and judged as any
other module's. The share that is called slow is the chance that this test would have shown it.

For a longer test the peers go on as in their last ``GOES_ON_S``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from busplan.frames.columns import F64
from busplan.pack.exchange import PeerFit, grid
from busplan.pack.exchange_model import LOSS, LOSS_SD, TAU_S, banks
from busplan.pack.exchange_verdict import combine, judge, relative, sharper
from busplan.pack.peers_curve import knots
from busplan.pack.series import Trace
from busplan.pack.thermal_groups import Comparison
from busplan.pack.thermal_observations import Observations, observe
from busplan.pack.thermal_span import ThermalSpan

DRAWS = 24
HALF_FLOW = 0.60
"""Exchange that half the flow leaves in an ordinary plate."""
THIRD_FLOW = 0.45
"""The same for about a third: what a test is made to find."""
ENOUGH = 0.8
"""A test is long enough when it would show a module of ``THIRD_FLOW`` with this chance."""
LONGEST_EXTENSION_MIN = 90
GOES_ON_S = 180.0


@dataclass(frozen=True, slots=True)
class Power:
    """How likely this test would have shown a module of that exchange, 0 to 1."""

    exchange: float
    chance: float


def power(
    comparison: Comparison,
    span: ThermalSpan,
    step_k: float,
    sensors: int,
    exchange: float,
    more_s: float = 0.0,
    period_s: float = 1.0,
) -> Power:
    """The chance of one test, longer by ``more_s``, with ``sensors`` working in each module."""
    fit, longer = _longer(comparison.fits[0], span, more_s)
    middle = comparison.middles[0]
    scatter = comparison.scatter
    told = _draws(fit, longer, step_k, sensors, exchange, middle, period_s)
    if told is None:
        return Power(exchange, 0.0)
    if more_s > 0:
        peers = _draws(fit, longer, step_k, sensors, 1.0, middle, period_s)
        scatter = scatter if peers is None else sharper(scatter, peers, fit.tau)
    shown = sum(
        judge(own, fit.tau, scatter, comparison.more_blur, comparison.needed).slow for own in told
    )
    return Power(exchange, shown / DRAWS)


def _draws(
    fit: PeerFit,
    span: ThermalSpan,
    step_k: float,
    sensors: int,
    exchange: float,
    middle: float,
    period_s: float,
) -> list[F64] | None:
    """Log likelihoods (taus, shares) of made modules of one exchange."""
    rng = np.random.default_rng(7)
    sd = np.median(fit.sd[fit.peers], axis=0) if fit.peers.any() else fit.sd[0]
    traces = []
    for _ in range(DRAWS):
        ideal = _module(fit, exchange * middle, sd, rng)
        for _ in range(sensors):
            traces.append(_reading(fit, ideal, sd, span, step_k, period_s, rng))
    seen = observe(traces, span, step_k, span.rate_k_min / 60.0)
    if not seen.heard.all():
        return None
    widths = np.tile(sd, (len(traces), 1))
    scaled: Observations = replace(seen, sigma=seen.sigma * fit.noise)
    members = np.arange(len(traces))
    _, likelihood = grid(scaled, members, fit.curve, fit.step_s, TAU_S, widths, fit.stages)
    likelihood = relative(likelihood, middle)
    return [combine(likelihood[i * sensors : (i + 1) * sensors], fit.tau) for i in range(DRAWS)]


def minutes_missing(
    comparison: Comparison, span: ThermalSpan, step_k: float, sensors: int, period_s: float
) -> float | None:
    """Minutes until the test would show ``THIRD_FLOW``; 0 when it does, ``None`` when never."""

    def shows(minutes: int) -> bool:
        found = power(comparison, span, step_k, sensors, THIRD_FLOW, 60.0 * minutes, period_s)
        return found.chance >= ENOUGH

    if shows(0):
        return 0.0
    low, high = 0, 2
    while not shows(high):
        low, high = high, 3 * high
        if low >= LONGEST_EXTENSION_MIN:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shows(middle) else (middle, high)
    return float(high)


def _longer(fit: PeerFit, span: ThermalSpan, more_s: float) -> tuple[PeerFit, ThermalSpan]:
    """The peers' curve as it would go on, on knots of its own."""
    if not more_s > 0:
        return fit, span
    at = np.arange(len(fit.curve)) * fit.step_s
    last = max(float(at[-1]) - GOES_ON_S, 0.0)
    rate = (fit.curve[-1] - np.interp(last, at, fit.curve)) / (at[-1] - last)
    length = span.stop_s - span.start_s + more_s
    count, step_s = knots(length)
    time = np.arange(count) * step_s
    curve = np.interp(time, at, fit.curve) + rate * np.maximum(time - at[-1], 0.0)
    longer = replace(span, stop_s=span.stop_s + more_s)
    return replace(fit, curve=curve, step_s=step_s), longer


def _module(fit: PeerFit, exchange: float, sd: F64, rng: np.random.Generator) -> F64:
    """Temperature of a module on the knots: the model, with its unknowns drawn."""
    weight = np.exp(fit.tau - fit.tau.max())
    g = int(rng.choice(len(TAU_S), p=weight / weight.sum()))
    tau = float(TAU_S[g])
    passed, rise = banks(fit.curve, fit.step_s, np.array([tau]), np.array([exchange]), fit.stages)
    time = np.arange(len(fit.curve)) * fit.step_s
    own = tau / exchange
    loss = max(LOSS + LOSS_SD * float(rng.normal()), 0.0)
    gap = fit.curve[0] + rise[0] - fit.curve
    model = fit.curve[0] + rise[0] - loss * (1.0 - exchange) * own * passed[0]
    model += sd[1] * rng.normal() * np.exp(-time / own)
    wave = sd[3] + sd[4] * float(np.sqrt(np.mean(gap**2)))
    for j in range(1, 4):
        model += wave / j * rng.normal() * np.cos(j * np.pi * time / time[-1])
    return np.asarray(model, np.float64)


def _reading(
    fit: PeerFit,
    ideal: F64,
    sd: F64,
    span: ThermalSpan,
    step_k: float,
    period_s: float,
    rng: np.random.Generator,
) -> Trace:
    """What a sensor of that module would have told."""
    time = np.arange(span.start_s, span.stop_s + period_s / 2, period_s)
    knots_s = span.start_s + np.arange(len(ideal)) * fit.step_s
    value = np.interp(time, knots_s, ideal) + sd[0] * rng.normal()
    value += 0.05 * fit.noise * rng.normal(size=len(time)) + rng.uniform(0.0, step_k)
    return Trace(time, np.round(value / step_k) * step_k, step_k)
