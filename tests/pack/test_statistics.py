"""Robust statistics, against scipy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from busplan.pack import statistics as s


def test_mad_sigma_agrees_with_scipy_up_to_its_small_sample_factor() -> None:
    values = np.random.default_rng(1).normal(3.0, 2.0, 500)
    # Reference: scipy.stats.median_abs_deviation(scale="normal").
    expected = stats.median_abs_deviation(values, scale="normal") * 500 / 499.2
    assert s.mad_sigma(values) == pytest.approx(expected, rel=1e-4)


def test_small_samples_give_the_right_scatter_on_average() -> None:
    rng = np.random.default_rng(2)
    estimates = [s.mad_sigma(rng.normal(0.0, 1.0, 8)) for _ in range(4000)]
    assert np.mean(estimates) == pytest.approx(1.0, abs=0.06)


def test_the_gate_keeps_false_alarms_of_a_whole_pack_below_its_level() -> None:
    rng = np.random.default_rng(3)
    worst = rng.normal(size=(4000, 96)).max(axis=1)
    assert (worst > s.gate(96, 0.05)).mean() == pytest.approx(0.05, abs=0.012)


def test_one_outlier_neither_hides_itself_nor_moves_the_others() -> None:
    values = np.append(np.linspace(-1, 1, 31), 20.0)
    far = s.deviates(values, 0.0, 0.1)
    assert far[-1] > 15
    assert np.abs(far[:-1]).max() < 2


def test_a_scatter_below_the_step_is_not_believed() -> None:
    values = np.array([0.0] * 11 + [0.5])  # one sensor one step off
    assert s.deviates(values, 0.0, 0.5)[-1] == pytest.approx(1.0)


@given(st.lists(st.booleans(), min_size=1, max_size=60))
@settings(max_examples=60)
def test_runs_rebuild_the_mask(bits: list[bool]) -> None:
    mask = np.array(bits)
    rebuilt = np.zeros(len(mask), bool)
    starts, stops = s.runs(mask)
    for a, b in zip(starts, stops, strict=True):
        assert a == 0 or not mask[a - 1]
        rebuilt[a:b] = True
    assert (rebuilt == mask).all()


def test_longest_run_and_total_time() -> None:
    time = np.arange(8.0)
    mask = np.array([1, 0, 1, 1, 1, 0, 1, 0], bool)
    assert s.longest_run(time, mask) == (2.0, 3.0)
    assert s.time_where(time, mask) == 5.0
    assert s.longest_run(time, np.zeros(8, bool))[1] == 0.0


def test_block_means_leave_out_what_was_not_received() -> None:
    time = np.arange(6.0)
    values = np.array([[1.0], [3.0], [np.nan], [5.0], [np.nan], [np.nan]])
    means = s.block_means(time, values, np.array([0.0, 2.0, 4.0, 6.0]))
    assert means[:, 0].tolist()[:2] == [2.0, 5.0]
    assert np.isnan(means[2, 0])
