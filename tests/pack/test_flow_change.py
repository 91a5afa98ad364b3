"""When a change of flow is told: each bound of the rule, on likelihoods made by hand.

The bounds are choices of the method (no source); what they find is held against made loops in
``test_warm_up.py``.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from busplan.pack import flow_change, flow_change_kernels
from busplan.pack.flow_change import CHANGED, TIMES, FlowChange, find_change

Array = np.ndarray[Any, np.dtype[np.float64]]


class Fit(SimpleNamespace):
    """What is asked of the peers' fit: a curve that rises evenly over 1000 s."""

    __hash__ = object.__hash__


def found(
    monkeypatch: pytest.MonkeyPatch,
    before: float,
    after: float,
    *,
    ratios: tuple[float, ...] = (20.0,),
    misfit: float = 100.0,
    knot: int = 4,
    told: list[Array] | None = None,
) -> FlowChange | None:
    """One module of a sensor for each of ``ratios``, by which the change is likelier."""
    row, column = (int(np.flatnonzero(np.isclose(CHANGED, e))[0]) for e in (before, after))
    turn = iter(ratios)

    def likelihood(*args: Any) -> None:
        args[-1][:] = -50.0
        args[-1][knot, row, column] += next(turn)
        if told is not None:
            told.append(args[4])

    monkeypatch.setattr(flow_change_kernels, "change_likelihood", likelihood)
    monkeypatch.setattr(flow_change, "changed_of", lambda fit: None)
    count = len(ratios)
    fit = Fit(
        misfit=np.full(count, misfit),
        members=np.arange(count),
        tau=np.zeros(11),
        noise=1.5,
        curve=np.linspace(10.0, 30.0, 201),
        step_s=5.0,
        sd=np.ones((count, 6)),
    )
    seen = SimpleNamespace(
        first=np.arange(count + 1), time_s=None, value=None, sigma=np.full(count, 0.1)
    )
    return find_change(seen, [(fit, i) for i in range(count)], 1000.0, 40.0)  # type: ignore[arg-type]


def test_a_change_is_told_with_its_time_of_the_capture(monkeypatch: pytest.MonkeyPatch) -> None:
    change = found(monkeypatch, 0.3, 1.0)
    # The fifth of ten places from 12 to 92 % of the curve, counted from the start of the span.
    assert change == FlowChange(pytest.approx(40.0 + 475.0, abs=5.0), 0.3, 1.0)
    assert change.clears
    stops = found(monkeypatch, 0.7, 0.005)
    assert stops is not None
    assert not stops.clears
    half = found(monkeypatch, 1.0, 0.6)
    assert half is not None
    assert not half.clears


@pytest.mark.parametrize(
    ("ratios", "misfit", "told"),
    [
        ((13.9,), 100.0, False),
        ((14.1,), 100.0, True),
        ((7.1, 7.1), 100.0, True),  # all sensors of the module together
        ((7.1, 6.8), 100.0, False),
        ((14.1,), 28.1, True),  # a constant exchange must be so much worse than what was seen
        ((14.1,), 27.9, False),
    ],
)
def test_it_must_be_much_likelier_than_none(
    monkeypatch: pytest.MonkeyPatch, ratios: tuple[float, ...], misfit: float, told: bool
) -> None:
    assert (found(monkeypatch, 0.3, 1.0, ratios=ratios, misfit=misfit) is not None) is told


@pytest.mark.parametrize(
    ("before", "after", "knot", "told"),
    [
        (0.6, 0.9, 4, False),  # by less than 0.35
        (0.6, 1.0, 4, True),
        (1.35, 0.8, 4, False),  # never under 0.75: nobody was starved
        (0.8, 0.4, 4, True),
        (0.3, 1.0, 0, False),  # the peers had risen by 12 %
        (0.3, 1.0, 1, True),  # by 20 %
    ],
)
def test_it_must_be_large_of_a_starved_module_and_not_at_the_very_start(
    monkeypatch: pytest.MonkeyPatch, before: float, after: float, knot: int, told: bool
) -> None:
    assert knot < TIMES
    assert (found(monkeypatch, before, after, knot=knot) is not None) is told


def test_readings_count_by_the_noise_that_was_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    sigma: list[Array] = []
    found(monkeypatch, 0.3, 1.0, told=sigma)
    assert sigma[0].tolist() == pytest.approx([0.15])
