"""From the likelihood of a module's exchange to an interval and a verdict.

The likelihood is taken relative to the median peer and blurred by how well that is known. The
interval has a flat prior. **Slow**: the readings are so many times as likely of exchanges below
``SLOW`` as of peers that scatter by ``natural`` about 1, and with a flat prior the module lies
below ``SLOW`` with so much probability (:class:`Needed`). **With the others**: the interval lies
above ``CLEAR_ABOVE`` (half the flow is excluded) and from even odds it is not slow with ``SURE``.
All else is open.

All bounds are choices, no source. Without a liquid temperature no healthy module of 1,180 packs
(loops and plates of ``tests/truth``) passed: the nearest had odds of 510 with a flat probability of
0.83, and 188 with 0.873. With one three did in 4,128 packs, with odds of 20 to 23.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from busplan.answers import UNKNOWN, Interval
from busplan.frames.columns import F64
from busplan.pack.exchange import PeerFit
from busplan.pack.exchange_model import SHARES, TAU_S
from busplan.pack.statistics import mad_sigma

SLOW = 0.75
"""Exchange relative to peers under which a module is slow."""
NO_FLOW = 0.15
"""Under this little or nothing flows: what is left is conduction. Less is not told apart."""
CLEAR_ABOVE = 0.65
"""Half the flow leaves an exchange of about 0.6 of the peers' in an ordinary plate."""
SURE = 0.95
SHAPE, SHAPE_LOW = 0.2, 0.15
"""Plates warm as a front or as a body: a low exchange may be higher by the first part of what
lacks, and lower by the second part of it times itself."""
LEAST_NATURAL = 0.05
"""Least natural scatter of ln e over healthy peers."""
COMMON = 0.5
"""Two sensors of a module share lag and place: each further one counts for less."""
DIFFER_SURE = 4.0
"""Two sensors differ when they do by so many standard deviations."""
DIFFER_BY_PLACE = 0.06
"""Standard deviation by which two sound sensors differ anyway: seat, lag and place (a choice)."""
DOUBT_SURE = 2.5
"""From so many on one of the two may be right alone, so the module is as either says."""
FEWEST_PEERS = 3
FINE: F64 = np.linspace(0.004, 1.65, 275)
"""Shares on which posteriors are integrated."""
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)


class Needed(NamedTuple):
    """What must speak for slow before a module is called so: odds, and flat probability."""

    odds: float
    sure: float


ORDINARY = Needed(30.0, 0.88)
LIQUID_KNOWN = Needed(12.0, 0.86)
"""A liquid temperature fixes tau_p, which a long lag of the peers could else be mistaken for."""
DOUBTFUL = Needed(360.0, 0.95)
"""Where the cells warm themselves, the start is not level, or modules come in series."""


@dataclass(frozen=True, slots=True)
class PeerScatter:
    """What a group says of its healthy modules, all of ln e: their natural scatter, how well their
    median is known, and how well each of ``peers`` is (``own``)."""

    natural: float
    blur: float
    peers: int
    own: float = 0.0


@dataclass(frozen=True, eq=False)
class Exchange:
    """The exchange of one module: most likely value, 95 % interval, sureness and extra lag.

    ``slow_odds`` is how many times likelier the readings are of a slow module than of a sound one,
    ``slow_even`` and ``flat_sure`` the probabilities of an exchange below ``SLOW`` from even odds
    and with a flat prior. ``doubtful``: the test was run so that more must speak for slow.
    ``lag_s`` is by how much its cells trail
    the liquid longer than the peers' do, with its interval.
    """

    value: float
    interval: Interval
    slow_odds: float
    flat_sure: float
    needed: Needed
    lag_s: float
    lag: Interval

    @property
    def slow_even(self) -> float:
        """Probability of being slow from even odds."""
        return self.slow_odds / (1.0 + self.slow_odds)

    @property
    def slow(self) -> bool:
        """Shown to be slow, or without flow."""
        return self.slow_odds > self.needed.odds and self.flat_sure > self.needed.sure

    @property
    def no_flow(self) -> bool:
        """Shown to be slow, and most likely below ``NO_FLOW``."""
        return self.slow and self.value < NO_FLOW

    @property
    def clear(self) -> bool:
        """Shown to come with the others."""
        return self.interval.low > CLEAR_ABOVE and self.slow_even < 1.0 - SURE


OPEN = Exchange(float("nan"), UNKNOWN, float("nan"), float("nan"), ORDINARY, float("nan"), UNKNOWN)


def middle_of(fit: PeerFit) -> float:
    """The median peer's share: the curve is theirs only in the mean, and nearly."""
    values = [
        float(np.log(_peak(_log_sum(fit.likelihood[i] + fit.tau[:, None]))))
        for i in np.flatnonzero(fit.peers)
    ]
    return float(np.exp(np.median(values))) if values else 1.0


def relative(likelihood: F64, middle: float) -> F64:
    """Log likelihoods (n, taus, shares) by shares of the median peer's instead of the curve's."""
    at = SHARES * middle
    flat = likelihood.reshape(-1, len(SHARES))
    return np.array([np.interp(at, SHARES, row) for row in flat]).reshape(likelihood.shape)


def combine(likelihood: F64, tau: F64) -> F64:
    """Log likelihood of a module from those of its sensors, (n, taus, shares) → (taus, shares).

    Sensors that can hardly both be right about one exchange (places along a starved plate differ)
    are mixed: the module may be as any of them says.
    """
    if differing(likelihood, tau, DOUBT_SURE) is not None:
        top = likelihood.max(axis=(1, 2), keepdims=True)
        mixed = np.exp(likelihood - top).mean(axis=0)
        return np.asarray(np.log(np.maximum(mixed, 1e-300)), np.float64)
    return np.asarray(likelihood.sum(axis=0) / (1.0 + COMMON * (len(likelihood) - 1)), np.float64)


def differing(likelihood: F64, tau: F64, sure: float = DIFFER_SURE) -> tuple[int, int] | None:
    """Which sensors of a module say the least and the greatest exchange, when both cannot be right.

    They must differ by ``sure`` standard deviations; tau_p is common to all, so it is held at its
    most likely value. ``None`` when they agree.
    """
    if len(likelihood) < 2:
        return None
    at = int(np.argmax((likelihood.sum(axis=0) + tau[:, None]).max(axis=1)))
    along = likelihood[:, at]
    mass = np.exp(along - along.max(axis=1, keepdims=True)) * np.gradient(SHARES)
    mass /= mass.sum(axis=1, keepdims=True)
    mean = mass @ SHARES
    sd = np.sqrt(np.maximum(mass @ SHARES**2 - mean**2, 0.0))
    low, high = int(np.argmin(mean)), int(np.argmax(mean))
    doubt = float(np.sqrt(sd[low] ** 2 + sd[high] ** 2 + DIFFER_BY_PLACE**2))
    if mean[high] - mean[low] <= sure * doubt:
        return None
    return low, high


def peer_scatter(totals: Sequence[F64], tau: F64) -> PeerScatter:
    """Scatter of the peers by their log likelihoods (taus, shares)."""
    if not totals:
        return PeerScatter(LEAST_NATURAL, 1.0, 0)
    alongs = [_log_sum(total + tau[:, None]) for total in totals]
    values = np.log([_peak(along) for along in alongs])
    own = float(np.median([_width(along) for along in alongs]))
    spread = float(np.nan_to_num(mad_sigma(values)))
    natural = max(spread**2 - own**2, LEAST_NATURAL**2) ** 0.5
    return PeerScatter(natural, _blur(natural, own, len(values)), len(values), own)


def sharper(scatter: PeerScatter, totals: Sequence[F64], tau: F64) -> PeerScatter:
    """The same peers where each is known as well as these healthy modules are."""
    own = float(np.median([_width(_log_sum(total + tau[:, None])) for total in totals]))
    return replace(scatter, blur=_blur(scatter.natural, own, scatter.peers))


def _blur(natural: float, own: float, peers: int) -> float:
    """How well the median of the peers is known (ln e): 1.25 times what their mean would be."""
    return float(1.25 * np.hypot(natural, own) / np.sqrt(max(peers - 1, 1)))


def judge(
    total: F64,
    tau: F64,
    scatter: PeerScatter,
    more_blur: float = 0.0,
    needed: Needed = ORDINARY,
) -> Exchange:
    """The exchange of a module from its log likelihood (taus, shares) and the weight of tau_p.

    ``more_blur`` is what the way the test was run adds to the uncertainty of ln e.
    """
    joint = total + tau[:, None]
    along = _log_sum(joint)
    blur = float(np.hypot(scatter.blur, more_blur))
    density = np.zeros(len(FINE))
    top = float(along.max())
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        at = FINE * np.exp(blur * node)
        value = np.interp(at, SHARES, along - top)
        # Beyond the grid nothing was reckoned: what is there counts as its edge does.
        density += weight * np.exp(value)
    flat = density / density.sum()
    low, high = (float(v) for v in np.interp((0.025, 0.975), np.cumsum(flat), FINE))
    high += SHAPE * max(1.0 - high, 0.0)
    best = float(FINE[int(np.argmax(density))])
    if best < SLOW:
        low *= 1.0 - SHAPE_LOW * (1.0 - low)
    if best < NO_FLOW:
        low = 0.0  # less is not told apart
    below = FINE < SLOW
    for_slow = float(density[below].mean())
    healthy = np.exp(-0.5 * (np.log(FINE) / scatter.natural) ** 2) / FINE
    for_healthy = float((density * healthy).sum() / healthy.sum())
    lag_s, lag = _lag(joint, scatter)
    return Exchange(
        value=best,
        interval=Interval(low, high),
        slow_odds=for_slow / max(for_healthy, 1e-300),
        flat_sure=float(flat[below].sum()),
        needed=needed,
        lag_s=lag_s,
        lag=lag,
    )


def _lag(joint: F64, scatter: PeerScatter) -> tuple[float, Interval]:
    """Median and interval of tau_p/e - tau_p [s]; the shares' spacing is a flat prior."""
    mass = np.exp(joint - joint.max()) * np.gradient(SHARES)
    lag = TAU_S[:, None] * (1.0 / SHARES - 1.0)
    order = np.argsort(lag, axis=None)
    total = np.cumsum(mass.ravel()[order])
    low, middle, high = np.interp((0.025, 0.5, 0.975), total / total[-1], lag.ravel()[order])
    # How well the peers are known: their median tau_p/e by the blur.
    peer = float(TAU_S[int(np.argmax(joint.max(axis=1)))]) * scatter.blur
    reach = 1.96 * peer
    below, above = middle - low, high - middle
    return float(middle), Interval(
        float(middle - np.hypot(below, reach)), float(middle + np.hypot(above, reach))
    )


def _log_sum(joint: F64) -> F64:
    """Marginal over tau_p, (taus, shares) → (shares,)."""
    top = joint.max(axis=0)
    return np.asarray(top + np.log(np.exp(joint - top).sum(axis=0)), np.float64)


def _peak(along: F64) -> float:
    """The most likely share, between the points of the grid."""
    best = int(np.clip(np.argmax(along), 1, len(SHARES) - 2))
    (x0, x1, x2), (y0, y1, y2) = SHARES[best - 1 : best + 2], along[best - 1 : best + 2]
    left, right = (y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1)
    bend = (right - left) / (x2 - x0)
    if bend >= 0:
        return float(SHARES[int(np.argmax(along))])
    return float(np.clip((x0 + x1) / 2 - left / (2 * bend), x0, x2))


def _width(along: F64) -> float:
    """Standard deviation of ln e under a flat prior."""
    weight = np.exp(np.interp(FINE, SHARES, along) - along.max())
    logs = np.log(FINE)
    mean = float(weight @ logs / weight.sum())
    return float((weight @ (logs - mean) ** 2 / weight.sum()) ** 0.5)
