"""Packs of cells that were solved by PyBaMM once and for all: a third truth for cells.

``make_solved_cells`` solved them, ``tests/data/solved_cells`` keeps the answers; PyBaMM is not
needed here. Cells: "chen" for development, "mohtat" held out, "prada" (LFP, charges only: to be
refused). A pack draws its cells from the pool (28 for charges, 12 for drives and rests; twice only
when it needs more), scales them to 100 Ah by cells in parallel, and adds a series resistance of its
own to each: what a raised cell has more, and a scatter. Series resistance is exact at every time
scale, so the truth stays the solved pulses plus it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from truth.cell_packs import CellPack, measured, module_temperatures
from truth.solved_store import LEAKS_MA, LOSSES, PULSE_C, PULSE_S, WEAK, load
from truth.thevenin import Measuring

Array = np.ndarray[Any, np.dtype[Any]]

PACK_AH = 100.0


def _options(options: dict[str, Any], **usual: Any) -> Measuring:
    return Measuring(**{**usual, **options})


def _draw(rng: np.random.Generator, pool: Array, n: int) -> Array:
    """Rows of the pool, each once before any twice."""
    rounds = [rng.permutation(pool) for _ in range(-(-n // len(pool)))]
    return np.concatenate(rounds)[:n]


def drive(
    seed: int,
    *,
    cell: str = "chen",
    number: int | None = None,
    cells: int = 24,
    per_module: int = 8,
    minutes: float = 10.0,
    raised: dict[int, float] | None = None,
    cold: tuple[int, ...] = (),
    scatter: float = 0.05,
    at_c: float = 1.0,
    joint_ohm: float = 0.0,
    **options: Any,
) -> CellPack:
    """A drive at up to 3C (300 A). ``number``: chen 11 or 12, mohtat 21 (by seed when ``None``).

    ``raised`` multiplies a cell's R(1 s) by a series resistance, ``cold`` modules are 12 K colder,
    ``scatter`` is the sd of the series resistance over R(1 s). ``resistance(t)``, t of 0.1, 1 or
    10 s, is the mean chord of pulses of ``at_c`` (0.5, 1 or 2) up and down at three charges.
    """
    how = _options(options)
    rng = np.random.default_rng([seed, 7501])
    numbers = {"chen": (11, 12), "mohtat": (21,)}[cell]
    kept = load(f"{cell}_drive_{number or numbers[seed % len(numbers)]}")
    modules = -(-cells // per_module)
    warm = module_temperatures(modules, cold=dict.fromkeys(cold, 12.0))
    of_module = np.arange(cells) // per_module
    rows = np.empty(cells, int)
    for celsius in np.unique(warm):
        here = np.flatnonzero(warm[of_module] == celsius)
        rows[here] = _draw(rng, np.flatnonzero(kept["celsius"] == celsius), len(here))
    scale = float(kept["nominal_ah"]) / PACK_AH
    solved = kept["ohm"][rows, PULSE_C.index(at_c)] * scale
    one = PULSE_S.index(1.0)
    middle = float(np.median(solved[:, one]))
    extra = middle * scatter * (3 + rng.standard_normal(cells).clip(-3, 3))
    for i, factor in (raised or {}).items():
        extra[i] += (factor - 1) * (solved[i, one] + extra[i])
    step = float(kept["step_s"])
    n = round(minutes * 60 / step) + 1
    current = np.interp(np.arange(n) * step, kept["corner_s"], kept["corner_c"]) * PACK_AH
    volts = kept["volts"][rows, :n] - extra[:, None] * current

    def resistance(after_s: float) -> Array:
        return solved[:, PULSE_S.index(after_s)] + extra

    return measured(
        volts,
        current,
        step,
        rng,
        how,
        per_module=per_module,
        module_c=warm,
        resistance=resistance,
        joint_ohm=joint_ohm,
        capacity_ah=kept["capacity_c"][rows] * PACK_AH,
        charge=float(np.median(kept["charge"][rows])),
    )


def charging(
    seed: int,
    *,
    cell: str = "chen",
    cells: int = 24,
    per_module: int = 8,
    from_charge: float = 0.22,
    to_charge: float = 1.0,
    weak: dict[int, float] | None = None,
    aligned: str = "top",
    lithium_lost: dict[int, float] | None = None,
    scatter_ohm: float = 0.075e-3,
    **options: Any,
) -> CellPack:
    """A charge at 0.4C with a taper, ended when any cell is at its upper limit.

    Solved from 22 or 4 %; other windows are cut out: a ``from_charge`` of 0.5 is taken from the run
    that began at 0.22. ``weak`` cells of 0.95, 0.90 or 0.80 of the capacity, ``aligned`` "top"
    (only in runs from 22 %) or "bottom"; ``lithium_lost`` of 0.05 or 0.10 (not for prada), at
    the top in runs from 22 %, at the bottom from 4 %. ``capacity_ah`` is true.
    """
    how = _options(options, period_s=1.0, current_hz=1.0, pack_period_s=1.0)
    rng = np.random.default_rng([seed, 7502])
    begin = 0.04 if from_charge < 0.2 else 0.22
    kept = load(f"{cell}_charge_{round(100 * begin):02}")
    kind, lost = kept["kind"], kept["lost"]
    rows = _draw(rng, np.flatnonzero((kind == 0) & (lost == 0)), cells)
    for i, share in (weak or {}).items():
        assert share in WEAK
        wanted = (kind == (1 if aligned == "top" else 2)) & (lost == 0)
        rows[i] = np.flatnonzero(wanted & (kept["size"] == share))[0]
    for i, share in (lithium_lost or {}).items():
        assert share in LOSSES
        rows[i] = np.flatnonzero(lost == share)[0]
    coarse = float(kept["step_s"])
    grid = np.arange(kept["volts"].shape[1]) * coarse
    time = np.arange(0.0, grid[-1], 1.0)
    current = np.interp(time, kept["corner_s"], kept["corner_c"]) * PACK_AH
    extra = scatter_ohm * (3 + rng.standard_normal(cells).clip(-3, 3))
    volts = np.array([np.interp(time, grid, kept["volts"][r]) for r in rows])
    volts -= extra[:, None] * current
    over = (volts >= float(kept["high_v"])).any(axis=0)
    end = int(np.argmax(over)) if over.any() else len(time)
    gained = -np.cumsum(current) / 3600 / PACK_AH
    hours = float(np.median(kept["capacity_c"][rows]))
    if to_charge < 1:
        end = min(end, int(np.searchsorted(gained, (to_charge - begin) * hours)))
    first = int(np.searchsorted(gained, (from_charge - begin) * hours)) if from_charge > 0.25 else 0

    def resistance(after_s: float) -> Array:
        raise ValueError("charges are solved without pulses")

    return measured(
        volts[:, first:end],
        current[first:end],
        1.0,
        rng,
        how,
        per_module=per_module,
        module_c=module_temperatures(-(-cells // per_module)),
        resistance=resistance,
        capacity_ah=kept["capacity_c"][rows] * PACK_AH,
        charge=float(np.median(kept["charge"][rows])) + float(gained[first]) / hours,
    )


def rest(
    seed: int,
    *,
    cell: str = "chen",
    cells: int = 12,
    per_module: int = 6,
    hours: float = 6.0,
    leak_ma: dict[int, float] | None = None,
    with_load: bool = True,
    **options: Any,
) -> CellPack:
    """A rest of up to 24 h after 15 minutes at 0.5C (``with_load``: recorded as well).

    ``leak_ma`` of 5, 10, 20, 30, 60 or 100 mA for a cell of 100 Ah; ``leak_mv_h`` is true, over the
    rest.
    """
    how = _options(options, period_s=10.0, current_hz=1.0, pack_period_s=10.0)
    rng = np.random.default_rng([seed, 7503])
    kept = load(f"{cell}_rest")
    rows = _draw(rng, np.flatnonzero(kept["leak_ma"] == 0), cells)
    for i, milliampere in (leak_ma or {}).items():
        assert milliampere in LEAKS_MA
        rows[i] = np.flatnonzero(kept["leak_ma"] == milliampere)[0]
    coarse, load_s = float(kept["step_s"]), float(kept["corner_s"][2])
    end = load_s + hours * 3600
    time = np.arange(0.0 if with_load else load_s + 2, end, 1.0)
    grid = np.arange(kept["volts"].shape[1]) * coarse
    current = np.interp(time, kept["corner_s"], kept["corner_c"]) * PACK_AH
    volts = np.array([np.interp(time, grid, kept["volts"][r]) for r in rows])
    lost = kept["lost_mv"][rows]
    hour = np.arange(lost.shape[1]) * 3600.0
    drift = np.array([np.interp(end, hour, x) - np.interp(load_s, hour, x) for x in lost]) / hours

    def resistance(after_s: float) -> Array:
        raise ValueError("rests are solved without pulses")

    pack = measured(
        volts,
        current,
        1.0,
        rng,
        how,
        per_module=per_module,
        module_c=module_temperatures(-(-cells // per_module)),
        resistance=resistance,
        capacity_ah=kept["capacity_c"][rows] * PACK_AH,
        charge=float(np.median(kept["charge"][rows])),
    )
    return replace(pack, leak_mv_h=drift)
