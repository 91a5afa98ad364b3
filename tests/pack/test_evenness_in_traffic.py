"""Evenness and stuck readings in town traffic: short stops, frames that come one after another.

The cells are closed-form (a rest voltage and a sag, R I), each frame measured at a moment of its
own; thresholds are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.packs import Array, layout

from busplan.pack.evenness import NO_CURRENT, evenness_findings, quiet_rows, voltage_evenness
from busplan.pack.sensors import SensorFault, find_faulty
from busplan.pack.series import PackSeries, Trace

NONE: frozenset[tuple[str, int]] = frozenset()
LAYOUT = layout(3)
CELLS, FRAMES, PERIOD_S = 24, 6, 0.1


def stops(
    seconds: float = 300.0, *, stop_s: float = 6.0, drive_s: float = 9.0
) -> tuple[Array, Array]:
    """Time and current [A] at 100 Hz: 200 A, then a stop, again and again."""
    time = np.arange(0.0, seconds, 0.01)
    return time, np.where(time % (stop_s + drive_s) < drive_s, 200.0, 0.0)


def pack(time: Array, amps: Array, rest: Array, *, ohm: Array | float = 0.7e-3,
         late_s: float = 0.0, step: float = 0.001, known: bool = True,
         period_s: float = PERIOD_S) -> PackSeries:  # fmt: skip
    """Cells in six frames, each frame at its own moment of the period, ``late_s`` old."""
    cells = []
    for i in range(CELLS):
        at = np.arange(period_s * (i % FRAMES) / FRAMES + 0.5, time[-1], period_s)
        volts = rest[i] - np.broadcast_to(ohm, CELLS)[i] * np.interp(at - late_s, time, amps)
        cells.append(Trace(at, np.round(volts / step) * step, step, 0.0, 6.5))
    quantities = {"current": Trace(time, amps, 0.1)} if known else {}
    return PackSeries(tuple(cells), (), quantities, float(time[-1]))


def even_cells(spread_v: float = 0.006) -> Array:
    return 3.7 + np.linspace(-spread_v / 2, spread_v / 2, CELLS)


@pytest.mark.parametrize(
    ("late_s", "period_s", "stop_s"), [(0.0, 0.1, 6.0), (0.3, 0.1, 6.0), (0.3, 2.0, 14.37)]
)
def test_rows_that_straddle_a_step_of_the_current_are_no_spread(
    late_s: float, period_s: float, stop_s: float
) -> None:
    made = pack(*stops(stop_s=stop_s), even_cells(), late_s=late_s, period_s=period_s)
    even = voltage_evenness(made, 0.001, NONE)
    assert even.quiet
    assert np.nanmax(even.spread) == pytest.approx(0.006, abs=0.0011)
    assert evenness_findings(even, LAYOUT, frozenset()) == []


def test_a_current_that_is_told_late_does_not_hide_the_step() -> None:
    time, amps = stops()
    made = pack(time, amps, even_cells())
    late = Trace(time + 0.3, amps, 0.1)
    even = voltage_evenness(PackSeries(made.cells, (), {"current": late}, made.span_s), 0.001, NONE)
    assert np.nanmax(even.spread) == pytest.approx(0.006, abs=0.0011)


@pytest.mark.parametrize(("stops_long", "codes"), [(2, []), (4, ["voltage-spread"])])
def test_a_spread_in_short_stops_counts_by_the_time_it_was_seen(
    stops_long: int, codes: list[str]
) -> None:
    # 6 s of each stop, less 2 s to settle and 0.5 s before the next step: 3.5 s of each 15.
    made = pack(*stops(), even_cells())
    held = made.cells[23]
    apart = (held.time_s > 60.0) & (held.time_s < 60.0 + 15.0 * stops_long)
    high = Trace(held.time_s, held.value + 0.06 * apart, 0.001)
    made = PackSeries((*made.cells[:23], high), (), made.quantities, made.span_s)
    told = evenness_findings(voltage_evenness(made, 0.001, NONE), LAYOUT, frozenset())
    assert [f.code for f in told] == codes
    if told:
        longest = {f.name: float(f.value) for f in told[0].figures}["longest"]
        assert longest == pytest.approx(stops_long * 3.5, abs=1.0)


@pytest.mark.parametrize("low_v", [0.0, 0.04])
def test_without_stops_the_sag_of_each_cell_is_taken_out(low_v: float) -> None:
    time = np.arange(0.0, 300.0, 0.01)
    amps = np.where(time % 12.0 < 6.0, 260.0, 60.0)
    rest, ohm = even_cells(), np.full(CELLS, 0.7e-3)
    ohm[4], rest[9] = 1.05e-3, rest[9] - low_v  # 91 mV more sag at 260 A: no cell of less charge
    even = voltage_evenness(pack(time, amps, rest, ohm=ohm), 0.001, NONE)
    assert (even.freed, even.quiet) == (True, False)
    codes = [f.where.signal for f in evenness_findings(even, LAYOUT, frozenset())]
    assert codes == (["CellVoltage10"] if low_v else [])
    assert even.deviation[4] == pytest.approx(rest[4] - 3.7, abs=0.002)


def test_without_a_current_what_moves_under_load_is_not_shown_to_be_even_or_uneven() -> None:
    rest, ohm = even_cells(), np.linspace(0.5e-3, 0.9e-3, CELLS)  # 80 mV apart at 200 A
    even = voltage_evenness(pack(*stops(), rest, ohm=ohm, known=False), 0.001, NONE)
    assert even.missing == NO_CURRENT
    assert evenness_findings(even, LAYOUT, frozenset()) == []
    time, amps = stops()
    even = voltage_evenness(pack(time, 0.0 * amps, rest, known=False), 0.001, NONE)
    assert even.missing == ""


def at_rest_then_driven(stuck: bool) -> PackSeries:
    """Two minutes at rest, then a load: without noise each reading stands still until then."""
    time = np.arange(0.0, 150.0, 0.01)
    amps = np.where(time < 120.0, 0.0, 150.0)
    made = pack(time, amps, even_cells(), late_s=0.1)
    held = made.cells[23]
    if stuck:
        fall = np.linspace(0.0, 0.1, len(held))
        cells = [Trace(c.time_s, c.value - fall[: len(c)], 0.001) for c in made.cells]
        cells[23] = Trace(held.time_s, np.full(len(held), 3.7), 0.001)
        return PackSeries(tuple(cells), (), made.quantities, made.span_s)
    return made


def test_a_reading_that_rightly_stands_still_until_the_load_comes_is_not_stuck() -> None:
    assert find_faulty(at_rest_then_driven(stuck=False), LAYOUT) == ()
    assert [(f.index, f.fault) for f in find_faulty(at_rest_then_driven(stuck=True), LAYOUT)] == [
        (23, SensorFault.STUCK)
    ]


@pytest.mark.parametrize(
    ("period_s", "first_s"),
    # Two seconds, and two and a half periods of the cells; 59.9 s is the last with a current.
    [(0.1, 61.95), (0.5, 61.95), (4.0, 69.95), (8.0, 79.95)],
)
def test_rest_counts_once_it_has_lasted_for_two_and_a_half_rounds_of_the_cells(
    period_s: float, first_s: float
) -> None:
    time = np.arange(0.0, 300.0, 0.1)
    current = Trace(time, np.where(time < 59.95, 200.0, 0.0), 0.1)
    rows = first_s + period_s * np.arange(-5, 10 + 25 // period_s)
    quiet = quiet_rows(PackSeries((), (), {"current": current}, 300.0), rows)
    assert quiet is not None
    assert rows[np.argmax(quiet)] == pytest.approx(first_s)
