"""What to do next about resistances follows from why there are none.

Made packs (``truth``); what helps against what: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from truth import cell_packs
from truth.as_series import pack_series

from busplan.pack.kinds import PackTest
from busplan.pack.report import evaluate_pack
from busplan.pack.series import EMPTY, PackSeries, Trace
from busplan.pack.whole import Whole, judge_whole
from busplan.plan.vehicle import PackLayout

RUN = "ten minutes of firm accelerations"


@pytest.fixture(scope="module")
def made() -> tuple[PackSeries, PackLayout]:
    return pack_series(cell_packs.drive(3, cells=32, minutes=6.0))


def told(series: PackSeries, layout: PackLayout) -> tuple[Whole, str]:
    """The whole, and what it says to do next about the resistance."""
    whole = judge_whole(evaluate_pack(series, layout, test=PackTest.DRIVE))
    assert "resistance" in whole.open
    return whole, " ".join(s for s in whole.steps if "resistance" in s)


def scaled(trace: Trace, factor: float) -> Trace:
    return replace(trace, value=trace.value * factor)


def of_current(series: PackSeries, trace: Trace) -> PackSeries:
    quantities: Mapping[str, Trace] = {**series.quantities, "current": trace}
    return replace(series, quantities=quantities)


def test_no_current_is_no_matter_of_driving(made: tuple[PackSeries, PackLayout]) -> None:
    series, layout = made
    _, step = told(of_current(series, EMPTY), layout)
    assert "see why no current came" in step
    assert RUN not in step


def test_few_readings_want_more_of_them(made: tuple[PackSeries, PackLayout]) -> None:
    series, layout = made
    cells = tuple(replace(t, time_s=t.time_s[::90], value=t.value[::90]) for t in series.cells)
    assert len(cells[0]) < 50
    _, step = told(replace(series, cells=cells), layout)
    assert "send the cells at least once a second" in step


def test_a_current_of_something_else_wants_another_look_at_the_plan(
    made: tuple[PackSeries, PackLayout],
) -> None:
    series, layout = made
    current = series.quantities["current"]
    other = np.random.default_rng(5).permutation(len(current))
    _, step = told(of_current(series, replace(current, value=current.value[other])), layout)
    assert "current and cells are those of one pack" in step


def test_a_mild_drive_is_to_be_driven_again(made: tuple[PackSeries, PackLayout]) -> None:
    series, layout = made
    whole, step = told(of_current(series, scaled(series.quantities["current"], 0.02)), layout)
    assert step == ""
    assert any(RUN in s for s in whole.steps)
