"""Wrong sign, wrong scale and twins: one statement each, on made packs of free Thevenin cells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.packs import layout as limits_layout
from truth import cell_packs
from truth.as_series import pack_series

from busplan.pack.limits_told import limits_section
from busplan.pack.plausible import (
    cell_scale_off,
    current_sense,
    plausible_findings,
    sign_shown,
    twins,
)
from busplan.pack.report import evaluate_pack
from busplan.pack.series import PackSeries, Trace


def scaled(trace: Trace, factor: float) -> Trace:
    # A definition whose factor is wrong has a wrong step and wrong ends as well.
    ends = [None if e is None else e * factor for e in (trace.lowest, trace.highest)]
    return replace(
        trace,
        value=trace.value * factor,
        step=trace.step * abs(factor),
        lowest=min(ends, default=None, key=lambda e: e or 0.0),
        highest=max(ends, default=None, key=lambda e: e or 0.0),
    )


@pytest.fixture(scope="module")
def made() -> tuple[PackSeries, object]:
    return pack_series(cell_packs.drive(7, cells=16, minutes=4.0))


def with_current(series: PackSeries, factor: float) -> PackSeries:
    current = scaled(series.quantities["current"], factor)
    return replace(series, quantities={**series.quantities, "current": current})


def codes(series: PackSeries, layout: object) -> list[str]:
    return [f.code for f in plausible_findings(series, layout)]


def test_a_sound_drive_gives_none(made: tuple[PackSeries, object]) -> None:
    series, layout = made
    assert codes(series, layout) == []
    sense = current_sense(series.cells, series.quantities["current"])
    assert 0.84 < sense.correlation < 1.0
    assert sense.scale_off(100.0) is None


def test_a_wrong_sign_is_one_statement_with_the_key_to_turn(
    made: tuple[PackSeries, object],
) -> None:
    series, layout = made
    (finding,) = plausible_findings(with_current(series, -1.0), layout)
    assert finding.code == "current-sign-wrong"
    assert "current_sign = -1" in finding.action


@pytest.mark.parametrize(
    ("factor", "word"), [(1000.0, "too high (as milliamp"), (0.001, "too low")]
)
def test_milliamperes_for_amperes_are_told_without_a_capacity(
    made: tuple[PackSeries, object], factor: float, word: str
) -> None:
    series, layout = made
    (finding,) = plausible_findings(with_current(series, factor), layout)
    assert finding.code == "current-scale-wrong"
    assert word in finding.summary


@pytest.mark.parametrize("factor", [10.0, 0.1, 100.0, 1000.0])
def test_any_power_of_ten_is_told_with_the_capacity(
    made: tuple[PackSeries, object], factor: float
) -> None:
    series, _ = made
    sense = current_sense(series.cells, scaled(series.quantities["current"], factor))
    assert sense.scale_off(100.0) == pytest.approx(factor)
    assert (sense.scale_off() is None) == (factor in (10.0, 0.1))


@pytest.mark.parametrize("factor", [1000.0, 10.0, 0.1, 0.001])
def test_wrongly_scaled_cells_are_one_statement_not_one_a_cell(
    made: tuple[PackSeries, object], factor: float
) -> None:
    series, layout = made
    wrong = replace(series, cells=tuple(scaled(t, factor) for t in series.cells))
    assert cell_scale_off(wrong.cells) == pytest.approx(factor)
    told = [f.code for f in evaluate_pack(wrong, layout).findings]
    assert told.count("cell-scale-wrong") == 1
    assert not [c for c in told if c.startswith("cell-") and c != "cell-scale-wrong"]


@pytest.mark.parametrize("middle", [1.5, 2.3, 3.2, 3.7, 4.5])
def test_cells_of_every_common_chemistry_are_plausible(middle: float) -> None:
    time = np.arange(10.0)
    assert cell_scale_off([Trace(time, np.full(10, middle))] * 3) is None


def test_the_same_reading_under_two_names_is_told_with_an_offset_too(
    made: tuple[PackSeries, object],
) -> None:
    series, layout = made
    cells = list(series.cells)
    cells[5] = replace(cells[4], value=cells[4].value.copy())
    cells[9] = replace(cells[8], value=cells[8].value + 0.007)
    assert twins(cells) == [(4, 5), (8, 9)]
    told = plausible_findings(replace(series, cells=tuple(cells)), layout)
    assert [f.code for f in told] == ["cells-same-reading"] * 2
    assert "cell 5" in told[0].summary
    assert "cell 6" in told[0].summary


def test_a_hundred_changes_with_a_difference_are_no_twins_yet(
    made: tuple[PackSeries, object],
) -> None:
    first = made[0].cells[4]
    changes = np.flatnonzero(np.diff(first.value))
    short = slice(0, int(changes[300]))
    cut = replace(first, time_s=first.time_s[short], value=first.value[short])
    assert twins([cut, replace(cut, value=cut.value + 0.003)]) == []
    assert twins([cut, cut]) == [(0, 1)]
    fewer = slice(0, int(changes[60]))
    still = replace(first, time_s=first.time_s[fewer], value=first.value[fewer])
    assert twins([still, still]) == []


def test_a_current_that_hardly_moves_the_cells_tells_nothing() -> None:
    rng = np.random.default_rng(2)
    time = np.arange(0.0, 300.0, 0.5)
    cells = [Trace(time, 3.7 + 0.001 * rng.normal(size=len(time)), 0.001) for _ in range(4)]
    sense = current_sense(cells, Trace(time, rng.normal(size=len(time)), 0.1))
    assert not sense.sign_wrong
    assert sense.scale_off() is None


def part(series: PackSeries, start_s: float, stop_s: float) -> PackSeries:
    def cut(trace: Trace) -> Trace:
        inside = (trace.time_s >= start_s) & (trace.time_s < stop_s)
        return replace(trace, time_s=trace.time_s[inside] - start_s, value=trace.value[inside])

    quantities = {name: cut(t) for name, t in series.quantities.items()}
    return PackSeries(tuple(map(cut, series.cells)), (), quantities, stop_s - start_s)


def test_half_a_minute_of_driving_tells_the_sign_and_never_the_wrong_one(
    made: tuple[PackSeries, object],
) -> None:
    series, _ = made
    told = 0
    for start in range(0, 200, 10):
        short = part(series, start, start + 30.0)
        turned = with_current(short, -1.0)
        right = current_sense(short.cells, short.quantities["current"])
        wrong = current_sense(turned.cells, turned.quantities["current"])
        assert not right.sign_wrong
        assert not wrong.sign_right
        assert right.sign_right == wrong.sign_wrong == sign_shown(short)
        assert not sign_shown(turned)
        told += right.sign_right
    assert told >= 15


def test_a_steady_current_shows_no_sign_and_a_charger_does() -> None:
    time = np.arange(0.0, 60.0, 0.1)
    cell = Trace(time, np.full(len(time), 3.7), 0.001)
    charging = {"current": Trace(time, np.full(len(time), -30.0), 0.1)}
    given = {"charger_current": Trace(time, np.full(len(time), 30.0), 0.1)}
    assert not sign_shown(PackSeries((cell,) * 4, (), charging, 60.0))
    assert sign_shown(PackSeries((cell,) * 4, (), charging | given, 60.0))
    drawn = {"current": Trace(time, np.full(len(time), 30.0), 0.1)}
    assert not sign_shown(PackSeries((cell,) * 4, (), drawn | given, 60.0))


def test_cold_cells_by_a_current_of_unknown_sign_are_not_shown_inside() -> None:
    """At -5 °C discharging is allowed and charging is not."""
    plan = limits_layout(1)
    time = np.arange(0.0, 60.0, 0.1)
    cell = Trace(time, np.full(len(time), 3.7), 0.001)
    for degrees, answer in ((-5.0, "not shown"), (20.0, "good")):
        cold = Trace(time, degrees + 0.5 * (time > 30.0), 0.5)
        current = {"current": Trace(time, np.full(len(time), 5.0), 0.1)}
        report = evaluate_pack(PackSeries((cell,) * 8, (cold,) * 2, current, 60.0), plan)
        section = limits_section(report)
        assert section.answer == answer
        assert "by a current whose sign nothing here shows" in section.text
        assert ("no current of a known sign" in section.missing) == (degrees < 0.0)


def test_a_wrong_byte_order_is_no_scale() -> None:
    """By the definition of the two byte orders: 3.9 V in mV, 0x0F3C, read as 0x3C0F."""
    values = np.arange(3600, 4200)
    swapped = ((values & 0xFF) << 8 | values >> 8) / 1000.0
    cells = tuple(Trace(np.arange(600.0), swapped, 0.001) for _ in range(4))
    assert 14.0 < float(np.median(swapped)) < 46.0, "ten times a cell, by its median alone"
    assert cell_scale_off(cells) is None
