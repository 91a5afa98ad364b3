"""Solve cells with PyBaMM and keep the answers in ``tests/data/solved_cells``.

    pip install -e ".[truth]" && PYTHONPATH=tests python -m truth.make_solved_cells [CELL …]

Some minutes; the suite reads the results without PyBaMM (``solved_cells``). Single-particle model
with electrolyte (SPMe), solved once for every cell, never interpolated between cells. Parameter
sets as shipped with PyBaMM, by the works they name: Chen et al. 2020 (for development), Mohtat et
al. 2020 (held out), Prada et al. 2013 (LFP, to be refused).

A cell is a size f (its area and so its capacity against the set's), its charge at the start, its
temperature and its loss of lithium. A larger cell is the same cell under less current density, so
the current is divided by f. Currents are shares of the set's own 1C; voltages are kept at 20 uV.
Lithium loss lowers Q_Li in the electrode balance, which shifts one electrode against the other.
True resistance: pulses of 0.5, 1 and 2C up and down from rest at three charges, without the part of
the open-circuit curve.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from scipy.integrate import trapezoid

from truth.solved_store import FOLDER, LEAKS_MA, LOSSES, PULSE_C, PULSE_S, WEAK, keep
from truth.thevenin import drive_current

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"

Array = np.ndarray[Any, np.dtype[Any]]

SETS = {"chen": "Chen2020", "mohtat": "Mohtat2020", "prada": "Prada2013"}
MESH = {"x_n": 8, "x_s": 6, "x_p": 8, "r_n": 16, "r_p": 16}
DRIVES = {"chen": (11, 12), "mohtat": (21,)}


class Solver:
    """One parameter set, compiled once for each shape of current."""

    def __init__(self, cell: str) -> None:
        import pybamm

        pybamm.set_logging_level("ERROR")
        self.pybamm, self.cell = pybamm, cell
        values = pybamm.ParameterValues(SETS[cell])
        self.nominal_ah = float(values["Nominal cell capacity [A.h]"])
        self.most = [
            float(values[f"Maximum concentration in {e} electrode [mol.m-3]"])
            for e in ("negative", "positive")
        ]
        self.balance = pybamm.lithium_ion.ElectrodeSOHSolver(values)
        names = ("Q_n", "Q_p", "Q_Li")
        found = pybamm.LithiumIonParameters()
        self.amounts = {
            n: float(values.evaluate(p))
            for n, p in zip(
                names, (found.n.Q_init, found.p.Q_init, found.Q_Li_particles_init), strict=True
            )
        }
        self.low = float(values["Lower voltage cut-off [V]"])
        self.high = float(values["Upper voltage cut-off [V]"])
        values["Upper voltage cut-off [V]"], values["Lower voltage cut-off [V]"] = 6.0, 0.5
        self.values, self.ends = values, {}

    def window(self, lost: float) -> dict[str, float]:
        """Stoichiometries empty and full, and capacity [Ah], with a share of lithium lost."""
        if lost not in self.ends:
            amounts = {**self.amounts, "Q_Li": self.amounts["Q_Li"] * (1 - lost)}
            limits = {"V_min": self.low, "V_max": self.high}
            solved = self.balance.solve({**amounts, **limits})
            self.ends[lost] = {k: float(solved[k]) for k in ("x_0", "x_100", "y_0", "y_100", "Q")}
        return self.ends[lost]

    def capacity_c(self, lost: float = 0.0) -> float:
        """Capacity between the limits, in hours at 1C of the set."""
        return self.window(lost)["Q"] / self.nominal_ah

    def prepare(self, time_s: Array, rate_c: Array) -> Any:
        """A simulation of a current of straight lines, ``rate_c`` in 1C, discharge positive."""
        pybamm = self.pybamm
        values = self.values.copy()
        current = pybamm.Interpolant(time_s, rate_c * self.nominal_ah, pybamm.t)
        extra = pybamm.InputParameter("leak")
        values["Current function [A]"] = (current + extra) / pybamm.InputParameter("size")
        for electrode in ("negative", "positive"):
            name = f"Initial concentration in {electrode} electrode [mol.m-3]"
            values[name] = pybamm.InputParameter(electrode)
        for name in ("Ambient temperature [K]", "Initial temperature [K]"):
            values[name] = pybamm.InputParameter("kelvin")
        solver = pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-6)
        simulation = pybamm.Simulation(
            pybamm.lithium_ion.SPMe(), parameter_values=values, solver=solver, var_pts=MESH
        )
        return simulation, time_s

    def solve(
        self, prepared: Any, at_s: Array, *, charge: float, size: float = 1.0, lost: float = 0.0,
        celsius: float = 25.0, leak_c: float = 0.0, curve: bool = False,
    ) -> Array:  # fmt: skip
        """Terminal voltage at ``at_s`` [V], ``(n,)``; with ``curve`` less the open-circuit one."""
        simulation, corners = prepared
        ends = self.window(lost)
        x = ends["x_0"] + charge * (ends["x_100"] - ends["x_0"])
        y = ends["y_0"] + charge * (ends["y_100"] - ends["y_0"])
        inputs = {
            "size": size,
            "negative": x * self.most[0],
            "positive": y * self.most[1],
            "kelvin": celsius + 273.15,
            "leak": leak_c * self.nominal_ah,
        }
        # The solver halts at every corner of the current, so that it cannot step over one.
        solution = simulation.solve(corners, t_interp=at_s, inputs=inputs)
        volts = np.asarray(solution["Voltage [V]"](at_s))
        if curve:
            volts = volts - np.asarray(solution["Bulk open-circuit voltage [V]"](at_s))
        # Where an electrode is full the solution ends; so does any charge, long before 5 V.
        return np.where(np.isfinite(volts), volts, 5.0)

    def resistance(self, charges: tuple[float, ...], **cell: float) -> Array:
        """Mean R by pulse current and time [ohm of the set], ``(len(PULSE_C), len(PULSE_S))``."""
        told = np.zeros((len(PULSE_C), len(PULSE_S)))
        for row, rate in enumerate(PULSE_C):
            for sign in (1, -1):
                key = f"pulse {rate} {sign}"
                if key not in self.__dict__:
                    time_s = np.array([0.0, 1.0, 1.001, 12.0])
                    amps = np.array([0.0, 0.0, 1.0, 1.0]) * sign * rate
                    self.__dict__[key] = self.prepare(time_s, amps)
                at = np.array([0.5, *(1.0005 + np.array(PULSE_S))])
                for charge in charges:
                    less = self.solve(self.__dict__[key], at, charge=charge, curve=True, **cell)
                    told[row] += (less[0] - less[1:]) / (sign * rate * self.nominal_ah)
        return told / (2 * len(charges))


def corners_of(current: Array, step_s: float) -> tuple[Array, Array]:
    """Times and values at which a current of straight lines bends."""
    bend = np.flatnonzero(np.abs(np.diff(current, 2)) > 1e-9) + 1
    at = np.unique(np.concatenate([[0], bend, [len(current) - 1]]))
    return at * step_s, current[at]


def drives(solver: Solver, number: int, cells: int = 12, cold: int = 8) -> None:
    """A drive of ten minutes at up to 3C, with some cells 12 K colder."""
    time_s, rate = corners_of(drive_current(number, 600.0, peak_a=3.0), 0.01)
    prepared, grid = solver.prepare(time_s, rate), np.arange(0, 600.001, 0.02)
    rng = np.random.default_rng([number, 7201])
    used = trapezoid(rate, time_s) / 3600 / solver.capacity_c()
    volts, sizes, charges, warm, ohm = [], [], [], [], []
    for i in range(cells + cold):
        size, charge = 1 + 0.01 * rng.standard_normal(), 0.65 + 0.004 * rng.standard_normal()
        celsius = 25.0 if i < cells else 13.0
        cell = {"size": size, "celsius": celsius}
        volts.append(solver.solve(prepared, grid, charge=charge, **cell))
        ohm.append(solver.resistance((charge, charge - used / 2, charge - used), **cell))
        sizes.append(size)
        charges.append(charge)
        warm.append(celsius)
    keep(
        f"{solver.cell}_drive_{number}", np.array(volts), 0.02, corner_s=time_s, corner_c=rate,
        size=sizes, charge=charges, celsius=warm, ohm=np.array(ohm), nominal_ah=solver.nominal_ah,
        capacity_c=np.array(sizes) * solver.capacity_c(),
    )  # fmt: skip


def charges(solver: Solver, start: float, healthy: int, losses: tuple[float, ...]) -> None:
    """0.4C from ``start`` of charge, then a taper; healthy cells, weak ones, lithium lost."""
    hours = solver.capacity_c()
    flat = (0.90 - start) * hours / 0.4 * 3600
    fall = 0.25 * hours * 3600
    tail = np.linspace(0, 5 * fall / 3, 60)
    time_s = np.concatenate([[0, 20, 30], 30 + flat + tail])
    rate = np.concatenate([[0, 0, 0.4], 0.4 * np.exp(-tail / fall * 1.15)])
    grid = np.arange(0, time_s[-1], 5.0)
    prepared = solver.prepare(time_s, -rate)
    rng = np.random.default_rng([round(100 * start), 7202])
    # Kind: 0 healthy, 1 aligned when full, 2 when empty; lost lithium by its share.
    rows = [(0, 1.0, 0.0)] * healthy
    rows += [(2, w, 0.0) for w in WEAK]
    rows += [(1, w, 0.0) for w in WEAK] if start > 0.2 else []
    rows += [(1 if start > 0.2 else 2, 1.0, lost) for lost in losses]
    volts, known = [], []
    for kind, weak, lost in rows:
        size = (1 + 0.015 * rng.standard_normal()) if kind == 0 else weak
        charge = start + (0.006 * rng.standard_normal() if kind == 0 else 0.0)
        share = size * solver.capacity_c(lost) / hours
        if kind == 1:
            charge = 1 - (1 - charge) / share
        elif kind == 2:
            charge /= share
        volts.append(solver.solve(prepared, grid, charge=charge, size=size, lost=lost))
        known.append((kind, size, lost, charge, share))
    kind, size, lost, charge, share = map(np.array, zip(*known, strict=True))
    keep(
        f"{solver.cell}_charge_{round(100 * start):02}", np.array(volts), 5.0, corner_s=time_s,
        corner_c=-rate, kind=kind, size=size, lost=lost, charge=charge, capacity=share,
        nominal_ah=solver.nominal_ah, capacity_c=share * hours, high_v=solver.high,
    )  # fmt: skip


def rests(solver: Solver, healthy: int = 12) -> None:
    """15 min at 0.5C, then 24 h; healthy cells, then leaking ones (mA of a 100 Ah cell)."""
    load = 900.0
    time_s = np.array([0, 2, load, load + 2, load + 86400])
    rate = np.array([0.5, 0.5, 0.5, 0.0, 0.0])
    prepared, grid = solver.prepare(time_s, rate), np.arange(0, time_s[-1] + 1, 2.0)
    rng = np.random.default_rng(7203)
    volts, known, plain = [], [], []
    for leak in [0.0] * healthy + list(LEAKS_MA):
        size, charge = 1 + 0.01 * rng.standard_normal(), 0.66 + 0.005 * rng.standard_normal()
        # A leak of so many milliamperes in a cell of 100 Ah, as a share of 1C.
        both = {"charge": charge, "size": size}
        volts.append(solver.solve(prepared, grid, leak_c=leak / 1e5, **both))
        quiet = volts[-1] if not leak else solver.solve(prepared, grid, **both)
        plain.append((quiet - volts[-1]) * 1000)
        known.append((size, charge, leak))
    size, charge, leak = map(np.array, zip(*known, strict=True))
    keep(
        f"{solver.cell}_rest", np.array(volts), 2.0, corner_s=time_s, corner_c=rate, size=size,
        charge=charge, leak_ma=leak, lost_mv=np.array(plain)[:, ::1800].astype(np.float32),
        nominal_ah=solver.nominal_ah, capacity_c=size * solver.capacity_c(),
    )  # fmt: skip


def main(cells: list[str]) -> None:
    for cell in cells or list(SETS):
        begun = time.time()
        solver = Solver(cell)
        for number in DRIVES.get(cell, ()):
            drives(solver, number, cold=8 if number == 11 else 4)
        healthy = 14 if cell == "prada" else 28
        for start in (0.22, 0.04):
            charges(solver, start, healthy, () if cell == "prada" else LOSSES)
        if cell != "prada":
            rests(solver)
        size = sum(p.stat().st_size for p in Path(FOLDER).glob(f"{cell}_*"))
        print(f"{cell}: {time.time() - begun:.0f} s, {size / 1e3:.0f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
