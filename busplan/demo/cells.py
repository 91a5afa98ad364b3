"""The demo's traction pack as an electrical circuit: 96 cells in series, all figures invented.

Each cell is an open-circuit voltage behind a series resistance and one resistor-capacitor pair::

    v = U(z) − I·R0 − u1,    dz/dt = −I / (3600·Q),    du1/dt = I/C1 − u1/(R1·C1)

with ``I`` [A] positive while the pack discharges, ``z`` the state of charge (0 to 1), ``Q`` [Ah].
(First-order equivalent circuit as found in any battery-modelling textbook; common practice.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import F64

CELLS = 96
CAPACITY_AH = 120.0
RESISTANCE_OHM = 0.45e-3
"""Series resistance of an ordinary cell."""
PAIR_RESISTANCE_OHM = 0.25e-3
PAIR_TIME_S = 25.0
"""Time constant R1·C1 of the resistor-capacitor pair."""
PEAK_CURRENT_A = 380.0

WEAK_CELL = 53
WEAK_CELL_EXTRA_SAG_V = 0.060
"""How much more cell 53 sags than its peers at the peak current."""
WEAK_CELL_EXTRA_OHM = WEAK_CELL_EXTRA_SAG_V / PEAK_CURRENT_A
FULL_CELL = 17
FULL_CELL_EXTRA_CHARGE = 0.025
"""How far cell 17's state of charge is ahead of its peers, so that it tops first."""


@dataclass(frozen=True)
class Cells:
    """The cells of the string, arrays of shape ``(96,)`` in string order.

    ``charge`` is the state of charge at the start (0 to 1), ``capacity`` [Ah], ``resistance`` and
    ``pair_resistance`` [Ω], ``pair_time`` [s].
    """

    charge: F64
    capacity: F64
    resistance: F64
    pair_resistance: F64
    pair_time: float = PAIR_TIME_S

    def with_weak_cell(self) -> Cells:
        """The same cells, but cell 53 is an average cell with a raised series resistance."""
        columns = {
            name: getattr(self, name).copy()
            for name in ("charge", "capacity", "resistance", "pair_resistance")
        }
        for column in columns.values():
            column[WEAK_CELL - 1] = np.median(column)
        columns["resistance"][WEAK_CELL - 1] += WEAK_CELL_EXTRA_OHM
        return replace(self, **columns)

    def aged(self, resistance: float, capacity: float, *, tired: float = 0.0) -> Cells:
        """The same cells after years, all alike; cell 53 has ``tired`` more of its resistance."""
        more = np.full(CELLS, 1.0 + resistance)
        more[WEAK_CELL - 1] *= 1.0 + tired
        return replace(
            self,
            capacity=self.capacity * (1.0 + capacity),
            resistance=self.resistance * more,
            pair_resistance=self.pair_resistance * more,
        )

    def with_full_cell(self) -> Cells:
        """The same cells, but cell 17 is charged further than its peers."""
        charge = self.charge.copy()
        charge[FULL_CELL - 1] = np.median(self.charge) + FULL_CELL_EXTRA_CHARGE
        return replace(self, charge=charge)


def make_cells(charge: float, seed: int) -> Cells:
    """Healthy cells at a mean state of charge, scattered as good cells of one batch are."""
    random = np.random.default_rng([seed, 96])
    return Cells(
        charge=charge + 0.0015 * _scatter(random),
        capacity=CAPACITY_AH * (1 + 0.004 * _scatter(random)),
        resistance=RESISTANCE_OHM * (1 + 0.015 * _scatter(random)),
        pair_resistance=PAIR_RESISTANCE_OHM * (1 + 0.015 * _scatter(random)),
    )


def _scatter(random: np.random.Generator) -> F64:
    """Standard normal numbers without far outliers: a maker sorts those out."""
    return np.clip(random.standard_normal(CELLS), -2, 2)


def open_circuit_voltage(charge: npt.ArrayLike) -> F64:
    """Open-circuit voltage [V] of an invented NMC cell over its state of charge (0 to 1).

    A smooth rising curve from 3.00 V empty to 4.19 V full, with the steep foot such cells have:
    ``U = 3.43 + 0.68 z + 0.08 z² − 0.43 exp(−z/0.05)``.
    """
    z = np.asarray(charge, np.float64)
    return np.asarray(3.43 + 0.68 * z + 0.08 * z**2 - 0.43 * np.exp(-z / 0.05), np.float64)


def charge_over_time(cells: Cells, current: F64, step_s: float) -> F64:
    """State of charge of each cell, shape ``(n, 96)``, counting the charge of ``current`` [A].

    The current is linear between its samples (trapezoidal rule).
    """
    moved = np.zeros(len(current))
    np.cumsum((current[1:] + current[:-1]) / 2 * step_s, out=moved[1:])
    return cells.charge - moved[:, None] / (3600 * cells.capacity)


def pair_current(current: F64, step_s: float, time_constant_s: float) -> F64:
    """Current through the resistor of a resistor-capacitor pair [A], at rest at the start.

    Exact for a current that is constant over each step:
    ``i[k+1] = a·i[k] + (1 − a)·I[k]`` with ``a = exp(−step/τ)``.
    """
    from scipy.signal import lfilter

    a = float(np.exp(-step_s / time_constant_s))
    return np.asarray(lfilter([0, 1 - a], [1, -a], current), np.float64)


def cell_voltages(cells: Cells, current: F64, step_s: float) -> F64:
    """Terminal voltage of each cell [V], shape ``(n, 96)``, under ``current`` [A] ``(n,)``."""
    through = pair_current(current, step_s, cells.pair_time)
    return np.asarray(
        open_circuit_voltage(charge_over_time(cells, current, step_s))
        - current[:, None] * cells.resistance
        - through[:, None] * cells.pair_resistance,
        np.float64,
    )
