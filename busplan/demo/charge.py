"""Charging the demo's pack: constant current, then a taper that holds the highest cell. Invented.

The battery master asks for the current that keeps the highest cell at or below the hold voltage:
``I = min(I_max, (V_hold − U(z_max) − u1)/R_max)`` with the cell circuit of ``cells``.
"""

from __future__ import annotations

import numpy as np

from busplan.demo.cells import Cells, open_circuit_voltage
from busplan.frames.columns import F64

CHARGE_CURRENT_A = 50.0
"""About 20 kW: what three phases of 32 A give."""
HOLD_VOLTAGE_V = 4.195
RAMP_A_S = 4.0
"""How fast the charger raises its current."""


def charge_current(cells: Cells, duration_s: float, start_s: float, step_s: float = 0.1) -> F64:
    """Charging current [A], positive into the pack, ``(n,)``; 0 before ``start_s``."""
    n = round(duration_s / step_s) + 1
    current = np.zeros(n)
    z, pair = cells.charge.copy(), np.zeros(len(cells.charge))
    decay = float(np.exp(-step_s / cells.pair_time))
    now = 0.0
    for i in range(n):
        if i * step_s >= start_s:
            # Charging lifts the terminals: v = U + I·R0 + u1, in the direction of charging.
            allowed = (HOLD_VOLTAGE_V - open_circuit_voltage(z) - pair) / cells.resistance
            wanted = min(CHARGE_CURRENT_A, max(float(allowed.min()), 0.0))
            now = min(wanted, now + RAMP_A_S * step_s)
        current[i] = now
        z = z + now * step_s / (3600 * cells.capacity)
        pair = decay * pair + (1 - decay) * now * cells.pair_resistance
    return current
