"""Made packs (``truth``) lose readings at random: nothing may look better for it.

What an ill pack has wrong lasts as long as the capture, so that no loss of readings removes it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from truth import cell_packs, loop_cases
from truth.as_series import pack_series, warm_up_series

from busplan.answers import Answer
from busplan.pack.kinds import PackTest
from busplan.pack.report import evaluate_pack
from busplan.pack.series import EMPTY, PackSeries, Trace
from busplan.pack.whole import Whole, judge_whole
from busplan.plan.vehicle import PackLayout

Made = tuple[PackSeries, PackLayout]
ILL: dict[str, tuple[PackTest, Callable[[], Made]]] = {
    "a raised cell": (
        PackTest.DRIVE,
        lambda: pack_series(cell_packs.drive(8, cells=24, minutes=6.0, raised={11: 1.5})),
    ),
    "a cell that leaks": (
        PackTest.REST,
        lambda: pack_series(cell_packs.rest(4, cells=24, hours=4.0, loses_mv_h={5: 0.6})),
    ),
    "no liquid in one module": (
        PackTest.WARM_UP,
        lambda: warm_up_series(loop_cases.case("series", 5)),
    ),
}
ALTERED = 16


def without(trace: Trace, kept: np.ndarray) -> Trace:
    """Fewer values of it; the frames that carried them came all the same."""
    return replace(trace, time_s=trace.time_s[kept], value=trace.value[kept], message=trace.heard)


def lost(series: PackSeries, rng: np.random.Generator) -> PackSeries:
    """Some of the signals gone, for a while, now and then or altogether."""
    cells, sensors = list(series.cells), list(series.sensors)
    quantities = dict(series.quantities)
    start, length = rng.random() * series.span_s, rng.exponential(0.2) * series.span_s
    how = rng.choice(["all", "stretch", "thinned", "extremes"])

    def less(trace: Trace) -> Trace:
        time = trace.time_s
        if how == "all" or not len(time):
            return EMPTY
        if how == "stretch":
            return without(trace, (time < start) | (time > start + length))
        if how == "thinned":
            return without(trace, rng.random(len(time)) > 0.7)
        low, high = np.quantile(trace.value, (0.1, 0.9))
        return without(trace, (trace.value >= low) & (trace.value <= high))

    which = rng.choice(["cells", "sensors", "quantities", "everything"])
    for traces in (cells, sensors):
        if len(traces) and which in ("everything", "cells" if traces is cells else "sensors"):
            count = int(rng.choice([1, 2, max(len(traces) // 3, 1), len(traces)]))
            for i in rng.choice(len(traces), min(count, len(traces)), replace=False):
                traces[i] = less(traces[i])
    if which in ("quantities", "everything"):
        names = list(quantities)
        for i in rng.choice(len(names), int(rng.integers(len(names) + 1)), replace=False):
            quantities[names[i]] = less(quantities[names[i]])
    return replace(series, cells=tuple(cells), sensors=tuple(sensors), quantities=quantities)


def judged(series: PackSeries, layout: PackLayout, test: PackTest) -> Whole:
    return judge_whole(evaluate_pack(series, layout, test=test))


@pytest.mark.parametrize("name", ILL)
def test_what_is_bad_or_open_becomes_good_by_no_loss(name: str) -> None:
    test, make = ILL[name]
    series, layout = make()
    before = judged(series, layout, test)
    assert before.answer is Answer.BAD
    rng = np.random.default_rng(11)
    for number in range(ALTERED):
        after = judged(lost(series, rng), layout, test)
        better = [
            f"{kind} {i}"
            for kind, was, is_ in (
                ("cell", before.cells, after.cells),
                ("module", before.modules, after.modules),
                ("whole", (before.answer,), (after.answer,)),
            )
            for i, (a, b) in enumerate(zip(was, is_, strict=True))
            if b is Answer.GOOD and a is not Answer.GOOD
        ]
        assert not better, f"loss {number}"
