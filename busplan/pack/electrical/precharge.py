"""How full the link was when the main contactor closed, and how fast the pre-charge fills it.

What is told of the share at closing holds without knowing when the contact truly closed, because
state, link and pack come in messages of different ages:

* Once the main contactor is closed the link is at pack voltage. A reading that is not yet there was
  made before closing, so the share at closing is at least the last such reading.
* A charge through a resistor slows down as it goes (concave: v = V (1 - exp(-t/RC)), step response
  of an RC circuit, any textbook of circuits). It can therefore rise, from the last reading before
  full to the next, by no more than the step before. If the reading after is higher than that, the
  contactor closed in between, and the share was at most this bound.

Pack and link are two sensors of two gains: shares are taken relative to their ratio once closed.
The time constant is fitted with free end value: v = a - b exp(-t/T), least squares over T.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, sqrt

import numpy as np

from busplan.answers import UNKNOWN, Interval
from busplan.frames.columns import F64
from busplan.pack.electrical.moments import near
from busplan.pack.series import Trace

FULL = 0.985
"""From this share on (of the ratio once closed) the link is at the pack."""
STARTED = 0.02
"""From this share on the charge has begun."""
GAIN_SHARE = 0.01
"""Two sensors whose ratio is not known differ by so much (common practice, no source)."""
RATIO = (0.9, 1.1)
CLOSES_S = 0.1
"""A contactor follows its command within so long; its pre-charge begins no later (common practice,
no source)."""
AFTER_S = 4.0
BEFORE_S = 30.0
FEWEST = 4
TRIALS = 200


@dataclass(frozen=True, slots=True)
class Closing:
    """One closing: ``share`` bounds the link's share of the pack voltage at it (0 to 1).

    ``tau_s`` is the time constant of the charge with its interval, NaN and unknown where the
    readings are too few. ``full_before`` says that the link was there before any pre-charge.
    """

    share: Interval
    tau_s: float
    tau: Interval
    full_before: bool


NOTHING = Closing(Interval(0.0, 1.0), float("nan"), UNKNOWN, False)
"""Nothing is known of the share."""


def closing_of(
    link: Trace,
    pack: Trace,
    closed_s: tuple[float, float],
    pre_charge_s: tuple[float, float] | None,
    slack_s: float,
) -> Closing:
    """Bounds of the share at a closing that was told within ``closed_s`` (last not, first closed).

    ``pre_charge_s`` brackets the beginning of the pre-charge in the same way, ``None`` when none
    was told; ``slack_s`` is how far the ages of state and link differ at most.
    """
    begin = (closed_s[0] if pre_charge_s is None else pre_charge_s[0]) - slack_s - 1.0
    begin = max(begin, closed_s[0] - BEFORE_S)
    time, share = _shares(link, pack, begin, closed_s[1] + slack_s + AFTER_S)
    once = np.diff(time, prepend=-inf) > 0.0  # two senders give two readings at one moment
    time, share = time[once], share[once]
    if not len(time):
        return NOTHING
    settled = time > closed_s[1] + slack_s + 0.2
    ratio, error = _ratio(share, settled)
    share = share / ratio
    noise = _noise(link, pack, share, settled) + error
    surely_closed = time > closed_s[1] + slack_s
    if not (surely_closed & (share >= FULL)).any():
        return NOTHING  # it never got there: the link while closed tells of it
    full = int(np.argmax(share >= FULL))
    if full == 0:
        surely_before = time[0] <= closed_s[0] - slack_s
        if not surely_before:
            return NOTHING
        low = max(float(share[time <= closed_s[0] - slack_s].min()) - noise, 0.0)
        return Closing(Interval(low, 1.0), float("nan"), UNKNOWN, True)
    if time[full] - time[full - 1] > link.stale_s:
        return NOTHING
    low = float(share[full - 1])
    # Readings this early were made before closing, whatever the ages.
    early = share[time <= closed_s[0] - slack_s]
    if len(early):
        low = max(low, float(early[-1]))
    starts_by = -inf if pre_charge_s is None else pre_charge_s[1] + slack_s + CLOSES_S
    bound = _bound(time, share, full, starts_by)
    leap = isfinite(bound) and float(share[full]) > bound + 3.0 * noise
    high = min(bound + noise, 1.0) if leap else 1.0
    tau_s, tau = _time_constant(time[:full], share[:full], noise)
    return Closing(Interval(max(low - noise, 0.0), max(high, low)), tau_s, tau, False)


def _shares(link: Trace, pack: Trace, start_s: float, stop_s: float) -> tuple[F64, F64]:
    rows = slice(*np.searchsorted(link.time_s, (start_s, stop_s)).tolist())
    time = link.time_s[rows]
    volts = near(pack, time)
    known = np.isfinite(volts) & (volts > 1.0)
    return time[known], link.value[rows][known] / volts[known]


def _ratio(share: F64, settled: np.ndarray) -> tuple[float, float]:
    """Link over pack once closed, and the share that it may be wrong by."""
    if settled.sum() >= 3:
        ratio = float(np.median(share[settled]))
        if RATIO[0] < ratio < RATIO[1]:
            return ratio, 0.0
    return 1.0, GAIN_SHARE


def _noise(link: Trace, pack: Trace, share: F64, settled: np.ndarray) -> float:
    """Two standard deviations of a share, from the readings once closed."""
    volts = float(np.median(pack.value))
    rounding = (link.step + pack.step) / sqrt(12.0) / max(volts, 1.0)
    scatter = float(np.std(share[settled])) if settled.sum() >= FEWEST else 0.002
    return 2.0 * max(min(scatter, 0.01), rounding, 0.0005)


def _bound(time: F64, share: F64, full: int, starts_by: float) -> float:
    """The highest share that the charge can have come to by the first full reading.

    Infinite where the charge may have begun only after the reading two before it.
    """
    last, first = full - 1, full - 2
    gap = float(time[full] - time[last])
    if time[last] >= starts_by > -inf and share[last] < STARTED:
        return float(share[last])  # told for long, and nothing rises: there is no charge
    if first < 0 or (share[first] < STARTED and time[first] < starts_by):
        return inf
    if share[first] < STARTED and starts_by == -inf:
        return inf
    slope = float(share[last] - share[first]) / float(time[last] - time[first])
    return float(share[last]) + max(slope, 0.0) * gap


def _time_constant(time: F64, share: F64, noise: float) -> tuple[float, Interval]:
    """T of v = a - b exp(-t/T) over the rising readings, and where it lies (95 %)."""
    rising = share > STARTED
    if rising.sum() < FEWEST + 1:
        return float("nan"), UNKNOWN
    at, value = time[rising] - time[rising][0], share[rising]
    if value[0] > 0.7 or np.ptp(value) < 0.1:
        return float("nan"), UNKNOWN
    freedom = len(value) - 3
    from scipy.special import stdtrit

    gate = float(stdtrit(freedom, 0.975)) ** 2
    # First over all that may be, then finely over what is left of it.
    span = np.log(0.2 * float(np.min(np.diff(at)))), np.log(60.0)
    for _ in range(3):
        trial = np.exp(np.linspace(*span, TRIALS))
        error = _misfit(at, value, trial)
        best = int(np.argmin(error))
        variance = max(float(error[best]) / freedom, (noise / 2.0) ** 2)
        inside = np.flatnonzero(error <= float(error[best]) + variance * gate)
        first, last = int(inside[0]) - 1, int(inside[-1]) + 1
        if first < 0 or last >= TRIALS:
            return float("nan"), UNKNOWN
        span = np.log(trial[first]), np.log(trial[last])
    return float(trial[best]), Interval(float(trial[first]), float(trial[last]))


def _misfit(at: F64, value: F64, trial: F64) -> F64:
    """Sum of squares left by v = a - b exp(-t/T), a and b at their best, for each T."""
    decay = np.exp(-at[None, :] / trial[:, None])
    centred, target = decay - decay.mean(axis=1, keepdims=True), value - value.mean()
    slope = (centred @ target) / np.maximum((centred**2).sum(axis=1), 1e-12)
    return np.asarray(((target[None, :] - slope[:, None] * centred) ** 2).sum(axis=1), np.float64)
