"""Limits, sensors, silence, evenness, and order at the ends, on made packs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from support.packs import Array, cell_voltages, layout, module_temperatures, series

from busplan.findings import Weight
from busplan.pack.evenness import (
    evenness_findings,
    temperature_evenness,
    voltage_evenness,
)
from busplan.pack.limits import find_excesses, limit_findings
from busplan.pack.order import end_order, order_findings
from busplan.pack.sensors import SensorFault, find_faulty
from busplan.pack.sensors_told import faulty_findings
from busplan.pack.series import Trace
from busplan.pack.silence import drop_out_findings, find_drop_outs
from busplan.pack.windows import Mode

TIME = np.arange(0.0, 300.0, 0.1)
LAYOUT = layout(3)
NONE: frozenset[tuple[str, int]] = frozenset()


def level(volts: float = 3.7, cells: int = 24, seed: int = 1) -> Array:
    rng = np.random.default_rng(seed)
    own = 0.002 * rng.normal(size=cells)
    return np.round(volts + own + 0.0005 * rng.normal(size=(len(TIME), cells)), 3)


def test_time_over_a_limit_counts_and_a_touch_is_a_note() -> None:
    volts = level()
    volts[1000:1002, 3] = 4.23  # two readings
    touched = series(cell_time=TIME, voltages=volts)
    (note,) = limit_findings(find_excesses(touched, LAYOUT, NONE), LAYOUT)
    assert (note.code, note.weight) == ("cell-voltage-high", Weight.NOTE)
    volts[1000:1100, 3] = 4.23  # ten seconds
    stayed = series(cell_time=TIME, voltages=volts)
    (fault,) = limit_findings(find_excesses(stayed, LAYOUT, NONE), LAYOUT)
    assert fault.weight is Weight.FAULT
    assert fault.where.time_ns == pytest.approx(100e9, abs=2e8)
    assert {f.name: f.value for f in fault.figures}["longest"] == pytest.approx(10.0, abs=0.2)
    assert find_excesses(stayed, LAYOUT, frozenset({("cell", 3)})) == ()


def test_cold_cells_may_be_driven_but_not_charged() -> None:
    time = np.arange(0.0, 300.0, 0.5)
    cold = np.full((len(time), 6), -3.0)
    for amps, codes in ((30.0, []), (-30.0, ["charging-too-cold"]), (0.0, [])):
        made = series(
            sensor_time=time, temperatures=cold, current=Trace(TIME, np.full(len(TIME), amps))
        )
        found = limit_findings(find_excesses(made, LAYOUT, NONE), LAYOUT)
        assert [f.code for f in found] == codes
    unknown = series(sensor_time=time, temperatures=cold)
    assert find_excesses(unknown, LAYOUT, NONE) == ()
    freezing = series(sensor_time=time, temperatures=cold - 30.0)
    assert {e.mode for e in find_excesses(freezing, LAYOUT, NONE)} == {Mode.UNKNOWN}
    still = series(
        sensor_time=time, temperatures=cold - 30.0, current=Trace(TIME, np.zeros(len(TIME)))
    )
    (fault,) = limit_findings(find_excesses(still, LAYOUT, NONE), LAYOUT)
    assert (fault.code, fault.weight) == ("temperature-low", Weight.FAULT)
    assert "at rest" in fault.summary


def saturated(v: Array) -> Array:
    return np.where(np.arange(len(v)) > 300, 87.5, v)


def impossible(v: Array) -> Array:
    return np.where(np.arange(len(v)) == 99, 300.0, v)


def jumping(v: Array) -> Array:
    return v + np.where(np.arange(len(v)) % 200 == 50, 12.0, 0.0)


def stuck(v: Array) -> Array:
    return np.full(len(v), 14.0)


def freezing_up(v: Array) -> Array:
    return np.where(np.arange(len(v)) > 250, v[250], v)


@pytest.mark.parametrize(
    ("kind", "change"),
    [
        (SensorFault.SATURATED, saturated),
        (SensorFault.IMPOSSIBLE, impossible),
        (SensorFault.JUMPING, jumping),
        (SensorFault.STUCK, stuck),
        (SensorFault.STUCK, freezing_up),
    ],
)
def test_sensor_faults_are_told_apart(kind: SensorFault, change: Callable[[Array], Array]) -> None:
    time, _, values = module_temperatures(15, np.ones(3), period=1.0)
    healthy = series(sensor_time=time, temperatures=values)
    assert find_faulty(healthy, LAYOUT) == ()
    values[:, 4] = change(values[:, 4])
    (found,) = find_faulty(series(sensor_time=time, temperatures=values), LAYOUT)
    assert (found.fault, found.kind, found.index) == (kind, "sensor", 4)


@pytest.mark.parametrize(("readings", "faults"), [(8, []), (12, [SensorFault.SATURATED])])
def test_more_than_a_hundredth_of_the_readings_at_the_end_saturate(
    readings: int, faults: list[SensorFault]
) -> None:
    time, _, values = module_temperatures(15, np.ones(3), period=1.0)  # 901 readings
    values[-readings:, 4] = 87.5
    found = find_faulty(series(sensor_time=time, temperatures=values), LAYOUT)
    assert [f.fault for f in found] == faults


@pytest.mark.parametrize(("leaps", "faults"), [(1, []), (2, [SensorFault.JUMPING])])
def test_one_leap_alone_is_no_jumping_sensor(leaps: int, faults: list[SensorFault]) -> None:
    time, _, values = module_temperatures(15, np.ones(3), period=1.0)
    values[[200, 400][:leaps], 4] += 12.0
    found = find_faulty(series(sensor_time=time, temperatures=values), LAYOUT)
    assert [f.fault for f in found] == faults


@pytest.mark.parametrize(
    ("many", "codes"), [(2, ["sensor-jumping"] * 2), (3, ["readings-jump-together"])]
)
def test_most_sensors_that_leap_are_named_once(many: int, codes: list[str]) -> None:
    """Six sensors: where half of them leap the clock or the senders are to blame."""
    time, _, values = module_temperatures(15, np.ones(3), period=1.0)
    values[200:240:2, :many] += 12.0
    found = find_faulty(series(sensor_time=time, temperatures=values), LAYOUT)
    assert len(found) == many
    assert [f.code for f in faulty_findings(found, LAYOUT)] == codes


@pytest.mark.parametrize(
    ("volts", "many", "codes"),
    [
        (65.535, 24, ["cell-saturated"]),
        (65.535, 12, ["cell-saturated"]),
        (65.535, 11, ["cell-saturated"] * 11),
        (8.0, 24, ["cell-impossible"]),
    ],
)
def test_cells_that_read_one_value_alike_are_told_once(
    volts: float, many: int, codes: list[str]
) -> None:
    values = level()
    values[:, :many] = volts
    found = find_faulty(series(cell_time=TIME, voltages=values), LAYOUT)
    told = faulty_findings(found, LAYOUT)
    assert [f.code for f in told] == codes
    if len(told) == 1:
        assert f"{many} of 24 cell voltages" in told[0].summary
        assert f"{volts:g} V" in told[0].summary
        assert told[0].weight is Weight.FAULT
    # Whoever judges messages is told of each one that carries some.
    carrying = {LAYOUT.cells[f.index].address[:3] for f in found}
    apart = faulty_findings(found, LAYOUT, by_message=True)
    assert {(w.network, w.node, w.message) for w in (f.where for f in apart)} == carrying


def test_cells_at_both_ends_of_the_range_are_two_things() -> None:
    values = level()
    values[:, :12], values[:, 12:] = 0.0, 65.535
    told = faulty_findings(find_faulty(series(cell_time=TIME, voltages=values), LAYOUT), LAYOUT)
    assert [f.figures[1].value for f in told] == [0.0, 65.535]


def test_a_whole_module_that_stands_still_is_no_sensor_fault() -> None:
    time, _, values = module_temperatures(15, np.array([1.0, 1.0, 0.0]), noise=0.0)
    assert find_faulty(series(sensor_time=time, temperatures=values), LAYOUT) == ()
    values[:, 4:] = 31.0  # where no other has ever started
    found = find_faulty(series(sensor_time=time, temperatures=values), LAYOUT)
    assert [f.index for f in found] == [4, 5]


@pytest.mark.parametrize(("still_for_k", "faults"), [(3.0, []), (5.0, [4])])
def test_a_sensor_that_stops_on_the_way_is_stuck_when_its_peers_go_on_twice_as_far(
    still_for_k: float, faults: list[int]
) -> None:
    # A still channel counts when its peers move by four steps of 0.5 K; for a part of the capture
    # by eight (common practice, no source).
    time = np.arange(0.0, 900.0, 1.0)
    values = np.tile((14.0 + 10.0 * time / 900.0)[:, None], (1, 6))
    values[:, 4] = np.minimum(values[:, 4], 24.0 - still_for_k)
    made = series(sensor_time=time, temperatures=np.round(values / 0.5) * 0.5)
    assert [f.index for f in find_faulty(made, LAYOUT)] == faults


def test_what_goes_up_in_great_steps_does_not_jump() -> None:
    time = np.arange(0.0, 300.0, 1.0)
    values = np.full((300, 6), 20.0)
    values[100:, 2] = np.minimum(20.0 + 8.0 * np.arange(1, 201), 52.0)  # 28, 36, 44, 52 and there
    assert find_faulty(series(sensor_time=time, temperatures=values), LAYOUT) == ()


def test_real_events_are_no_sensor_faults() -> None:
    volts = level()
    volts[1000:1500] -= 0.4  # a load that comes and goes
    assert find_faulty(series(cell_time=TIME, voltages=volts), LAYOUT) == ()


def test_a_cell_reading_that_is_frozen_is_found() -> None:
    volts = level() - 0.1 * (TIME / 300.0)[:, None]
    volts[:, 5] = 3.7
    (found,) = find_faulty(series(cell_time=TIME, voltages=volts), LAYOUT)
    assert (found.fault, found.index) == (SensorFault.STUCK, 5)


def test_a_monitor_that_drops_out_is_named_once_with_its_time() -> None:
    twelve = layout(12, sensors=0)
    volts = level(cells=96)
    volts[1200:1230, 24:48] = np.nan
    made = series(cell_time=TIME, voltages=volts)
    drops = find_drop_outs(made, twelve)
    assert [(d.node, d.whole) for d in drops] == [("monitor_b", True)]
    (finding,) = drop_out_findings(drops)
    assert finding.where.node == "monitor_b"
    assert finding.where.time_ns == pytest.approx(119.9e9)
    assert "3.1 s" in finding.summary
    volts[2000:2060, 0:8] = np.nan
    drops = find_drop_outs(series(cell_time=TIME, voltages=volts), twelve)
    assert [(d.node, d.messages, d.whole) for d in drops[1:]] == [
        ("monitor_a", ("CellVoltages0",), False)
    ]


@pytest.mark.parametrize(("again_at", "drop_outs"), [(1239, 1), (1242, 2)])
def test_silences_of_one_node_within_a_second_are_one_drop_out(
    again_at: int, drop_outs: int
) -> None:
    # One message stays away until 123.0 s; another from 123.8 or 124.1 s on.
    volts = level(cells=96)
    volts[1200:1230, 0:8] = np.nan
    volts[again_at : again_at + 30, 8:16] = np.nan
    drops = find_drop_outs(series(cell_time=TIME, voltages=volts), layout(12, sensors=0))
    assert len(drops) == drop_outs
    assert sorted({m for d in drops for m in d.messages}) == ["CellVoltages0", "CellVoltages1"]


def test_a_network_need_not_begin_and_end_with_the_capture_to_the_second() -> None:
    volts = level(cells=96)
    for missing, whole in ((9, 0), (12, 2)):  # 0.9 and 1.2 s at both ends, 0.3 s are allowed
        volts[:missing, 24:48] = volts[-missing:, 24:48] = np.nan
        made = series(cell_time=TIME, voltages=volts)
        assert len(find_drop_outs(made, layout(12, sensors=0))) == whole


@pytest.mark.parametrize(
    ("low_mv", "codes"),
    # Half of the limit of 50 mV is what one cell may lie beside its peers.
    [(20.0, []), (30.0, ["cell-low"])],
)
def test_a_cell_stands_out_from_half_the_limit_on(low_mv: float, codes: list[str]) -> None:
    volts = np.full((len(TIME), 24), 3.7)
    volts[:, 9] -= low_mv / 1000.0
    even = voltage_evenness(series(cell_time=TIME, voltages=volts), 0.001, NONE)
    assert [f.code for f in evenness_findings(even, LAYOUT, frozenset())] == codes


@pytest.mark.parametrize(
    ("apart_mv", "codes"),
    # The limit of 50 mV and one step of 1 mV, which rounding can add.
    [(50.9, []), (51.1, ["voltage-spread"])],
)
def test_a_spread_is_over_its_limit_by_more_than_a_step(apart_mv: float, codes: list[str]) -> None:
    volts = np.tile(3.7 + np.linspace(0.0, apart_mv / 1000.0, 24), (len(TIME), 1))
    even = voltage_evenness(series(cell_time=TIME, voltages=volts), 0.001, NONE)
    assert [f.code for f in evenness_findings(even, LAYOUT, frozenset())] == codes


@pytest.mark.parametrize(("lasts_s", "codes"), [(9.8, []), (10.2, ["voltage-spread"])])
def test_a_spread_over_its_limit_counts_once_it_lasts(lasts_s: float, codes: list[str]) -> None:
    volts = np.full((len(TIME), 24), 3.7)
    rows = slice(1000, 1000 + round(lasts_s * 10))
    volts[rows] += np.linspace(0.0, 0.06, 24)
    even = voltage_evenness(series(cell_time=TIME, voltages=volts), 0.001, NONE)
    assert [f.code for f in evenness_findings(even, LAYOUT, frozenset())] == codes


def test_evenness_names_a_low_cell_and_how_often_it_is_lowest() -> None:
    volts = level()
    volts[:, 9] -= 0.04
    even = voltage_evenness(series(cell_time=TIME, voltages=volts), 0.001, NONE)
    assert even.lowest_share[9] == pytest.approx(1.0)
    assert even.lowest_share.sum() == pytest.approx(1.0)
    assert even.deviation[9] == pytest.approx(-0.04, abs=0.006)
    (finding,) = evenness_findings(even, LAYOUT, frozenset())
    assert (finding.code, finding.where.signal) == ("cell-low", "CellVoltage10")
    assert evenness_findings(even, LAYOUT, frozenset({9})) == []


def test_one_step_of_a_coarse_sensor_is_no_unevenness() -> None:
    time = np.arange(0.0, 300.0, 0.5)
    values = np.full((len(time), 6), 20.0)
    values[:, 2:4] = 21.0
    even = temperature_evenness(
        series(sensor_time=time, temperatures=values, step_k=1.0), layout(3, step_k=1.0), 1.0, NONE
    )
    assert evenness_findings(even, LAYOUT, frozenset()) == []
    values[:, 2:4] = 27.0
    even = temperature_evenness(
        series(sensor_time=time, temperatures=values, step_k=1.0), layout(3, step_k=1.0), 1.0, NONE
    )
    assert [f.code for f in evenness_findings(even, LAYOUT, frozenset())] == ["module-hot"]


def test_a_resistive_cell_is_not_mistaken_for_a_low_one() -> None:
    amps = np.where((TIME % 60) < 25, 0.0, 200.0)
    ohm = np.full(24, 0.5e-3)
    ohm[4] = 1.0e-3
    made = series(
        cell_time=TIME,
        voltages=cell_voltages(TIME, amps, ohm),
        current=Trace(TIME, amps),
    )
    even = voltage_evenness(made, 0.001, NONE)
    assert even.quiet
    assert evenness_findings(even, LAYOUT, frozenset()) == []


def charged(
    charge: Array, capacity: Array | float = 60.0, minutes: float = 25.0
) -> tuple[Array, Array, Array]:
    time = np.arange(0.0, minutes * 60.0, 0.5)
    amps = np.full(len(time), -40.0)
    volts = cell_voltages(time, amps, np.full(24, 0.5e-3), charge=charge, capacity_ah=capacity)
    return time, amps, volts


def test_the_cell_that_comes_first_to_the_top_is_named() -> None:
    charge = 0.69 + 0.0015 * np.random.default_rng(4).normal(size=24)
    charge[16] += 0.025
    time, amps, volts = charged(charge)
    made = series(cell_time=time, voltages=volts, current=Trace(time, amps))
    order = end_order(made, LAYOUT, None, NONE, top=True)
    assert order is not None
    assert order.first == 16
    assert order.lead_v[16] == pytest.approx(0.025 * 0.9, abs=0.003)  # dU/dz near the top: 0.9 V
    # Closed form: 0.025 of 60 Ah at 40 A is 135 s.
    assert order.lead_s[16] == pytest.approx(135.0, abs=15.0)
    (finding,) = order_findings(order, LAYOUT)
    assert finding.code == "cell-first-to-top"
    assert end_order(made, LAYOUT, None, NONE, top=False) is None


def test_the_cell_that_comes_first_to_the_bottom_is_named() -> None:
    time = np.arange(0.0, 1500.0, 0.5)
    fall = 3.5 - time / 1500.0 * 0.45  # 0.3 mV a second
    volts = np.tile(fall[:, None], (1, 24)) + 0.001 * np.random.default_rng(4).normal(size=24)
    volts[:, 9] -= 0.030
    made = series(cell_time=time, voltages=volts, current=Trace(time, np.full(len(time), 40.0)))
    order = end_order(made, LAYOUT, None, NONE, top=False)
    assert order is not None
    assert order.first == 9
    assert order.lead_v[9] == pytest.approx(0.030, abs=0.003)
    # Closed form: 30 mV at 0.3 mV a second is 100 s.
    assert order.lead_s[9] == pytest.approx(100.0, abs=12.0)
    (finding,) = order_findings(order, LAYOUT)
    assert finding.code == "cell-first-to-bottom"
    assert end_order(made, LAYOUT, None, NONE, top=True) is None


def test_no_cell_is_named_where_all_come_together_or_none_gets_there() -> None:
    charge = 0.69 + 0.0015 * np.random.default_rng(4).normal(size=24)
    time, amps, volts = charged(charge)
    made = series(cell_time=time, voltages=volts, current=Trace(time, amps))
    order = end_order(made, LAYOUT, None, NONE, top=True)
    assert order is not None
    assert order.first is None
    assert order_findings(order, LAYOUT) == []
    time, amps, volts = charged(charge - 0.3)
    made = series(cell_time=time, voltages=volts, current=Trace(time, amps))
    assert end_order(made, LAYOUT, None, NONE, top=True) is None
