"""Bounds of the warm-up's rules, each by itself: common practice or choices, no source."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from busplan.pack.warm_up import _standing


@pytest.mark.parametrize(
    ("peers_steps", "own_steps", "still"),
    [
        (4.0, 1.0, True),
        (4.0, 0.0, True),
        (3.9, 0.0, False),  # too few steps of its peers
        (4.0, 1.1, False),  # it moves
    ],
)
def test_a_sensor_stands_still_that_moves_a_step_while_its_peers_move_four(
    peers_steps: float, own_steps: float, still: bool
) -> None:
    step_k = 0.5
    travel = step_k * np.array([*[peers_steps] * 4, own_steps, np.nan])
    seen = SimpleNamespace(travel_k=travel, heard=np.isfinite(travel))
    found = _standing(seen, step_k, np.zeros(6, np.bool_))  # type: ignore[arg-type]
    assert found.tolist() == [False] * 4 + [still, False]
