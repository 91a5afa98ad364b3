"""What a module makes of its peers' curve, for each time constant tau_p and exchange e of a grid.

The equations stand in :mod:`busplan.pack.exchange`. A plate may warm as one body or place by place
as liquid flows along it; what comes n-th in its branch warms in n equal stages, as n bodies one
after another do (lumped bodies in a row: Incropera, from memory). Widths of the priors: common
practice, no source.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64

TAU_S: F64 = np.geomspace(60.0, 1200.0, 11)
SHARES: F64 = np.concatenate(
    (
        [0.001, 0.03, 0.07],
        np.linspace(0.11, 0.56, 10),
        np.linspace(0.59, 1.16, 20),
        [1.22, 1.3, 1.4, 1.52, 1.65],
    )
)
TAU_MIDDLE_S, TAU_WIDTH = 250.0, 0.55
"""tau_p is ln N(250 s, 0.55): 85 to 735 s hold 95 %."""

LEAN = 0.05
"""Sensors see this part of the liquid that passes beside them: T_s = (1 - l) T + l L."""
BESIDE = 0.65
"""Part of tau_p by which a plate trails the liquid beside it; the rest is the liquid's way there.
Half way along it is 1/(1 + NTU/2), for NTU of 1.1 (a choice, no source)."""
PLATE_BELOW = 0.9
MOST_UNITS = 60
"""What comes later than so many tau_b has not come yet."""
LOSS, LOSS_SD = 1e-4, 1e-4


def tau_prior(behind_s: float) -> F64:
    """Log weight of each tau_p (taus,) of modules that trail the first of their branch so long."""
    middle = TAU_MIDDLE_S + behind_s
    return np.asarray(
        -0.5 * (np.log(TAU_S / middle) / (TAU_WIDTH * TAU_MIDDLE_S / middle)) ** 2, np.float64
    )


def behind_s(curve: F64, first: F64, step_s: float) -> float:
    """By how long a curve trails another one [s], over the last third of the test."""
    sign = 1.0 if first[-1] >= first[0] else -1.0
    lead = np.maximum.accumulate(sign * (first - first[0]))
    late = slice(2 * len(curve) // 3, None)
    at = np.arange(len(curve)) * step_s
    reached = np.interp(sign * (curve - curve[0])[late], lead, at)
    return max(float(np.median(at[late] - reached)), 0.0)


def banks(
    curve: F64, step_s: float, taus: F64, shares: F64 = SHARES, stages: int = 1
) -> tuple[F64, F64]:
    """What each (tau, share) makes of the peers' curve, both (taus * shares, k) over its start.

    The curve low-passed by the module, and the module's own rise.
    """
    from busplan.pack.low_pass_kernels import low_passed

    passed = low_passed(curve, step_s, (taus[:, None] / shares).ravel())
    risen = curve - curve[0]
    near = low_passed(curve, step_s, LEAN * taus / stages)
    rise = np.empty_like(passed)
    for g, tau in enumerate(taus):
        liquid = risen / LEAN - (1.0 / LEAN - 1.0) * near[g]
        block = slice(g * len(shares), (g + 1) * len(shares))
        rise[block] = risen - (1.0 - LEAN) * near[g]
        rise[block] += (1.0 - LEAN) * low_passed(liquid, step_s, tau / stages / shares)
    each = (taus[:, None] / stages / shares).ravel()
    share = np.tile(shares, len(taus))
    for _ in range(stages - 1):
        for row in range(len(rise)):
            late = low_passed(rise[row], step_s, each[row : row + 1])[0]
            rise[row] = share[row] * rise[row] + (1.0 - share[row]) * late
    return passed, rise


def plates(curve: F64, step_s: float, taus: F64) -> tuple[F64, F64]:
    """As :func:`banks`, of a place on a plate along which liquid flows as plugs.

    Body and wall beside the liquid trail it by tau_b = ``BESIDE`` tau_p at every place; on its way
    the liquid gives its heat to them, so what passes a place further on is exp(-N q/(1 + q)) of
    what passed before, q = s tau_b, N the transfer units between (Anzelius, Z. angew. Math. Mech.
    6, 1926; from memory). Less flow makes more units of the same plate: N tau_b is the extra lag.
    By series that is a mean of 0, 1, 2 ... low passes of tau_b in a row, weighted as Poisson's N
    says. With losses q is (s + loss) tau_b; by their first order they take N tau_b times what is
    passed twice more.
    """
    from scipy.special import gammaln

    from busplan.pack.low_pass_kernels import in_a_row

    late = int(np.searchsorted(SHARES, PLATE_BELOW))
    units = (1.0 / SHARES[:late, None] - 1.0) / BESIDE
    count = np.arange(MOST_UNITS + 1)
    weight = np.exp(count * np.log(units) - units - gammaln(count + 1.0))
    passed, rise = np.zeros((2, len(taus) * len(SHARES), len(curve)))
    for g, tau in enumerate(taus):
        block = slice(g * len(SHARES), g * len(SHARES) + late)
        in_a_row(curve, step_s, BESIDE * float(tau), weight, rise[block], passed[block])
    return passed, rise


LIQUID_LAG_S: F64 = np.array([8.0, 16.0, 30.0, 55.0, 90.0])
UNLEVEL_LIQUID_K, LEVEL_LIQUID_K = 1.0, 0.2
"""By how much the liquid's sensor may be off against the modules' without a level start, and by how
much beyond what was seen with one: rounding, and what is not quite at rest (choices)."""
LIQUID_DELAY_S: F64 = np.array([0.0, 7.0, 14.0, 28.0])


def liquid_likelihood(
    curve: F64, step_s: float, liquid: F64, sd: F64, level_s: float | None
) -> F64:
    """Log likelihood of each tau_p (taus,) when the peers' curve is to follow this liquid.

    Lag of the sensors (8 to 90 s) and the way from inlet to modules (0 to 28 s) are averaged over.
    While all stand level, until ``level_s`` (``None``: they never do), liquid and modules read
    apart by their sensors or are apart: by no more than they read are they apart later.
    """
    from busplan.pack.exchange_kernels import UNKNOWNS, WAVES, solve
    from busplan.pack.low_pass_kernels import low_passed

    at = np.arange(len(curve)) * step_s
    pick = np.unique(np.linspace(0, len(curve) - 1, 60).astype(np.int64))
    length = float(at[-1])
    weight = np.full(len(pick), 1.0 / (0.1 + 0.02 * np.ptp(curve)) ** 2)
    found = np.empty((len(TAU_S), len(LIQUID_LAG_S), len(LIQUID_DELAY_S)))
    normal, solution = np.empty((UNKNOWNS, UNKNOWNS)), np.empty(UNKNOWNS)
    heavy = np.empty(len(pick))
    apart = UNLEVEL_LIQUID_K + float(sd[0])
    if level_s is not None and (liquid[:, 0] <= level_s).any():
        begun = float(liquid[liquid[:, 0] <= level_s, 1].mean())
        apart = float(np.hypot(LEVEL_LIQUID_K, begun - curve[0]))
    for d, delay in enumerate(LIQUID_DELAY_S):
        arrived = np.interp(at - delay, liquid[:, 0], liquid[:, 1])
        for a, lag in enumerate(LIQUID_LAG_S):
            slow = low_passed(arrived, step_s, np.array([lag]))[0]
            bodies = low_passed(slow, step_s, TAU_S)
            for t, tau in enumerate(TAU_S):
                rise = bodies[t][pick]
                gap = float(np.sqrt(np.mean((slow[pick] - rise) ** 2)))
                lost = low_passed(bodies[t], step_s, np.array([tau]))[0][pick] * tau
                design = np.empty((UNKNOWNS, len(pick)))
                design[0] = apart
                design[1] = np.exp(-at[pick] / tau) * (2.0 + sd[1])
                design[2] = -lost * sd[2]
                for j in range(1, WAVES + 1):
                    wave = (sd[3] + sd[4] * gap) / j
                    design[2 + j] = wave * np.cos(j * np.pi * at[pick] / length)
                residual = curve[pick] - curve[0] - rise + sd[5] * lost
                found[t, a, d] = solve(design, residual, weight, heavy, normal, solution)
    top = found.max()
    return np.asarray(np.log(np.exp(found - top).mean(axis=(1, 2)) + 1e-300), np.float64)
