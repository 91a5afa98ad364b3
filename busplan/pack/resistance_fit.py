"""From sums over frames to the resistance of each cell: least squares without negative parts, then
each cell as a deviation from the middle one.

* The middle cell's coefficients c: non-negative least squares (C. L. Lawson and R. J. Hanson,
  "Solving Least Squares Problems", 1974) over the cells of the middle half.
* Each cell is c (1 + common + own_j): common has the standard deviation ``COMMON``, own_j one
  for all cells and causes, found where the marginal likelihood over the cells, the worst tenth left
  out, is greatest. What the model has wrong in the same way for all cells thus cancels in the
  ratio to the median cell; what differs is a stated prior.
* The uncertainty is the greater one of that posterior and of the jackknife that leaves out one part
  of the drive at a time (B. Efron), of the very figure told.

All sources from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from busplan.frames.columns import F64, I64

COMMON = 1.0
OWN_SCATTERS = 0.02 * 2.0 ** (np.arange(0, 17) / 4.0)
"""Standard deviations tried for a cell's own part, 2 to 32 %."""
SOLID = 1e-10


@dataclass(frozen=True, eq=False)
class Sums:
    """Moments of all cells: ``square`` (frames, groups, k, k) of the causes, ``product``
    (cells, groups, k) of causes and falls, ``own`` (cells,) of falls, ``rows`` (frames, groups);
    ``frame`` (cells,) says which frame a cell came in.
    """

    square: F64
    product: F64
    own: F64
    rows: F64
    frame: I64


@dataclass(frozen=True, eq=False)
class CellFit:
    """Coefficients of the ``middle`` cell (k,) and of each cell (cells, k), with what they rest on.

    ``covariance`` (cells, k, k) of the posterior; ``left_out`` (groups, cells, k) the coefficients
    without one group each; ``noise_v`` (cells,) what is left beside a free fit; ``misfit`` the part
    of the middle cells' falls, beyond noise, that the model leaves; ``scatter`` the prior's size.
    """

    middle: F64
    coefficients: F64
    covariance: F64
    left_out: F64
    noise_v: F64
    misfit: float
    scatter: float

    def spread(self, places: I64, count: int) -> CellFit:
        """The same with the cells at ``places`` among ``count``; NaN for all others."""

        def put(values: F64, axis: int = 0) -> F64:
            shape = list(values.shape)
            shape[axis] = count
            wide = np.full(shape, np.nan)
            wide[(slice(None),) * axis + (places,)] = values
            return wide

        return replace(
            self,
            coefficients=put(self.coefficients),
            covariance=put(self.covariance),
            left_out=put(self.left_out, 1),
            noise_v=put(self.noise_v),
        )


def non_negative(square: F64, product: F64) -> F64:
    """The x ≥ 0 that minimises xᵀ A x − 2 bᵀ x."""
    from scipy.optimize import nnls

    scale = np.sqrt(np.maximum(np.diag(square), 1e-300))
    scaled = square / np.outer(scale, scale)
    # Causes that a short capture does not tell apart leave eigenvalues of 0, or below by rounding.
    size, turn = np.linalg.eigh(scaled)
    root = np.sqrt(np.maximum(size, SOLID))
    solution, _ = nnls(root[:, None] * turn.T, (turn.T @ (product / scale)) / root)
    return np.asarray(solution / scale, np.float64)


def fit_cells(sums: Sums) -> CellFit | None:
    """The fit of every cell; ``None`` when the current moved them too little to tell anything."""
    square, product = sums.square.sum(axis=1), sums.product.sum(axis=1)
    usable = np.flatnonzero(sums.rows.sum(axis=1)[sums.frame] > 0)
    if not len(usable) or not (square[sums.frame[usable], 0, 0] > 0).all():
        return None
    middle = _middle(square, product, sums.frame, usable)
    if middle is None:
        return None
    noise = _noise(square, product, sums)
    active = np.flatnonzero(middle > 0)
    size = middle[active]
    grid = np.ix_(active, active)
    # In parts of the middle cell's coefficients: x = c (1 + e).
    part = sums.square[:, :, grid[0], grid[1]] * np.outer(size, size)
    moved = sums.product[:, :, active] * size
    rest = moved - part[sums.frame].sum(axis=-1)
    full, full_rest = part.sum(axis=1)[sums.frame], rest.sum(axis=1)
    variance = np.maximum(noise, 1e-9) ** 2
    scatter = _own_scatter(full, full_rest, variance)
    prior = np.linalg.inv(scatter**2 * np.eye(len(size)) + COMMON**2)
    weight = variance[:, None, None] * prior
    inverse = np.linalg.inv(full + weight)
    found = np.einsum("cij,cj->ci", inverse, full_rest)
    covariance = inverse * variance[:, None, None]
    cells, groups = len(sums.frame), sums.square.shape[1]
    left_out = np.zeros((groups, cells, len(middle)))
    for g in range(groups):
        without = full - part[sums.frame, g] + weight
        each = np.linalg.solve(without, (full_rest - rest[:, g])[..., None])[..., 0]
        left_out[g][:, active] = size * (1.0 + each)
    coefficients = np.zeros((cells, len(middle)))
    coefficients[:, active] = size * (1.0 + found)
    spread = np.zeros((cells, len(middle), len(middle)))
    spread[:, grid[0], grid[1]] = covariance * np.outer(size, size)
    return CellFit(
        middle,
        coefficients,
        spread,
        left_out,
        noise,
        _misfit(middle, square, product, sums, noise),
        scatter,
    )


def _middle(square: F64, product: F64, frame: I64, usable: I64) -> F64 | None:
    """Coefficients of the middle half of the cells, by how much of the pooled fit each has."""
    chosen = usable
    for _ in range(2):
        middle = non_negative(square[frame[chosen]].sum(axis=0), product[chosen].sum(axis=0))
        if not (middle > 0).any():
            return None
        power = np.einsum("i,cij,j->c", middle, square[frame[usable]], middle)
        share = product[usable] @ middle / np.maximum(power, 1e-300)
        order = usable[np.argsort(share, kind="stable")]
        chosen = order[len(order) // 4 : max(len(order) - len(order) // 4, 1)]
    middle = non_negative(square[frame[chosen]].sum(axis=0), product[chosen].sum(axis=0))
    return middle if (middle > 0).any() else None


def _noise(square: F64, product: F64, sums: Sums) -> F64:
    """What a free fit leaves over, as a standard deviation a row [V] (cells,)."""
    size = square.shape[-1]
    scale = np.sqrt(np.maximum(np.einsum("fii->fi", square), 1e-300))
    scaled = square / (scale[:, :, None] * scale[:, None, :]) + SOLID * np.eye(size)
    target = product / scale[sums.frame]
    solution = np.linalg.solve(scaled[sums.frame], target[..., None])[..., 0]
    left = sums.own - np.einsum("ci,ci->c", target, solution)
    rows = sums.rows.sum(axis=1)[sums.frame]
    return np.asarray(np.sqrt(np.maximum(left, 0.0) / np.maximum(rows - size, 1.0)), np.float64)


def _misfit(middle: F64, square: F64, product: F64, sums: Sums, noise: F64) -> float:
    """What the non-negative fit leaves of the cells' falls beyond their noise, as a part (rms)."""
    power = np.einsum("i,cij,j->c", middle, square[sums.frame], middle)
    share = np.einsum("ci,i->c", product, middle) / np.maximum(power, 1e-300)
    left = sums.own - share**2 * power
    rows = sums.rows.sum(axis=1)[sums.frame]
    beyond = np.maximum(left - rows * noise**2, 0.0) / np.maximum(sums.own, 1e-300)
    return float(np.sqrt(np.median(beyond)))


def _own_scatter(full: F64, rest: F64, variance: F64) -> float:
    """The standard deviation of the cells' own parts that makes the data most likely."""
    size = full.shape[-1]
    best, found = -np.inf, float(OWN_SCATTERS[0])
    for scatter in OWN_SCATTERS:
        prior = scatter**2 * np.eye(size) + COMMON**2
        precision = np.linalg.inv(prior)
        weighed = full / variance[:, None, None] + precision
        _, size_of = np.linalg.slogdet(weighed)
        _, prior_size = np.linalg.slogdet(prior)
        scaled = rest / variance[:, None]
        explained = np.einsum(
            "ci,ci->c", scaled, np.linalg.solve(weighed, scaled[..., None])[..., 0]
        )
        likelihood = 0.5 * (explained - size_of - prior_size)
        ranked = np.sort(likelihood)[len(likelihood) // 10 :]
        if ranked.sum() > best:
            best, found = float(ranked.sum()), float(scatter)
    return found
