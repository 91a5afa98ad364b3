"""Helpers on columns, against numpy's own."""

import numpy as np
import pytest

from busplan.frames.columns import different


@pytest.mark.parametrize("kind", [np.int64, np.float64])
def test_what_differs_is_what_numpy_calls_unique(kind: type) -> None:
    rng = np.random.default_rng(2)
    for count in (0, 1, 2, 500):
        values = rng.integers(0, 300, count).astype(kind)
        both = np.concatenate([np.sort(values), np.sort(values) + 7])
        assert np.array_equal(different(both), np.unique(both))
