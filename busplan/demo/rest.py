"""The demo's pack at rest after a drive: its cells settle, one leaks. Invented.

    v = U(z) − Σ a_j·exp(−t/τ_j),    dz/dt = −I_leak/(3600·Q)

After a discharge the voltage climbs back by slow relaxations. References measured on one cell put a
median of 4 to 11 mV still to go five minutes after a load and 1 to 2 mV after half an hour.
"""

from __future__ import annotations

import numpy as np

from busplan.demo.cells import CELLS, Cells, open_circuit_voltage
from busplan.frames.columns import F64

LEAKING_CELL = 71
LEAK_MV_H = 0.6
"""How much faster cell 71 falls than its peers."""
SETTLING = ((0.009, 320.0), (0.0025, 3000.0))
"""What is left of the drive when the rest begins: amplitude [V], time constant [s]."""


def leak_a(cells: Cells) -> F64:
    """Current out of each cell besides the pack's [A], ``(96,)``: only cell 71 leaks."""
    i = LEAKING_CELL - 1
    at = float(cells.charge[i])
    slope = (open_circuit_voltage(at + 0.005) - open_circuit_voltage(at - 0.005)) / 0.01
    leak = np.zeros(CELLS)
    leak[i] = LEAK_MV_H / 1000 * cells.capacity[i] / float(slope)
    return leak


def resting(cells: Cells, leak: F64, time_s: F64, seed: int) -> tuple[F64, F64]:
    """Voltage [V] and charge of each cell over a rest, both ``(n, 96)``."""
    random = np.random.default_rng([seed, 71])
    charge = cells.charge - time_s[:, None] * leak / (3600 * cells.capacity)
    volts = open_circuit_voltage(charge)
    for amplitude, time in SETTLING:
        own = 1 + 0.06 * np.clip(random.standard_normal((2, CELLS)), -2, 2)
        volts = volts - amplitude * own[0] * np.exp(-time_s[:, None] / (time * own[1]))
    return volts, charge
