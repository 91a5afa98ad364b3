"""The warm-up test: verdicts, spans, and when it does not allow one."""

from __future__ import annotations

import numpy as np
import pytest
from support.packs import module_temperatures

from busplan.pack import warm_up
from busplan.pack.series import Trace, grid_of, sample
from busplan.pack.thermal_span import cut_thermal_span, find_thermal_span
from busplan.pack.warm_up import ModuleVerdict, WarmUp, WarmUpState, judge_warm_up


def judge(
    minutes: float,
    flows: list[float],
    *,
    step: float = 0.5,
    known: bool = True,
    sensors: int = 2,
    stuck: int | None = None,
    **how: float,
) -> WarmUp:
    time, liquid, values = module_temperatures(
        minutes, np.array(flows), step=step, sensors=sensors, **how
    )
    mask = np.zeros(values.shape[1], bool)
    if stuck is not None:
        values[:, stuck] = 14.0
        mask[stuck] = True
    sampled = sample([Trace(time, v, step) for v in values.T], time)
    cut = cut_thermal_span(sampled, Trace(time, liquid) if known else None, 0.0, minutes * 60)
    names = [f"M{i}" for i in range(len(flows))]
    owner = [n for n in names for _ in range(sensors)]
    return judge_warm_up(cut, names, owner, [*range(1, sensors + 1)] * len(flows), step, mask)


HEALTHY = [1.0, 0.97, 1.03, 1.0, 1.02, 0.98, 1.0, 1.0, 0.99, 1.01, 1.0, 1.0]


def test_a_module_with_less_flow_is_slow_and_its_exchange_is_told() -> None:
    test = judge(20, [*HEALTHY[:7], 0.4, *HEALTHY[8:]])
    assert test.state is WarmUpState.JUDGED
    slow = test.modules[7]
    assert slow.verdict is ModuleVerdict.SLOW
    assert slow.exchange == pytest.approx(0.4, abs=3 * slow.uncertainty + 0.01)
    assert all(m.verdict is ModuleVerdict.FOLLOWS for i, m in enumerate(test.modules) if i != 7)
    # Lag by the closed form behind the made temperatures.
    _, _, ideal = module_temperatures(20, np.array([1.0, 0.4]), sensors=1, step=0.0, noise=0.0)
    assert slow.lag_k == pytest.approx(ideal[-1, 0] - ideal[-1, 1], abs=0.3)
    reached = np.argmax(ideal[:, 0] >= ideal[-1, 1])
    assert slow.lag_s == pytest.approx(1200 - reached, abs=25)


def test_a_healthy_loop_gives_no_verdict_against_any_module() -> None:
    test = judge(20, HEALTHY)
    assert test.state is WarmUpState.JUDGED
    assert {m.verdict for m in test.modules} == {ModuleVerdict.FOLLOWS}
    assert max(abs(m.lag_k) for m in test.modules) < 0.6


def test_a_module_without_flow_stands_still() -> None:
    test = judge(15, [*HEALTHY[:3], 0.02, *HEALTHY[4:]])
    assert test.modules[3].verdict is ModuleVerdict.NO_FLOW


def test_a_stuck_sensor_leaves_the_judgement_to_its_partner() -> None:
    test = judge(20, HEALTHY, stuck=19)
    assert test.modules[9].verdict is ModuleVerdict.STUCK
    assert test.modules[9].stuck == (2,)
    assert test.modules[9].exchange == pytest.approx(1.0, abs=0.05)


def test_without_liquid_temperature_the_rise_is_an_upper_bound() -> None:
    test = judge(20, [*HEALTHY[:7], 0.4, *HEALTHY[8:]], known=False)
    assert test.exchange_bound
    slow = test.modules[7]
    assert slow.verdict is ModuleVerdict.SLOW
    assert 0.4 < slow.exchange < 0.65
    assert sum(m.verdict is not ModuleVerdict.FOLLOWS for m in test.modules) == 1


def test_a_short_test_says_how_much_longer_and_is_right_about_it() -> None:
    flows = [*HEALTHY[:7], 0.4, *HEALTHY[8:]]
    short = judge(2, flows, step=1.0, sensors=1)
    assert short.state is WarmUpState.TOO_SHORT
    assert all(m.verdict is ModuleVerdict.OPEN for m in short.modules)
    assert short.more_minutes is not None
    # It foresees with the liquid at its last temperature; ours goes on rising, so this is enough.
    longer = judge(2 + short.more_minutes, flows, step=1.0, sensors=1)
    assert longer.state is WarmUpState.JUDGED
    assert longer.modules[7].verdict is ModuleVerdict.SLOW


def test_liquid_as_warm_as_the_modules_is_too_even(monkeypatch: pytest.MonkeyPatch) -> None:
    # Each minute looked ahead costs a tenth of a second here; 90 of them say the same.
    monkeypatch.setattr(warm_up, "LONGEST_EXTENSION_MIN", 9)
    test = judge(20, HEALTHY, liquid_rise=0.3)
    assert test.state is WarmUpState.TOO_EVEN
    assert test.more_minutes is None
    assert {m.verdict for m in test.modules} == {ModuleVerdict.OPEN}


def test_a_cool_down_is_judged_alike() -> None:
    test = judge(
        20, [*HEALTHY[:7], 0.4, *HEALTHY[8:]], start=40.0, liquid_start=40.0, liquid_rise=-24.0
    )
    assert not test.heating
    assert test.modules[7].verdict is ModuleVerdict.SLOW
    assert test.modules[7].lag_k > 5


def test_the_span_is_found_after_a_level_start() -> None:
    time, _, values = module_temperatures(10, np.array(HEALTHY), noise=0.0)
    still = np.full((300, values.shape[1]), values[0])
    later = np.concatenate((time[:300], time + 300.0))
    traces = [Trace(later, v, 0.5) for v in np.concatenate((still, values)).T]
    span = find_thermal_span(sample(traces, grid_of(traces)), 0.5)
    assert span is not None
    assert span[0] == pytest.approx(300.0, abs=90.0)
    assert span[1] == pytest.approx(900.0, abs=30.0)


def test_no_span_where_nothing_moves() -> None:
    time = np.arange(0.0, 600.0)
    traces = [Trace(time, np.round(20 + 0.2 * np.sin(time / 50)), 1.0)] * 4
    assert find_thermal_span(sample(traces, time), 1.0) is None
