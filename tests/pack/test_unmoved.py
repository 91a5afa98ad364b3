"""Temperatures that never moved: open where the current must have warmed them, else as they are.

Reference: the energy balance of a lumped body, C dT/dt = I² R (Incropera, Fundamentals of Heat and
Mass Transfer, from memory); the figures of an ordinary cell are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from truth import cell_packs
from truth.as_series import layout_of, pack_series

from busplan.answers import Answer
from busplan.pack.kinds import PackTest
from busplan.pack.report import evaluate_pack
from busplan.pack.series import PackSeries, Trace
from busplan.pack.unmoved import find_unmoved
from busplan.pack.whole import judge_whole
from busplan.plan.vehicle import PackLayout

AH = 100.0


def run(
    amps: float,
    minutes: float,
    *,
    step_k: float = 0.5,
    inlet_c: float | None = None,
    capacity_ah: float | None = AH,
    moves: bool = False,
) -> tuple[PackSeries, PackLayout]:
    """A steady current; four sensors at 25.0 °C, of which one may tick once a minute."""
    time = np.arange(0.0, 60.0 * minutes + 0.5, 0.5)
    flat = [Trace(time, np.full(len(time), 25.0), step=step_k) for _ in range(4)]
    if moves:
        flat[2] = replace(flat[2], value=25.0 + step_k * (time // 60.0 % 2))
    quantities = {"current": Trace(time, np.full(len(time), amps), step=0.1)}
    if inlet_c is not None:
        quantities["inlet_temperature"] = Trace(time, np.full(len(time), inlet_c), step=0.1)
    layout = layout_of(
        [0, 0], sensors=2, quantities=tuple(quantities), step_k=step_k, capacity_ah=capacity_ah
    )
    return PackSeries((), tuple(flat), quantities, float(time[-1])), layout


def test_the_rise_is_the_heat_of_the_current_over_the_heat_capacity() -> None:
    series, layout = run(-AH, 30.0)
    found = find_unmoved(series, layout, None, 0.5)
    assert found is not None
    # 0.6 mΩ at 100 A for 1800 s less 15 mV on 50 Ah, into 2.5 kJ/K.
    expected = (100.0**2 * 0.6e-3 * 1800.0 - 0.015 * 50.0 * 3600.0) / 2500.0
    assert found.expected_k == pytest.approx(expected, rel=1e-3)
    assert (found.start_s, found.stop_s) == (0.0, 1800.0)
    assert "for 30:00, in which the current warms the cells by about 3.2 K" in found.words


@pytest.mark.parametrize(
    ("amps", "minutes", "more", "open_"),
    [
        (-100.0, 30.0, {}, True),
        (100.0, 30.0, {}, True),
        (-42.0, 10.0, {}, False),  # a mild charge warms by less than half a degree
        (-42.0, 10.0, {"step_k": 0.0625}, True),  # but by more than twelve bits of 256 °C
        (-100.0, 30.0, {"step_k": 3.1}, True),
        (-100.0, 30.0, {"step_k": 3.3}, False),
        (-15.0, 360.0, {}, False),  # so slow that the entropy of the cells may take it up
        (0.5, 360.0, {}, False),
        (-100.0, 30.0, {"moves": True}, False),
        (-100.0, 30.0, {"inlet_c": 25.0}, True),
        (-100.0, 30.0, {"inlet_c": 23.5}, False),  # cooled, as far as is known
        (-100.0, 30.0, {"capacity_ah": None}, True),
        (0.0, 360.0, {"capacity_ah": None}, False),  # whatever the cells, nothing warms them
        (0.5, 360.0, {"capacity_ah": None}, False),
    ],
)
def test_only_what_had_to_move_is_open(
    amps: float, minutes: float, more: dict[str, float], open_: bool
) -> None:
    series, layout = run(amps, minutes, **more)  # type: ignore[arg-type]
    found = find_unmoved(series, layout, None, layout.temperature_resolution_k or 0.5)
    assert (found is not None) is open_


def test_cells_that_are_lost_with_their_capacity_make_no_answer_better() -> None:
    series, layout = frozen_drive()
    known = evaluate_pack(series, layout).unmoved
    without = replace(
        series,
        cells=tuple(replace(c, time_s=c.time_s[:0], value=c.value[:0]) for c in series.cells),
    )
    lost = evaluate_pack(without, layout).unmoved
    assert known is not None
    assert lost is not None
    assert lost.expected_k > known.expected_k  # the least capacity that bears the current
    assert "warms the cells by up to" in lost.words
    assert "warms the cells by about" in known.words


def test_heat_counts_when_it_came_and_only_while_the_current_was_heard() -> None:
    series, layout = run(-AH, 30.0)
    whole = find_unmoved(series, layout, None, 0.5)
    assert whole is not None
    amps = series.quantities["current"]
    # Half an hour of it, then five and a half of next to nothing, which the entropy outweighs.
    time = np.arange(0.0, 6 * 3600.0, 0.5)
    then = replace(amps, time_s=time, value=np.where(time <= 1800.0, -AH, -12.0))
    sensors = tuple(replace(t, time_s=time, value=np.full(len(time), 25.0)) for t in series.sensors)
    later = find_unmoved(PackSeries((), sensors, {"current": then}, 6 * 3600.0), layout, None, 0.5)
    assert later is not None
    assert later.expected_k == pytest.approx(whole.expected_k, rel=1e-3)
    # Of the half hour only two minutes were heard, a minute at either end.
    heard = (amps.time_s < 60.0) | (amps.time_s > 1740.0)
    gap = replace(amps, time_s=amps.time_s[heard], value=amps.value[heard])
    few = PackSeries((), series.sensors, {"current": gap}, series.span_s)
    assert find_unmoved(few, layout, None, 0.5) is None


def test_a_sensor_that_is_not_believed_speaks_for_none() -> None:
    series, layout = run(-100.0, 30.0, moves=True)
    assert find_unmoved(series, layout, None, 0.5, {("sensor", 2)}) is not None
    assert find_unmoved(series, layout, None, 0.5, {("sensor", 1), ("cell", 2)}) is None


def frozen_drive(**more: float) -> tuple[PackSeries, PackLayout]:
    series, layout = pack_series(cell_packs.drive(5, cells=24, minutes=6.0), **more)
    still = tuple(replace(t, value=np.full(len(t), 25.0)) for t in series.sensors)
    return PackSeries(series.cells, still, series.quantities, series.span_s), layout


def test_a_frozen_drive_is_open_and_accuses_nobody() -> None:
    series, layout = frozen_drive()
    report = evaluate_pack(series, layout)
    assert report.unmoved is not None  # by the resistance, as no capacity is stated
    assert report.findings == ()
    whole = judge_whole(report)
    assert whole.answer is Answer.NOT_SHOWN
    assert {"signals", "limits", "evenness of modules"} <= set(whole.open)
    assert "temperatures that move" in whole.headline
    assert "limits" not in whole.headline
    assert set(whole.modules) == {Answer.NOT_SHOWN}
    assert set(whole.cells) == {Answer.GOOD}
    told = {s.name: s for s in whole.sections}
    assert told["signals"].missing == report.unmoved.words
    # The same drive again would show no more.
    assert whole.steps == (report.unmoved.action,)
    assert "thermometer" in whole.steps[0]
    short = judge_whole(evaluate_pack(*frozen_drive(), test=PackTest.CHARGE))
    assert "To show the rest: charge until the charger ends it" in short.steps[-1]
    assert told["evenness of modules"].missing == "the temperatures stood still"


def test_the_resistance_that_was_judged_counts() -> None:
    series, layout = frozen_drive(capacity_ah=AH)
    report = evaluate_pack(series, layout)
    ordinary = find_unmoved(series, layout, None, 0.5)
    assert report.resistance is not None
    assert report.unmoved is not None
    assert ordinary is not None
    # Joule heat goes with the resistance; the heat of entropy is the same in both.
    share = report.resistance.middle / (0.060 / AH)
    net = series.quantities["current"]
    most = 0.015 * float(np.abs(np.cumsum(net.value)).max()) * net.period_s / (25.0 * AH)
    assert report.unmoved.expected_k == pytest.approx(share * ordinary.expected_k, abs=2 * most)


def test_a_current_that_is_not_believed_warms_nothing() -> None:
    series, layout = frozen_drive(capacity_ah=AH)
    amps = series.quantities["current"]
    wrong = {**series.quantities, "current": replace(amps, value=amps.value * 1000.0)}
    report = evaluate_pack(PackSeries(series.cells, series.sensors, wrong, series.span_s), layout)
    assert report.unmoved is None
    assert [f.code for f in report.findings] == ["current-scale-wrong"]
