"""Flow that changes during the test: air that clears, a branch that closes, a sensor that freezes.

With the exchange e before a moment and another after it, the rise x of a module over its start
follows its peers' curve R by x = e R + u, u' = (e/tau_p) ((1 - e) R - u), where u starts anew at
the change so that x is continuous. A change is told when the best of these models is likelier than
the best without one by ``LEAST_RATIO`` in the logarithm, for all sensors of the module together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.pack.exchange import PeerFit
from busplan.pack.exchange_model import TAU_S
from busplan.pack.exchange_verdict import SLOW
from busplan.pack.thermal_observations import Observations

LEAST_RATIO = 14.0
"""Log of the likelihood ratio; air that clears and sensors that freeze give far more."""
LEAST_CHANGE = 0.35
"""The exchange must change by so much of the peers' at least."""
LEAST_BEFORE = 0.15
"""Part of their rise that the peers must have made before it; one of both sides must be starved."""
TIMES = 10
CHANGED: F64 = np.array([0.005, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.35])


@dataclass(frozen=True, slots=True)
class FlowChange:
    """From ``time_s`` of the capture on the exchange is ``after``, no longer ``before``."""

    time_s: float
    before: float
    after: float

    @property
    def clears(self) -> bool:
        """Whether more flows afterwards."""
        return self.after > self.before


def find_change(
    seen: Observations, places: Sequence[tuple[PeerFit, int]], length_s: float, start_s: float
) -> FlowChange | None:
    """The change of one module, by fit and row of its sensors; ``None`` without one."""
    from busplan.pack.flow_change_kernels import change_likelihood

    # Better than constant by the ratio it can only be where constant is that bad.
    if not places or max(float(fit.misfit[row]) for fit, row in places) < 2.0 * LEAST_RATIO:
        return None
    total = np.zeros((TIMES, len(CHANGED), len(CHANGED)))
    one = np.empty_like(total)
    for fit, row in places:
        sensor = fit.members[row]
        tau = float(TAU_S[int(np.argmax(fit.tau))])
        change_likelihood(
            int(seen.first[sensor]),
            int(seen.first[sensor + 1]),
            seen.time_s,
            seen.value,
            seen.sigma * fit.noise,
            fit.curve,
            fit.step_s,
            changed_of(fit),
            tau,
            fit.sd[row, [0, 1, 3, 4]],
            length_s,
            one,
        )
        total += one
    same = np.arange(len(CHANGED))
    constant = float(total[:, same, same].max())
    best = np.unravel_index(int(np.argmax(total)), total.shape)
    before, after = float(CHANGED[best[1]]), float(CHANGED[best[2]])
    if total[best] - constant <= LEAST_RATIO or abs(after - before) < LEAST_CHANGE:
        return None
    fit = places[0][0]
    knot = int(change_knots(fit)[best[0]])
    risen = (fit.curve[knot] - fit.curve[0]) / (fit.curve[-1] - fit.curve[0])
    if min(before, after) >= SLOW or risen < LEAST_BEFORE:
        return None
    at = knot * fit.step_s
    return FlowChange(start_s + float(at), before, after)


def change_knots(fit: PeerFit) -> I64:
    """The points of the curve at which a change is tried."""
    return (np.linspace(0.12, 0.92, TIMES) * (len(fit.curve) - 1)).astype(np.int64)


@lru_cache(maxsize=4)
def changed_of(fit: PeerFit) -> F64:
    """Rises of modules with each change, (times, e, e, k)."""
    from busplan.pack.flow_change_kernels import changed_rises

    out = np.empty((TIMES, len(CHANGED), len(CHANGED), len(fit.curve)))
    tau = float(TAU_S[int(np.argmax(fit.tau))])
    changed_rises(fit.curve, fit.step_s, tau, change_knots(fit), CHANGED, out)
    return out
