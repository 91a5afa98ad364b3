"""Compiled kernels of the warm-up test: curves low-passed once, and many times in a row.

Imported only where used (numba); slow twins in ``tests/support/slow_exchange.py``.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64
from busplan.kernels import kernel


@kernel
def low_passed(curve: F64, step_s: float, tau_s: F64) -> F64:
    """First-order low pass of ``curve - curve[0]`` for each time constant, (k,) → (taus, k).

    Starts at rest, exact for a curve that is straight between its points.
    """
    out = np.empty((len(tau_s), len(curve)))
    for row in range(len(tau_s)):
        x = step_s / tau_s[row]
        decay = np.exp(-x)
        after = 1.0 + np.expm1(-x) / x
        before = -np.expm1(-x) / x - decay
        state = 0.0
        out[row, 0] = 0.0
        for k in range(1, len(curve)):
            state = (
                decay * state + before * (curve[k - 1] - curve[0]) + after * (curve[k] - curve[0])
            )
            out[row, k] = state
    return out


@kernel
def in_a_row(curve: F64, step_s: float, own_s: float, weight: F64, mean: F64, later: F64) -> None:
    """Means of 0, 1, 2 ... low passes of ``own_s`` in a row, and of two more each.

    ``weight`` (shares, n) says how much each counts; ``mean`` and ``later`` (shares, k) are filled.
    """
    count = weight.shape[1]
    tau = np.array([own_s])
    row = curve - curve[0]
    mean[:], later[:] = 0.0, 0.0
    for k in range(count + 2):
        for j in range(len(weight)):
            if k < count and weight[j, k] > 1e-7:
                for i in range(len(row)):
                    mean[j, i] += weight[j, k] * row[i]
            if k >= 2 and weight[j, k - 2] > 1e-7:
                for i in range(len(row)):
                    later[j, i] += weight[j, k - 2] * row[i]
        row = low_passed(row, step_s, tau)[0]
