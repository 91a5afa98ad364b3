"""Whether cells move as under load, with data missing: what is missing is no sign of rest."""

import numpy as np
import pytest

from busplan.pack.under_load import leaps


@pytest.mark.parametrize("lost", [0.0, 0.5, 0.85])
def test_a_changing_load_is_seen_through_gaps(lost: float) -> None:
    """A load of 0.1 V on for 5 s of every 50 (invented): leaps in 8 of 100 seconds, bar 5."""
    time = np.arange(2000.0)
    value = np.where(time[:, None] % 50 < 5, 3.6, 3.7) + np.zeros((1, 3))
    keep = np.random.default_rng(1).random(len(time)) >= lost
    value[~keep] = np.nan
    assert leaps(time, value)


def test_a_rest_does_not_leap_and_nothing_heard_tells_nothing() -> None:
    time = np.arange(200.0)
    assert not leaps(time, np.full((200, 3), 3.7))
    assert not leaps(time, np.full((200, 3), np.nan))
