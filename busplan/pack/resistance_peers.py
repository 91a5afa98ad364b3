"""Resistances held against each other: what temperature explains, who stands out, whole modules.

Temperature: ln R = μ + E x + rest with x = (1/T − 1/T_median) / 8.314 J/(mol·K) (Arrhenius), over
the modules' medians with Huber's weights; E has the prior ``ENERGY_KJ``. Surely outside
``BELIEVED_KJ``, temperature does not explain what is seen, and only the prior is taken off. The
prior and the usual scatter of healthy cells are common practice, no source.

What is not known of a module's temperature all its cells share. How far a cell stands out is
therefore told beside its module's others as well: their median gives what they share, as far as
that uncertainty lets it differ from nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64, I64, Mask
from busplan.pack.statistics import deviates, gate, mad_sigma, nan_median

GAS = 8.314
KELVIN = 273.15
ENERGY_KJ = (25.0, 12.0)
BELIEVED_KJ = (5.0, 60.0)
SENSOR_K = 0.5
"""How far the temperature told of a module may be from its cells'."""
USUAL = 0.05
"""Scatter of healthy cells' resistances, as a part."""
USUAL_MODULE = 0.03
MODULE_SCATTER = 0.02
HUBER = 1.5
FEWEST_CELLS = 4
MEDIAN_LOSS = 1.57
"""The variance of a median over that of the mean, of normal data (π/2)."""
WHOLE_MODULE = 0.75
"""When this part of a module's cells stands out, the module does."""
FEWEST_IN_MODULE = 3


@dataclass(frozen=True, slots=True)
class Energy:
    """Activation energy [kJ/mol] with its standard uncertainty, and the span of temperatures [K].

    ``believed``: temperature can explain how the modules differ.
    """

    value: float
    uncertainty: float
    span_k: float
    believed: bool


@dataclass(frozen=True, eq=False)
class Peers:
    """Each cell against what its peers make expect at its temperature; arrays (cells,).

    ``excess`` is the part above that (0.2: a fifth more), ``uncertainty`` its standard
    uncertainty, ``far`` how many scatters it lies off, what its module shares taken out, to be held
    against ``limit``. ``shows`` is the excess from which on a cell would have stood out here;
    ``known`` marks cells whose temperature was told.
    """

    excess: F64
    uncertainty: F64
    far: F64
    limit: float
    shows: float
    energy: Energy
    known: Mask


def against_peers(relative: F64, uncertainty: F64, temperature_c: F64, module: I64) -> Peers:
    """Hold resistances ``relative`` to the median one, (cells,), against each other."""
    logs = np.log(np.where(relative > 0, relative, np.nan))
    tilt, known = _tilt(temperature_c)
    energy = _energy(logs, tilt, module, known, temperature_c)
    value, error = (energy.value, energy.uncertainty) if energy.believed else ENERGY_KJ
    part = uncertainty / np.maximum(relative, 1e-9)
    kelvin = np.where(known, temperature_c, 25.0) + KELVIN
    sensor = value * 1e3 / GAS / kelvin**2 * SENSOR_K if energy.span_k > 0 else 0.0
    common = np.hypot(tilt * error * 1e3, np.where(known, sensor, 0.0))
    own = np.hypot(part, common)
    left = logs - tilt * value * 1e3
    left = left - float(nan_median(left))
    shared, unsure = _shared(left, common, module)
    alone = left - shared
    far = deviates(alone, np.hypot(part, unsure), USUAL)
    limit = gate(int(np.isfinite(left).sum()))
    with np.errstate(divide="ignore", invalid="ignore"):
        scatter = np.where(far != 0.0, alone / far, np.nan)
    usual = float(np.nan_to_num(nan_median(np.abs(scatter)), nan=np.inf))
    shows = float(np.expm1(min(limit * usual, 10.0)))
    excess = np.expm1(left)
    return Peers(excess, own * (1.0 + excess), far, limit, shows, energy, known)


def _shared(left: F64, common: F64, module: I64) -> tuple[F64, F64]:
    """What each cell has in common with its module's others, and its uncertainty (cells,).

    A priori nothing, with the standard deviation ``common``; the others scatter by ``USUAL``.
    """
    shared, unsure = np.zeros(len(left)), common.copy()
    for number in np.unique(module):
        own = np.flatnonzero((module == number) & np.isfinite(left) & (common > 0.0))
        for cell in own if len(own) > 1 else ():
            others = left[own[own != cell]]
            weight = len(others) / MEDIAN_LOSS / USUAL**2
            variance = 1.0 / (1.0 / common[cell] ** 2 + weight)
            shared[cell] = variance * weight * float(np.median(others))
            unsure[cell] = variance**0.5
    return shared, unsure


def _tilt(temperature_c: F64) -> tuple[F64, Mask]:
    """x of each cell [mol/J], 0 where its temperature is not known."""
    known = np.isfinite(temperature_c)
    if not known.any():
        return np.zeros(len(temperature_c)), known
    kelvin = np.where(known, temperature_c, np.nan) + KELVIN
    tilt = (1.0 / kelvin - 1.0 / float(nan_median(kelvin))) / GAS
    return np.where(known, tilt, 0.0), known


def _energy(logs: F64, tilt: F64, module: I64, known: Mask, temperature_c: F64) -> Energy:
    """Weighted least squares over module medians, the prior as one more equation."""
    modules = np.unique(module[known & np.isfinite(logs)])
    prior, width = ENERGY_KJ[0] * 1e3, ENERGY_KJ[1] * 1e3
    span = float(np.ptp(temperature_c[known])) if known.any() else 0.0
    if len(modules) < 2 or span <= 0.0:
        return Energy(ENERGY_KJ[0], ENERGY_KJ[1], span, True)
    level = np.array([float(nan_median(logs[module == m])) for m in modules])
    x = np.array([float(nan_median(tilt[(module == m) & known])) for m in modules])
    weight = np.ones(len(modules))
    value, spread = prior, MODULE_SCATTER
    variance = width**2
    for _ in range(12):
        centre = float(weight @ x / weight.sum())
        middle = float(weight @ level / weight.sum())
        shifted = x - centre
        precision = float(weight @ shifted**2) / spread**2 + 1.0 / width**2
        value = (
            float(weight @ (shifted * (level - middle))) / spread**2 + prior / width**2
        ) / precision
        variance = 1.0 / precision
        rest = level - middle - value * shifted
        spread = max(float(np.nan_to_num(mad_sigma(rest))), MODULE_SCATTER)
        weight = np.minimum(1.0, HUBER * spread / np.maximum(np.abs(rest), 1e-12))
    kilo = value / 1e3
    half = 2.0 * variance**0.5 / 1e3
    believed = BELIEVED_KJ[0] - half <= kilo <= BELIEVED_KJ[1] + half
    return Energy(kilo, variance**0.5 / 1e3, span, bool(believed))


def whole_modules(raised: Mask, excess: F64, module: I64, least: float) -> tuple[int, ...]:
    """Modules (of ``module``'s numbers) that stand out as a whole, by their cells or their median.

    ``raised`` (cells,) are the cells that stand out alone, ``least`` the excess that matters.
    """
    numbers = np.unique(module)
    heard = [np.isfinite(excess) & (module == m) for m in numbers]
    middle = np.array(
        [np.log1p(float(nan_median(excess[h]))) if h.any() else np.nan for h in heard]
    )
    far = deviates(middle, 0.0, USUAL_MODULE)
    limit = gate(int(np.isfinite(middle).sum()))
    found = []
    for index, own in enumerate(heard):
        if own.sum() < FEWEST_IN_MODULE:
            continue
        most = raised[own].mean() >= WHOLE_MODULE
        if most or (far[index] > limit and np.expm1(middle[index]) > least):
            found.append(int(numbers[index]))
    return tuple(found)
