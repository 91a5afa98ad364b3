"""What a warm-up would have shown, its span, and what is observed of quantised readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from truth import fact, loop_cases
from truth.as_series import warm_up_series

from busplan.answers import Answer
from busplan.pack import exchange_verdict, warm_up_power
from busplan.pack.series import Trace, sample
from busplan.pack.thermal_observations import observe
from busplan.pack.thermal_span import ThermalSpan, find_thermal_span, widest_move
from busplan.pack.warm_up import judge_warm_up
from busplan.pack.warm_up_power import _longer
from busplan.pack.warm_up_result import WarmUp

Array = np.ndarray[Any, np.dtype[np.float64]]


def judged(name: str, **knobs: float) -> WarmUp:
    test = loop_cases.case(name, 5, modules=8, **knobs)
    series, layout = warm_up_series(test)
    span = widest_move(series.temperature, test.sensors.step_k)
    assert span is not None
    return judge_warm_up(series, layout, span, test.sensors.step_k)


def test_a_good_test_would_have_shown_a_third_of_the_flow_and_lacks_nothing() -> None:
    found = judged("healthy", minutes=20.0)
    half, third = found.power
    assert (half.exchange, third.exchange) == (0.60, 0.45)
    assert third.chance >= 0.9
    assert half.chance <= third.chance
    assert found.more_minutes == 0.0
    assert "would have shown" in found.would_have_shown


def test_a_short_test_shows_less_and_says_how_many_more_minutes() -> None:
    short = judged("healthy", minutes=5.0, step_k=1.0)
    assert short.more_minutes is not None
    assert 1 <= short.more_minutes <= 30
    assert f"{short.more_minutes:.0f} min more" in short.missing
    longer = judged("healthy", minutes=5.0 + short.more_minutes + 4.0, step_k=1.0)
    # What was foreseen from five minutes comes true within the chance of two dozen draws.
    assert longer.power[1].chance >= 0.6


def test_a_test_that_has_only_begun_says_so_and_what_it_lacks() -> None:
    series, layout = fact.readings(4).as_series()
    span = widest_move(series.temperature, 1.0)
    assert span is not None
    found = judge_warm_up(series, layout, span, 1.0)
    assert found.power == ()
    assert found.more_minutes is None or found.more_minutes > 0


def test_what_would_have_shown_is_judged_in_the_same_doubt_as_the_test_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    doubts = []

    def judge(tau_share: Array, tau: Array, scatter: Any, more_blur: float, needed: Any) -> Any:
        doubts.append((round(more_blur, 6), needed))
        return exchange_verdict.judge(tau_share, tau, scatter, more_blur, needed)

    monkeypatch.setattr(warm_up_power, "judge", judge)
    found = judged("healthy", minutes=10.0, skip_s=60.0)
    assert not found.level_start
    assert found.power
    assert set(doubts) == {(0.08, exchange_verdict.DOUBTFUL)}


def test_most_of_an_hour_more_is_told_where_that_is_what_it_takes() -> None:
    series, layout = fact.readings(3).as_series()
    span = widest_move(series.temperature, 1.0)
    assert span is not None
    found = judge_warm_up(series, layout, span, 1.0)
    # At 0.43 K/min one step takes two to three minutes.
    assert found.more_minutes is not None
    assert 20 < found.more_minutes <= 90


@dataclass(frozen=True)
class Peers:
    """What is asked of the peers' fit when a test is made longer."""

    curve: Array
    step_s: float


def test_a_longer_test_goes_on_as_in_its_last_three_minutes() -> None:
    time = np.arange(0.0, 601.0, 5.0)
    # 1 K/min, and half of that in the last three minutes.
    curve = 14.0 + np.minimum(time, 420.0) / 60.0 + np.maximum(time - 420.0, 0.0) / 120.0
    span = ThermalSpan(100.0, 130.0, 700.0, True, True, 17.0, 1.0)
    fit, longer = _longer(Peers(curve, 5.0), span, 600.0)  # type: ignore[arg-type]
    assert (longer.start_s, longer.stop_s) == (100.0, 1300.0)
    at = np.arange(len(fit.curve)) * fit.step_s
    assert at[-1] >= 1200.0
    assert np.interp(600.0, at, fit.curve) == pytest.approx(curve[-1])
    assert np.interp(1200.0, at, fit.curve) == pytest.approx(curve[-1] + 5.0)


def test_one_step_already_foresees_how_long_it_takes() -> None:
    found = judged("healthy", minutes=3.5, step_k=1.0)
    assert 1.0 <= found.steps < 2.0
    assert found.more_minutes is not None
    assert 1 <= found.more_minutes <= 15
    assert f"{found.more_minutes:.0f} min more at this rate would show" in found.missing


def test_two_steps_name_a_module_that_is_plainly_late_and_clear_none() -> None:
    test = loop_cases.population(500292, liquid=True)
    series, layout = warm_up_series(test)
    span = widest_move(series.temperature, 1.0)
    assert span is not None
    assert span.rise_steps == 2.0
    assert not span.enough
    found = judge_warm_up(series, layout, span, 1.0)
    late = [i for i, m in enumerate(found.modules) if m.answer is Answer.BAD]
    assert late == list(test.bad)
    assert all(m.answer is Answer.NOT_SHOWN for i, m in enumerate(found.modules) if i not in late)


def ramp(rate_k_min: float, minutes: float, step: float, level_s: float = 60.0) -> list[Trace]:
    time = np.arange(0.0, minutes * 60 + 0.5)
    rise = rate_k_min / 60 * np.clip(time - level_s, 0.0, None)
    starts = 16.0 + step * np.linspace(-0.4, 0.4, 9)
    return [Trace(time, np.round((s + rise) / step) * step, step) for s in starts]


@pytest.mark.parametrize(
    ("rate", "minutes", "enough"),
    [(1.0, 5.0, True), (1.0, 3.0, False), (0.14, 30.0, True), (0.08, 60.0, False)],
)
def test_a_span_must_move_far_and_fast_enough(rate: float, minutes: float, enough: bool) -> None:
    traces = ramp(rate, minutes, 1.0)
    found = find_thermal_span(sample(traces, traces[0].time_s), 1.0)
    assert (found is not None) is enough


def test_the_level_start_is_kept_and_told() -> None:
    traces = ramp(1.0, 15.0, 0.5, level_s=300.0)
    span = widest_move(sample(traces, traces[0].time_s), 0.5)
    assert span is not None
    assert span.plateau
    assert span.moves_s == pytest.approx(305.0, abs=15.0)
    assert span.moves_s - span.start_s == pytest.approx(120.0, abs=10.0)
    late = [Trace(t.time_s[310:], t.value[310:], t.step) for t in traces]
    cut = widest_move(sample(late, late[0].time_s), 0.5)
    assert cut is not None
    assert not cut.plateau


@pytest.mark.parametrize(("level_s", "plateau"), [(16.0, False), (36.0, True)])
def test_half_a_minute_of_level_start_is_one(level_s: float, plateau: bool) -> None:
    traces = ramp(1.0, 15.0, 0.5, level_s=level_s)
    span = widest_move(sample(traces, traces[0].time_s), 0.5)
    assert span is not None
    assert span.plateau is plateau


@pytest.mark.parametrize(
    ("steps", "rate", "enough", "to_name"),
    [
        (2.5, 0.1, True, True),
        (2.4, 0.2, False, True),
        (2.0, 0.1, False, True),
        (1.9, 0.2, False, False),
        (9.0, 0.09, False, False),
    ],
)
def test_two_steps_may_name_and_two_and_a_half_compare(
    steps: float, rate: float, enough: bool, to_name: bool
) -> None:
    span = ThermalSpan(0.0, 60.0, 600.0, True, True, steps, rate)
    assert (span.enough, span.enough_to_name) == (enough, to_name)


def test_a_fall_is_a_cool_down_with_its_rate_found_or_named() -> None:
    falling = [Trace(t.time_s, 40.0 - t.value, t.step) for t in ramp(1.0, 15.0, 0.5)]
    sampled = sample(falling, falling[0].time_s)
    for within in (None, (30.0, 900.0)):
        span = widest_move(sampled, 0.5, within)
        assert span is not None
        assert not span.heating
        assert span.rise_steps == pytest.approx(28.0, abs=1.0)
        assert span.rate_k_min == pytest.approx(1.0, abs=0.05)


def test_what_stays_where_it_came_to_still_counts_for_five_minutes() -> None:
    """A sensor of whole degrees says nothing for minutes; who has not followed shows only then."""
    ends = []
    for level_min in (2.0, 30.0):
        time = np.arange(0.0, (15.0 + level_min) * 60 + 0.5)
        rise = np.clip((time - 60.0) / 60.0, 0.0, 14.0)
        traces = [Trace(time, np.round(16.1 + rise), 1.0)] * 5
        span = widest_move(sample(traces, time), 1.0)
        assert span is not None
        ends.append(span.stop_s)
        assert span.rise_steps == 14.0
    last = 60.0 + 60.0 * 13.4
    assert ends[0] == pytest.approx(17 * 60.0, abs=5.0)
    assert ends[1] == pytest.approx(last + 300.0, abs=10.0)


def test_each_change_of_code_is_one_observation_half_way() -> None:
    time = np.arange(0.0, 601.0)
    truth = 16.1 + 0.01 * np.clip(time - 60, 0, None)
    trace = Trace(time, np.round(truth / 0.5) * 0.5, 0.5)
    span = ThermalSpan(0.0, 60.0, 600.0, True, True, 10.0, 0.6)
    seen = observe([trace], span, 0.5, 0.01)
    inside = slice(1, -1)
    assert seen.value[inside] == pytest.approx(
        np.interp(seen.time_s[inside], time, truth), abs=0.02
    )
    assert len(seen.value) == 2 + 11
    assert seen.sigma[1] == pytest.approx(np.hypot(0.05, 0.06 * 0.5), rel=0.01)
    # A level reading is known to step/sqrt(12), the deviation of a uniform distribution.
    assert seen.sigma[0] == pytest.approx(0.5 / 12**0.5)
    assert seen.start_c[0] == 16.0
    gone = Trace(time[:200], trace.value[:200], 0.5)
    # Four fifths of the span must be heard: 100 s of 600 may lack, 140 s may not.
    gaps = [(time < 200) | (time > 200 + lack) for lack in (100, 140)]
    partly = [Trace(time[g], trace.value[g], 0.5) for g in gaps]
    assert observe([gone, *partly], span, 0.5, 0.01).heard.tolist() == [False, True, False]


def test_a_level_start_that_flickers_lies_between_its_two_codes() -> None:
    time = np.arange(0.0, 601.0)
    truth = 16.25 + 0.01 * np.clip(time - 60, 0, None)
    value = np.round(truth / 0.5) * 0.5
    value[:60] = np.where(time[:60] % 3 == 0, 16.5, 16.0)
    seldom = np.where((time == 7) & (value == 16.0), 16.5, np.where(time < 60, 16.0, value))
    span = ThermalSpan(0.0, 60.0, 600.0, True, True, 10.0, 0.6)
    seen = observe([Trace(time, v, 0.5) for v in (value, seldom)], span, 0.5, 0.01)
    assert seen.start_c[0] == 16.25
    assert seen.start_sigma[0] == pytest.approx(0.05)
    # Now and then is no flicker: known to step/sqrt(12), the deviation of a uniform distribution.
    assert seen.start_c[1] == pytest.approx(16.0, abs=0.02)
    assert seen.start_sigma[1] == pytest.approx(0.5 / 12**0.5)


def test_fine_steps_are_gathered_to_a_quarter_kelvin() -> None:
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 601.0)
    truth = 16.1 + 0.01 * np.clip(time - 60, 0, None)
    trace = Trace(time, np.round((truth + rng.normal(0, 0.04, 601)) / 0.1) * 0.1, 0.1)
    span = ThermalSpan(0.0, 60.0, 600.0, True, True, 50.0, 0.6)
    seen = observe([trace], span, 0.1, 0.01)
    assert len(seen.value) <= 2 + 28
    inside = slice(1, -1)
    error = seen.value[inside] - np.interp(seen.time_s[inside], time, truth)
    assert np.abs(error).max() < 0.12
    assert abs(error.mean()) < 0.03
