"""The rows of a programme as a matrix, which is kept while rows are added."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Any

import numpy as np

Terms = dict[int, float]
"""Variable → its weight in a row."""
Row = tuple[Terms, float, float]
"""``low <= sum(terms) <= high``."""


class Growing:
    """The matrix of rows to which more are added, and to some of which more terms are."""

    def __init__(self) -> None:
        self._matrix = _csr([], 0)

    def of(self, rows: Sequence[Row], variables: int, longer: Iterable[int] = ()) -> Any:
        """All rows, as a :class:`scipy.sparse.csr_matrix` of so many variables.

        ``longer``: rows that may have got more terms since the last time, behind those they had.
        """
        from scipy.sparse import vstack

        known = self._matrix
        sizes = np.diff(known.indptr)
        known = _wider(known, variables)
        more: list[Terms] = [{} for _ in sizes]
        for row in longer:
            if row < len(sizes):
                more[row] = dict(list(rows[row][0].items())[sizes[row] :])
        if any(more):
            known = known + _csr(more, variables)
        added = _csr([terms for terms, _, _ in rows[len(sizes) :]], variables)
        self._matrix = vstack([known, added], format="csr")
        return self._matrix


def _wider(matrix: Any, variables: int) -> Any:
    from scipy.sparse import csr_matrix

    return csr_matrix((matrix.data, matrix.indices, matrix.indptr), (matrix.shape[0], variables))


def _csr(rows: Sequence[Terms], variables: int) -> Any:
    from scipy.sparse import csr_matrix

    ends = np.cumsum([0, *map(len, rows)])
    columns = np.fromiter(chain.from_iterable(rows), np.int64, ends[-1])
    weights = np.fromiter(chain.from_iterable(r.values() for r in rows), np.float64, ends[-1])
    return csr_matrix((weights, columns, ends), (len(rows), variables))
