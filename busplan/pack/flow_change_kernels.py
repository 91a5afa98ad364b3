"""Compiled kernels of flow that changes during a warm-up; the equations: ``flow_change.py``.

Imported only where used (numba); slow twins in ``tests/support/slow_exchange.py``.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.kernels import kernel
from busplan.pack.exchange_kernels import WAVES, solve


@kernel
def changed_rises(
    curve: F64, step_s: float, tau_s: float, knot: I64, shares: F64, out: F64
) -> None:
    """Rise over the start of a module whose exchange changes, ``out`` (times, e, e, k).

    ``knot`` (times,) are the points of the curve from which the second share holds.
    """
    for c in range(len(knot)):
        for a in range(len(shares)):
            for b in range(len(shares)):
                share, own = shares[a], 0.0
                decay = np.exp(-step_s * share / tau_s)
                out[c, a, b, 0] = 0.0
                for k in range(1, len(curve)):
                    if k - 1 == knot[c]:
                        own = out[c, a, b, k - 1] - shares[b] * (curve[k - 1] - curve[0])
                        share = shares[b]
                        decay = np.exp(-step_s * share / tau_s)
                    middle = 0.5 * (curve[k] + curve[k - 1]) - curve[0]
                    own = decay * own + (1.0 - decay) * (1.0 - share) * middle
                    out[c, a, b, k] = own + share * (curve[k] - curve[0])


@kernel
def change_likelihood(
    begin: int,
    end: int,
    time_s: F64,
    value: F64,
    sigma: F64,
    curve: F64,
    step_s: float,
    rises: F64,
    tau_s: float,
    sd: F64,
    stop_s: float,
    out: F64,
) -> None:
    """Log likelihood of one sensor for each change, ``out`` (times, e, e), as ``rises``.

    ``sd``: of offset, start difference, wave base [K] and share of the gap.
    """
    n = end - begin
    unknowns = 2 + WAVES
    design = np.empty((unknowns, n))
    residual = np.empty(n)
    weight = np.empty(n)
    heavy = np.empty(n)
    spot = np.empty(n, np.int64)
    part = np.empty(n)
    own = np.empty(n)
    waves = np.empty((n, WAVES))
    normal = np.empty((unknowns, unknowns))
    solution = np.empty(unknowns)
    for k in range(n):
        at = time_s[begin + k]
        spot[k] = min(int(at / step_s), len(curve) - 2)
        part[k] = at / step_s - spot[k]
        own[k] = curve[spot[k]] + part[k] * (curve[spot[k] + 1] - curve[spot[k]])
        weight[k] = 1.0 / sigma[begin + k] ** 2
        design[0, k] = sd[0]
        design[1, k] = sd[1] * np.exp(-at / tau_s)
        for j in range(1, WAVES + 1):
            waves[k, j - 1] = np.cos(j * np.pi * at / stop_s) / j
    for c in range(out.shape[0]):
        for a in range(out.shape[1]):
            for b in range(out.shape[2]):
                gap = 0.0
                for k in range(n):
                    low = rises[c, a, b, spot[k]]
                    model = curve[0] + low + part[k] * (rises[c, a, b, spot[k] + 1] - low)
                    residual[k] = value[begin + k] - model
                    gap += (model - own[k]) ** 2
                wave = sd[2] + sd[3] * np.sqrt(gap / n)
                for k in range(n):
                    for j in range(WAVES):
                        design[2 + j, k] = wave * waves[k, j]
                out[c, a, b] = solve(design, residual, weight, heavy, normal, solution)
