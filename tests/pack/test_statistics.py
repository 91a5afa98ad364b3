"""Robust statistics, against scipy and closed forms."""

from __future__ import annotations

import warnings
from statistics import median

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy import stats

from busplan.pack import statistics as s


@given(
    arrays(
        np.float64,
        array_shapes(max_dims=3, max_side=6, min_side=0),
        elements=st.floats(-1e6, 1e6) | st.just(float("nan")),
    ),
    st.data(),
)
def test_the_median_of_what_was_received_is_numpys(values: np.ndarray, data: st.DataObject) -> None:
    axis = data.draw(st.sampled_from([None, *range(values.ndim), -1]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of slices in which nothing was received
        expected = np.nanmedian(values, axis=axis)
    assert s.nan_median(values, axis) == pytest.approx(expected, nan_ok=True)
    assert np.shape(s.nan_median(values, axis)) == np.shape(expected)


def test_mad_sigma_agrees_with_scipy_up_to_its_small_sample_factor() -> None:
    values = np.random.default_rng(1).normal(3.0, 2.0, 500)
    # Reference: scipy.stats.median_abs_deviation(scale="normal").
    expected = stats.median_abs_deviation(values, scale="normal") * 500 / 499.2
    assert s.mad_sigma(values) == pytest.approx(expected, rel=1e-4)


def test_three_values_scatter_and_two_do_not_tell() -> None:
    three, nan = np.array([1.0, 2.0, 5.0]), float("nan")
    # The factor for small samples: n/(n - 0.8) (Croux and Rousseeuw 1992, from memory).
    expected = stats.median_abs_deviation(three, scale="normal") * 3 / 2.2
    assert s.mad_sigma(three) == pytest.approx(expected, rel=1e-4)
    assert s.mad_sigma(np.array([1.0, nan, 2.0, 5.0])) == s.mad_sigma(three)
    assert np.isnan(s.mad_sigma(np.array([1.0, nan, 5.0])))


def test_rounding_scatters_as_the_uniform_distribution_does() -> None:
    assert s.rounding_sigma(0.5) == pytest.approx(stats.uniform(scale=0.5).std())


def test_small_samples_give_the_right_scatter_on_average() -> None:
    rng = np.random.default_rng(2)
    estimates = [s.mad_sigma(rng.normal(0.0, 1.0, 8)) for _ in range(4000)]
    assert np.mean(estimates) == pytest.approx(1.0, abs=0.06)


def slow_distance(values: list[float], index: int, usual: float) -> float:
    """The moderated distance of one value, spelled out; variance of the inner part by scipy."""
    others = [v for i, v in enumerate(values) if i != index]
    centre = median(others)
    kept = sorted(abs(v - centre) for v in others)[: len(others) - len(others) // 6]
    part = len(kept) / len(others)
    edge = stats.norm.ppf((1 + part) / 2)
    inner = 1.0 if part == 1 else stats.truncnorm(-edge, edge).var()
    own = sum(v * v for v in kept) / inner
    return (values[index] - centre) / ((8 * usual**2 + own) / (8 + len(kept) - 1)) ** 0.5


@pytest.mark.parametrize("count", [3, 5, 12, 40])
def test_distances_are_those_of_the_moderated_statistic(count: int) -> None:
    values = np.random.default_rng(count).normal(5.0, 2.0, count)
    expected = [slow_distance(values.tolist(), i, 1.5) for i in range(count)]
    assert s.deviates(values, 0.0, 1.5) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("count", "packs", "low", "high"),
    [(4, 30_000, 40, 80), (12, 12_000, 12, 37), (96, 2000, 1, 11)],
)
def test_the_gate_has_its_rate_over_whole_packs_on_both_sides(
    count: int, packs: int, low: int, high: int
) -> None:
    # 0.2 % of the packs are 60, 24 and 4; the bounds are 2.6 standard deviations of that number.
    rng = np.random.default_rng([count, 3])
    scatter = np.sqrt(8 / rng.chisquare(8, packs))
    values = scatter[:, None] * rng.normal(size=(packs, count))
    over = under = either = 0
    for part in np.array_split(values, max(packs * count**2 // 1_000_000, 1)):
        centre, around = s.others_of(part, 1.0)
        far = (part - centre) / around
        over += int((far.max(axis=1) > s.gate(count)).sum())
        under += int((far.min(axis=1) < -s.gate(count)).sum())
        either += int((np.abs(far).max(axis=1) > s.gate(count)).sum())
    assert low <= either <= high
    assert abs(over - under) <= 0.5 * either + 3
    pack = values[0]
    assert s.deviates(pack, 0.0, 1.0).max() == pytest.approx(
        ((pack - s.others_of(pack, 1.0)[0]) / s.others_of(pack, 1.0)[1]).max()
    )


def test_two_peers_cannot_accuse_each_other_and_unknown_ones_do_not_count() -> None:
    assert s.gate(2) == np.inf
    assert np.isnan(s.deviates(np.array([1.0, 900.0]), 0.0, 1.0)).all()
    far = s.deviates(np.array([1.0, np.nan, 2.0, 3.0]), 0.0, 1.0)
    assert np.isnan(far).tolist() == [False, True, False, False]


def test_one_outlier_neither_hides_itself_nor_moves_the_others() -> None:
    values = np.append(np.linspace(-1, 1, 31), 20.0)
    far = s.deviates(values, 0.0, 0.1)
    assert far[-1] > 15
    assert np.abs(far[:-1]).max() < 2


def test_a_scatter_well_below_the_usual_one_is_not_believed() -> None:
    values = np.array([0.0] * 11 + [0.5])  # eleven alike by chance of rounding
    # By hand: √(8 · 0.5² / (8 + 9)) = 0.343; 0.5 / 0.343.
    assert s.deviates(values, 0.0, 0.5)[-1] == pytest.approx(1.4577, rel=1e-3)


def test_an_own_uncertainty_brings_a_value_nearer() -> None:
    values = np.array([0.0] * 11 + [0.5])
    near = s.deviates(values, np.where(values > 0, 1.0, 0.0), 0.5)[-1]
    assert near == pytest.approx(0.5 / (0.25 * 8 / 17 + 1.0) ** 0.5, rel=1e-9)


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


def test_the_gates_near_those_of_a_known_scatter_as_peers_become_many() -> None:
    """With a known scatter the two-sided gate of n independent peers is that of Bonferroni
    (normal distribution by scipy; rate ``FALSE_ALARM``)."""
    over = [told / stats.norm.isf(s.FALSE_ALARM / 2.0 / count) for count, told in s.GATES]
    assert over == sorted(over, reverse=True)
    assert 1.0 < over[-1] < 1.03
