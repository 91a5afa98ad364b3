"""The parts behind the resistances: sums against slow twins, fits and peers by closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, signal
from support import slow_resistance

from busplan.pack.labels import how_late
from busplan.pack.resistance_drive import LAGS_S, make_drive
from busplan.pack.resistance_fit import _own_scatter, non_negative
from busplan.pack.resistance_kernels import block_moments, delay_fits, slow_parts
from busplan.pack.resistance_peers import against_peers, whole_modules
from busplan.pack.series import Trace


def stepped(seconds: float = 300.0, seed: int = 4) -> Trace:
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 0.05)
    level = np.repeat(rng.choice([0.0, 120.0, 300.0, -70.0], int(seconds / 5) + 1), 100)
    return Trace(time, level[: len(time)], 0.1)


@pytest.mark.parametrize("lag", [0.4, 6.3, 100.0])
def test_slow_parts_are_exact_for_straight_lines(lag: float) -> None:
    amps = np.random.default_rng(1).normal(50.0, 100.0, 400)
    ours = slow_parts(amps, float(np.exp(-0.05 / lag)))
    # Reference: scipy.signal.lsim, whose input is linear between samples too.
    time = 0.05 * np.arange(400)
    _, reference, _ = signal.lsim(([1.0], [lag, 1.0]), amps - amps[0], time)
    assert ours - amps[0] == pytest.approx(reference, abs=1e-9)


def test_sums_by_block_equal_the_spelled_out_ones() -> None:
    drive = make_drive(stepped()).with_knee(2)
    rng = np.random.default_rng(2)
    time = np.sort(rng.uniform(-1.0, 302.0, 2500))
    volts = 3.7 + rng.normal(0.0, 0.02, (2500, 3))
    inside, block, group = drive.rows(time)
    rows = time[inside]
    ours = block_moments(
        rows, volts[inside], group, block, drive.table, drive.start, drive.step, 0.23, drive.groups
    )
    slow = slow_resistance.block_moments(
        rows, volts[inside], group, block, drive, 0.23, drive.groups
    )
    assert ours[:, :-1, :-1] == pytest.approx(slow[:, :-1, :-1], rel=1e-6, abs=1e-4)
    assert ours[:, -1, -1].tolist() == slow[:, -1, -1].tolist()


def test_a_delay_fits_as_spelled_out_and_best_at_the_true_one() -> None:
    current = stepped(60.0)
    time = np.arange(0.5, 59.0, 0.1)
    fall = np.interp(time - 0.17, current.time_s, current.value) * 1e-3
    fall += np.random.default_rng(3).normal(0.0, 1e-3, len(time)) + 1e-4 * time
    window = (time // 6.0).astype(np.int64)
    delays = np.array([-0.05, 0.0, 0.17, 0.3])
    ours = delay_fits(time, fall, window, current.value, 0.0, 0.05, delays)
    slow = [
        slow_resistance.delay_fit(time, fall, window, current.value, current.time_s, d)
        for d in delays
    ]
    assert ours == pytest.approx(slow, rel=1e-6)
    assert int(np.argmax(ours)) == 2


def test_coefficients_without_negative_ones_are_scipys() -> None:
    rng = np.random.default_rng(6)
    design, target = rng.normal(size=(60, 5)), rng.normal(size=60)
    # Reference: scipy.optimize.lsq_linear with bounds.
    reference = optimize.lsq_linear(design, target, (0.0, np.inf), tol=1e-12).x
    ours = non_negative(design.T @ design, design.T @ target)
    assert ours == pytest.approx(reference, abs=1e-6)


def test_causes_that_are_not_told_apart_are_solved_all_the_same() -> None:
    rng = np.random.default_rng(5)
    design = rng.random((40, 3)) @ rng.random((3, 8))  # three causes told as eight
    target = design @ np.arange(8.0) + 0.01 * rng.standard_normal(40)
    # What sums of many rows leave by rounding: eigenvalues a little below 0.
    square = design.T @ design - 1e-8 * np.eye(8)
    ours = non_negative(square, design.T @ target)
    theirs, _ = optimize.nnls(design, target)
    assert (ours >= 0).all()
    assert design @ ours == pytest.approx(design @ theirs, abs=1e-3)


def test_a_chord_is_what_a_step_makes_of_each_cause() -> None:
    drive = make_drive(stepped()).with_knee(2)
    # A step to 150 A, simulated on its own: ten thousand steps of the differential equation.
    knee = drive.knees_a[0]
    expected = [1.0, knee * np.arcsinh(150.0 / knee) / 150.0]
    for lag in LAGS_S:
        state = 0.0
        for _ in range(10_000):
            state += (1.0 - state) * (10.0 / 10_000) / lag
        expected.append(state)
    assert drive.chord(10.0, 150.0) == pytest.approx(expected, rel=2e-3)


def test_blocks_are_long_where_the_drive_is_long_enough() -> None:
    assert make_drive(stepped(900.0)).block_s == pytest.approx(60.0, rel=0.1)
    assert make_drive(stepped(300.0)).block_s == pytest.approx(30.0, rel=0.15)
    short = make_drive(stepped(60.0))
    assert (short.groups, round(short.block_s)) == (5, 12)
    assert make_drive(stepped(4000.0)).groups == 40


def test_rows_in_a_gap_of_the_current_are_left_out() -> None:
    current = stepped()
    heard = (current.time_s < 100.0) | (current.time_s > 130.0)
    cut = Trace(current.time_s[heard], current.value[heard], 0.1)
    inside, _, _ = make_drive(cut).rows(np.array([90.0, 115.0, 150.0, 170.0]))
    assert inside.tolist() == [True, False, False, True]


def relative(kilo: float, kelvin: float, modules: int = 12) -> tuple[np.ndarray, ...]:
    """Ratios of equal cells whose module 3 is colder, by Arrhenius; temperatures; modules."""
    module = np.repeat(np.arange(modules), 8)
    warm = np.where(module == 3, 25.0 - kelvin, 25.0)
    ratio = np.exp(kilo * 1e3 / 8.314 * (1 / (warm + 273.15) - 1 / 298.15))
    ratio *= 1 + 0.02 * np.random.default_rng(1).normal(size=len(module))
    return ratio, warm, module


@pytest.mark.parametrize(
    ("kilo", "believed"),
    [
        (-10.0, False),
        (4.0, True),
        (20.0, True),
        (50.0, True),
        (61.0, True),
        (70.0, False),
        (90.0, False),
    ],
)
def test_the_activation_energy_is_found_and_believed_only_where_cells_have_it(
    kilo: float, believed: bool
) -> None:
    ratio, warm, module = relative(kilo, 12.0)
    peers = against_peers(ratio, np.full(len(ratio), 0.002), warm, module)
    assert peers.energy.value == pytest.approx(kilo, abs=4.0)
    assert peers.energy.believed is believed
    if believed:
        assert np.abs(peers.excess).max() < 0.12
        assert (peers.far < peers.limit).all()


def test_what_a_modules_sensor_has_wrong_its_cells_share_and_nobody_is_accused_or_hidden() -> None:
    # A twelfth of the modules 12 K colder at 50 kJ/mol; half a kelvin is 3.4 % of resistance there.
    ratio, warm, module = relative(50.0, 12.0)
    raised = int(np.flatnonzero(module == 5)[3])
    ratio[raised] *= 1.23
    peers = against_peers(ratio, np.full(len(ratio), 0.002), warm, module)
    assert np.flatnonzero(peers.far > peers.limit).tolist() == [raised]
    # The sensor of module 5 reads 1 K too high: its cells seem 7 % up, none of them alone.
    wrong = np.where(module == 5, warm + 1.0, warm)
    shifted = against_peers(ratio, np.full(len(ratio), 0.002), wrong, module)
    others = (module == 5) & (np.arange(len(module)) != raised)
    assert np.median(shifted.excess[others] - peers.excess[others]) == pytest.approx(0.07, abs=0.02)
    assert np.abs(np.median(shifted.far[others] - peers.far[others])) < 0.8


def test_temperature_that_does_not_differ_explains_nothing() -> None:
    ratio, warm, module = relative(40.0, 0.0)
    ratio[10] = 1.5
    peers = against_peers(ratio, np.full(len(ratio), 0.002), warm, module)
    assert int(np.argmax(peers.far)) == 10
    assert peers.far[10] > peers.limit
    assert peers.excess[10] == pytest.approx(0.5, abs=0.03)
    assert 0.1 < peers.shows < 0.3


def test_a_module_stands_out_by_most_of_its_cells_or_by_its_middle() -> None:
    module = np.repeat(np.arange(8), 8)
    excess = 0.01 * np.random.default_rng(2).normal(size=64)
    none = np.zeros(64, bool)
    assert whole_modules(none, excess, module, 0.2) == ()
    lifted = np.where(module == 5, excess + 0.25, excess)
    assert whole_modules(none, lifted, module, 0.2) == (5,)
    assert whole_modules(none, lifted, module, 0.3) == ()
    most = np.flatnonzero(module == 2)[:6]
    assert whole_modules(np.isin(np.arange(64), most), excess, module, 0.2) == (2,)
    assert whole_modules(np.isin(np.arange(64), most[:5]), excess, module, 0.2) == ()


@pytest.mark.parametrize(
    ("least", "most", "words"),
    [
        (0.014, 0.0234, "14 to 23 ms late"),
        (0.0, 0.0, "0 ms late"),
        (-0.087, -0.079, "79 to 87 ms before the current"),
        (-0.0101, -0.0099, "10 ms before the current"),
        (-0.020, 0.030, "from 20 ms before the current to 30 ms after it"),
    ],
)
def test_voltages_that_come_before_the_current_are_not_said_to_be_late(
    least: float, most: float, words: str
) -> None:
    assert how_late(least, most) == words


@pytest.mark.parametrize("scatter", [0.08, 0.2])
def test_the_scatter_of_the_cells_own_parts_is_found_from_all(scatter: float) -> None:
    """Made by the model itself: y = X b + e, b drawn from its prior (Gaussian marginal
    likelihood; any textbook of Bayesian linear regression)."""
    rng = np.random.default_rng(3)
    causes = rng.normal(size=(400, 8, 4))
    own = scatter * rng.normal(size=(400, 4)) + rng.normal(size=(400, 1))
    falls = np.einsum("cnk,ck->cn", causes, own) + 0.3 * rng.normal(size=(400, 8))
    full = np.einsum("cni,cnj->cij", causes, causes)
    rest = np.einsum("cni,cn->ci", causes, falls)
    assert _own_scatter(full, rest, np.full(400, 0.09)) == pytest.approx(scatter, rel=0.3)
