"""A screen at a moment, a span, a trend and the evaluation read one signal alike."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.mixed_packs import MS, Made, MixedPack, Sent, carried, known, mixed_packs, physical

from busplan.errors import CaptureError
from busplan.pack.pull import pull_series
from busplan.pack.series import Trace, sample
from busplan.replay.replay import Replay
from busplan.replay.span import SignalSpan, measure_span
from busplan.replay.trend import cell_grid, sensor_grid

HALF = 137_000
"""[ns] All frames come at whole milliseconds: a moment beside them is no tie."""


@settings(max_examples=120)
@given(mixed_packs(), st.lists(st.integers(0, 6000), min_size=1, max_size=4))
def test_screen_span_trend_and_evaluation_read_what_was_sent(
    pack: MixedPack, moments_ms: list[int]
) -> None:
    replay = Replay.of(pack.vehicle, pack.table)
    try:
        series = pull_series(pack.table, pack.vehicle)
    except CaptureError:
        series = None
    first = min(s.times[0] for s in pack.sent)
    at = sorted({min(ms * MS + HALF, replay.span_ns) for ms in moments_ms})
    layout = pack.vehicle.pack
    assert layout is not None
    grids = cell_grid(replay, np.array(at)), sensor_grid(replay, np.array(at))
    for column, t_ns in enumerate(at):
        shown = replay.snapshot(t_ns).pack
        assert shown is not None
        for role, peers, grid, traces in (
            ("cell", shown.cells, grids[0], series.cells if series else ()),
            ("sensor", shown.sensors, grids[1], series.sensors if series else ()),
        ):
            expected = [known(s, m, t_ns + first) for s, m in pack.of(role)]
            np.testing.assert_allclose(np.where(peers.fresh, peers.value, np.nan), expected)
            np.testing.assert_allclose(grid.values[:, column], expected)
            if series:
                assert [read(t, t_ns) for t in traces] == pytest.approx(expected, nan_ok=True)
        for s, m in pack.of("current")[:1]:
            expected_a = known(s, m, t_ns + first, layout.current_sign)
            told = shown.quantities.get("current")
            told_a = math.nan if told is None or told.stale else told.value
            assert told_a == pytest.approx(expected_a, nan_ok=True)
            if series:
                trace = series.quantities["current"]
                assert read(trace, t_ns) == pytest.approx(expected_a, nan_ok=True)
    span = measure_span(replay, at[0], at[-1])
    for role, spans in (("cell", span.cells), ("sensor", span.sensors)):
        for (s, m), found in zip(pack.of(role), spans, strict=True):
            agrees(found, s, m, at[0] + first, at[-1] + first)


def read(trace: Trace, t_ns: int) -> float:
    """What the evaluation takes a signal to be at a moment."""
    return float(sample([trace], np.array([t_ns / 1e9])).value[0, 0])


def agrees(found: SignalSpan, sent: Sent, made: Made, a_ns: int, b_ns: int) -> None:
    values = [physical(made, raw) for time, raw in carried(sent, made) if a_ns <= time <= b_ns]
    values = [v for v in values if not math.isnan(v)]
    assert found.count == len(values)
    if values:
        assert found.minimum == pytest.approx(min(values))
        assert found.maximum == pytest.approx(max(values))
        assert found.last == pytest.approx(values[-1])
