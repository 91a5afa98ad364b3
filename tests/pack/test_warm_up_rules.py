"""Bounds of the warm-up's rules, each by itself: common practice or choices, no source."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from truth import loop_cases
from truth.as_series import warm_up_series

from busplan.pack import warm_up
from busplan.pack.thermal_span import widest_move
from busplan.pack.warm_up import _standing, judge_warm_up
from busplan.pack.warm_up_result import ModuleVerdict, WarmUpState


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


def test_two_modules_of_another_kind_leave_the_others_judged(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(warm_up, "_foresee", lambda *_: ((), None))
    test = loop_cases.case("healthy", 5, modules=8)
    series, layout = warm_up_series(test, kind={"M1": "long", "M2": "long"})
    span = widest_move(series.temperature, 0.5)
    assert span is not None
    found = judge_warm_up(series, layout, span, 0.5)
    assert found.state is WarmUpState.JUDGED
    assert found.few == ("M1", "M2")
    told = [m.verdict for m in found.modules]
    assert told == [ModuleVerdict.OPEN] * 2 + [ModuleVerdict.FOLLOWS] * 6
    assert "M1, M2: fewer than 3 modules at that place and of that kind" in found.missing
