"""The fact reads as it is told (common practice, no source)."""

import numpy as np
import pytest

from truth import fact


@pytest.mark.parametrize("seed", range(20))
def test_all_start_at_16_and_after_five_minutes_all_read_17_and_some_18(seed):
    made = fact.readings(seed)
    assert made.reading.shape == (301, 16)
    assert np.all(made.reading[0] == 16)
    assert set(made.reading[-1]) == {17.0, 18.0}
    assert 2 <= (made.reading[-1] == 18).sum() <= 9
    series, layout = made.as_series()
    assert len(series.sensors) == len(layout.modules) == 16
    assert len(series.cells) == 96
    assert not series.quantities


def test_one_stays_while_its_peers_go_on():
    made = fact.readings(3, minutes=12.0, stays=5)
    assert np.all(made.reading[:, 5] == 16)
    assert np.delete(made.reading[-1], 5).min() >= 19
