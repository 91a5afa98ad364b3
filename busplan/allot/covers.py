"""Inequalities that a row of a programme implies for whole numbers and that a relaxed one breaks.

A row of 0-or-1 variables says that what helps must add up: ``sum(a * helps) >= b`` with positive
``a``, where a variable helps by being 1, or by being 0. Suppose all of a set T help. What is then
still wanted, ``b - a(T)``, must come from the others, and none of them need bring more than all of
it: ``sum(min(a, b - a(T)) * helps) >= b - a(T)`` over the others, for every T. Where somebody helps
with far more than is wanted, a hundredth of it satisfies the row, but not this.

Source: knapsack cover inequalities, R. Carr, L. Fleischer, V. Leung and C. Phillips, Strengthening
integrality gaps for capacitated network design and covering problems, SODA 2000 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from busplan.frames.columns import F64, I64

_WHOLE = 1e-6
"""Nearer than this to 0 or 1 a variable counts as that."""
_BROKEN = 0.01
"""The part of what is wanted that must be missing at least for an inequality to be of use."""


class Cover(NamedTuple):
    """``sum(weights * x[variables]) >= least``."""

    variables: I64
    weights: F64
    least: float


def coverable(matrix: Any, binary: NDArray[np.bool_]) -> I64:
    """The rows that may imply something: of ``binary`` variables only, with whole weights.

    ``matrix`` is a :class:`scipy.sparse.csr_matrix`. Where all weigh 1, rows imply nothing new.
    """
    weights = np.abs(matrix.data)
    unfit = ~binary[matrix.indices] | (weights != np.round(weights))
    starts = matrix.indptr[:-1]
    filled = np.flatnonzero(np.diff(matrix.indptr))
    if not len(filled):
        return filled
    most = np.maximum.reduceat(weights, starts[filled])
    return filled[(most > 1) & ~np.logical_or.reduceat(unfit, starts[filled])]


def broken_covers(matrix: Any, low: F64, high: F64, rows: I64, x: F64) -> Iterator[Cover]:
    """The inequalities that ``x`` breaks, for each row the one that it breaks most.

    ``matrix`` is a :class:`scipy.sparse.csr_matrix`, its rows are at least ``low`` and at most
    ``high``; ``rows``: those to look at (:func:`coverable`). Those are left out in which ``x`` has
    whole numbers only.
    """
    for row in rows:
        one = slice(matrix.indptr[row], matrix.indptr[row + 1])
        variables, weights = matrix.indices[one], matrix.data[one]
        helps = x[variables]
        if not ((helps > _WHOLE) & (helps < 1 - _WHOLE)).any():
            continue
        if np.isfinite(low[row]):
            yield from _broken(variables, weights, low[row], helps)
        if np.isfinite(high[row]):
            yield from _broken(variables, -weights, -high[row], helps)


def _broken(variables: I64, weights: F64, least: float, x: F64) -> Iterator[Cover]:
    by_zero = weights < 0
    helps = np.where(by_zero, 1 - x, x)
    brings = np.abs(weights)
    wanted = least + brings[by_zero].sum()
    order = np.argsort(-helps, kind="stable")
    helps, brings = helps[order], brings[order]
    # T: those that help most, all that help wholly among them.
    known = np.concatenate([[0.0], np.cumsum(brings)])
    first = int((helps > 1 - _WHOLE).sum())
    last = first + int(((helps > _WHOLE) & (helps <= 1 - _WHOLE)).sum())
    best, most = _BROKEN, None
    for t in range(first, last + 1):
        left = wanted - known[t]
        if left <= _WHOLE:
            break
        missing = 1 - (np.minimum(brings[t:], left) * helps[t:]).sum() / left
        if missing > best:
            best, most = missing, t
    if most is not None:
        left = wanted - known[most]
        part = np.minimum(brings[most:], left) / left
        others = order[most:]
        signed = np.where(by_zero[others], -part, part)
        yield Cover(variables[others], signed, 1 - part[by_zero[others]].sum())
