"""Resistances of cells on made packs whose truth is exact, and on cells solved by others."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from truth import cell_packs, solved_cells
from truth.as_series import pack_series
from truth.cell_packs import CellPack

from busplan.answers import Answer
from busplan.findings import Finding
from busplan.pack.report import PackReport, evaluate_pack
from busplan.pack.resistance import Resistance, fit_resistance, frames_together
from busplan.pack.resistance_told import cell_sentence, resistance_findings, resistance_section
from busplan.pack.series import Trace
from busplan.plan.vehicle import PackLayout

LIMIT_V = 0.05


def fitted(pack: CellPack, *, warm: bool = True, **options: Any) -> tuple[Resistance, PackLayout]:
    series, layout = pack_series(pack)
    module = np.array([layout.modules.index(c.module) for c in layout.cells])
    told = np.median(pack.temperature, axis=(0, 2))[module]
    found = fit_resistance(
        series.cells,
        series.quantities["current"],
        pack.step_v,
        temperature_c=told if warm else None,
        module=module,
        charge=series.quantities["state_of_charge"],
        **{"at_a": 100.0, **options},
    )
    return found, layout


@cache
def plain(seed: int = 3) -> CellPack:
    return cell_packs.drive(seed, cells=32, minutes=6.0)


def held(found: Resistance, pack: CellPack) -> list[tuple[float, float]]:
    """Parts of the cells whose absolute and relative intervals hold, at each scale."""
    told = []
    for scale in found.scales:
        true, ratio = pack.resistance(scale.after_s), pack.relative(scale.after_s)
        cells = range(len(true))
        told.append(
            (
                float(np.mean([true[i] in scale.interval(i) for i in cells])),
                float(np.mean([ratio[i] in scale.relative_interval(i) for i in cells])),
            )
        )
    return told


def test_intervals_hold_and_are_narrow_and_delays_are_found() -> None:
    pack = plain()
    found, _ = fitted(pack)
    assert min(min(pair) for pair in held(found, pack)) >= 0.9
    for scale, most in zip(found.scales, (0.006, 0.02), strict=True):
        assert scale.factor * np.median(scale.relative_uncertainty) < most
        assert scale.factor * np.median(scale.uncertainty / scale.value) < 0.1
    for delay in found.delays:
        true = pack.delay_s[delay.cells[0] // pack.per_frame]
        assert delay.delay_s == pytest.approx(true, abs=0.01)


def test_the_median_of_an_even_number_is_the_same_cell_whatever_the_last_digit() -> None:
    found, layout = fitted(plain())
    assert len(layout.cells) % 2 == 0
    rng = np.random.default_rng(1)
    told = set()
    for _ in range(12):
        scales = tuple(
            replace(s, relative=s.relative * (1.0 + 1e-12 * rng.standard_normal(len(s.relative))))
            for s in found.scales
        )
        section = resistance_section(replace(found, scales=scales), layout, asked=True, run="drive")
        assert section is not None
        told.add(section.text)
    assert len(told) == 1
    best = found.best
    below = np.sort(best.value)[len(layout.cells) // 2 - 1]
    assert f"median cell {below * 1e3:.3f} mΩ" in told.pop()


def test_cells_solved_by_others_lie_inside_theirs() -> None:
    # Truth: pulses of the same solved cells (PyBaMM, SPMe of Chen 2020), tests/data/solved_cells.
    pack = solved_cells.drive(40, number=12, raised={5: 1.5})
    found, _ = fitted(pack)
    assert min(min(pair) for pair in held(found, pack)) >= 0.93
    assert found.raised(LIMIT_V).tolist() == [5]


def test_a_current_sensors_gain_widens_absolute_figures_only() -> None:
    pack = plain()
    sure, _ = fitted(pack, current_gain=0.0)
    doubted, _ = fitted(pack, current_gain=0.05)
    one, other = sure.scales[0], doubted.scales[0]
    assert other.relative_uncertainty == pytest.approx(one.relative_uncertainty)
    # Independent parts add as squares.
    added = np.sqrt(other.uncertainty**2 - one.uncertainty**2)
    assert added == pytest.approx(0.05 * one.value, rel=1e-6)


@cache
def ill() -> tuple[Resistance, PackLayout]:
    return fitted(cell_packs.drive(8, cells=48, minutes=6.0, raised={11: 1.5}, cold={4: 12.0}))


def test_a_raised_cell_is_named_and_a_colder_module_explained() -> None:
    found, layout = ill()
    assert found.raised(LIMIT_V).tolist() == [11]
    assert found.raised_modules(LIMIT_V) == ()
    answers = found.answers(LIMIT_V)
    assert answers[11] is Answer.BAD
    assert answers.count(Answer.GOOD) == 47
    (finding,) = resistance_findings(found, layout)
    assert finding.code == "cell-resistance-high"
    assert finding.summary.startswith("Cell 12 (M2): ")
    figures = {f.name: float(f.value) for f in finding.figures}
    assert figures["against peers from"] < figures["against peers"] < figures["against peers to"]
    assert figures["against peers"] == pytest.approx(
        100 * (float(found.best.relative[11]) - 1), abs=0.1
    )


def test_without_temperatures_a_cold_module_is_one_finding_not_one_a_cell() -> None:
    pack = cell_packs.drive(8, cells=48, minutes=6.0, cold={4: 20.0}, energy_kj=40.0)
    found, layout = fitted(pack, warm=False)
    (finding,) = resistance_findings(found, layout)
    assert finding.code == "module-resistance-high"
    assert "Module M5 as a whole" in finding.summary
    assert "a cold module shows the same" in finding.summary
    told, _ = fitted(pack)
    assert resistance_findings(told, layout) == []
    assert told.peers is not None
    assert told.peers.energy.value == pytest.approx(40.0, abs=6.0)


def test_a_sentence_tells_figures_with_their_ends_and_conditions() -> None:
    found, layout = ill()
    told = cell_sentence(found, layout, 11)
    assert "mΩ after 1 s (" in told
    assert "against its peers (+" in told
    assert "at 100 A, 25 °C," in told
    assert told.endswith("% charge")
    section = resistance_section(found, layout, asked=True, run="drive")
    assert section is not None
    assert section.answer is Answer.BAD
    assert "ms late" in section.text
    assert "fit" not in section.text
    scale = found.best
    widest = 100.0 * scale.factor * float(np.nanmax(scale.relative_uncertainty))
    assert f"to {widest:.1f} % (95 %)" in section.text
    assert "±" not in section.text


def series_without(**changes: Trace) -> tuple[Any, PackLayout]:
    series, layout = pack_series(plain())
    return replace(series, quantities={**series.quantities, **changes}), layout


def refused(current: Trace, **options: Any) -> str:
    series, _ = pack_series(plain())
    found = fit_resistance(series.cells, current, 0.001, **options)
    assert not found.judged
    assert all(np.isnan(s.value).all() for s in found.scales)
    assert set(found.answers(LIMIT_V)) == {Answer.NOT_SHOWN}
    assert found.raised(LIMIT_V).size == 0
    return found.missing


def current_of(scale: float = 1.0) -> Trace:
    series, _ = pack_series(plain())
    full = series.quantities["current"]
    return replace(full, value=full.value * scale)


def test_what_is_missing_is_said_and_nothing_guessed() -> None:
    span = float(np.ptp(current_of().value))
    assert "current range under 20 A" in refused(current_of(19.9 / span))
    steady = current_of()
    value = np.where(steady.time_s < 100.0, 100.0, np.where(steady.time_s < 200.0, 0.0, 50.0))
    assert "blocks of changing current (2)" in refused(replace(steady, value=value))
    assert refused(current_of(), doubt="the current has the wrong sign") == (
        "the current has the wrong sign"
    )
    assert refused(Trace(np.empty(0), np.empty(0))) == "no current was heard"
    series, _ = pack_series(plain())
    few = [replace(t, time_s=t.time_s[:49], value=t.value[:49]) for t in series.cells]
    assert fit_resistance(few, current_of(), 0.001).missing == "fewer than 50 readings of each cell"
    none = [replace(t, time_s=t.time_s[:0], value=t.value[:0]) for t in series.cells]
    assert fit_resistance(none, current_of(), 0.001).missing == "no cell was heard"


def test_a_range_of_just_over_twenty_amperes_is_looked_at() -> None:
    pack = cell_packs.drive(3, cells=16, minutes=6.0, peak_a=17.0)
    series, _ = pack_series(pack)
    assert 20.0 < np.ptp(series.quantities["current"].value) < 22.0
    found, _ = fitted(pack, at_a=17.0)
    assert found.judged


def test_a_monitor_that_filters_leaves_only_the_longer_time() -> None:
    pack = cell_packs.drive(5, cells=16, minutes=6.0, filter_s=0.5)
    found, _ = fitted(pack)
    assert found.scales[0].missing == "monitor filter over 0.2 s"
    assert np.isnan(found.scales[0].value).all()
    assert found.best.after_s == 10.0
    assert held(found, pack)[1][0] >= 0.93


def test_fewer_than_four_cells_are_told_but_not_judged() -> None:
    series, _ = pack_series(plain())
    for count, answer in ((3, Answer.NOT_SHOWN), (4, Answer.GOOD)):
        found = fit_resistance(series.cells[:count], series.quantities["current"], 0.001)
        assert np.isfinite(found.value).all()
        assert set(found.answers(LIMIT_V)) == {answer}
    three = fit_resistance(series.cells[:3], series.quantities["current"], 0.001)
    assert "fewer than 4 cells" in three.open_reason(0)


def test_impossible_values_and_cells_left_out_do_not_move_the_others() -> None:
    series, _ = pack_series(plain())
    sound = fit_resistance(series.cells, series.quantities["current"], 0.001)
    broken = list(series.cells)
    value = broken[2].value.copy()
    value[::7] = 65.535
    broken[2] = replace(broken[2], value=value)
    broken[9] = replace(broken[9], value=broken[9].value[::-1].copy())
    found = fit_resistance(broken, series.quantities["current"], 0.001, left_out=[9])
    others = np.setdiff1d(np.arange(len(broken)), [9])
    assert np.isnan(found.value[9])
    assert found.value[others] == pytest.approx(sound.value[others], rel=0.003)
    assert found.answers(LIMIT_V)[9] is Answer.NOT_SHOWN


def report_of(series: Any, layout: PackLayout) -> PackReport:
    return evaluate_pack(series, layout)


def test_a_current_of_the_wrong_sign_is_one_statement_and_no_resistance() -> None:
    series, layout = series_without(current=current_of(-1.0))
    report = report_of(series, layout)
    assert report.resistance is not None
    assert report.resistance.missing == "the current has the wrong sign"
    named: list[Finding] = [f for f in report.findings if "resistance" in f.code]
    assert named == []


def test_cells_of_one_frame_are_told_by_their_times() -> None:
    a, b = np.arange(10.0), np.arange(10.0) + 0.05
    traces = [Trace(a, a), Trace(b, b), None, Trace(a.copy(), a), Trace(np.empty(0), np.empty(0))]
    assert sorted(frames_together(traces)) == [[0, 3], [1]]


@pytest.mark.parametrize("seed", [6, 8, 9])
def test_a_short_drive_knows_its_delay_in_spite_of_how_it_began(seed: int) -> None:
    pack = cell_packs.drive(seed, cells=16, minutes=0.6, delays=(0.0, 0.1))
    found, _ = fitted(pack)
    late = [d.delay_s for d in found.delays]
    assert late == pytest.approx(pack.delay_s, abs=0.005)
    scale = found.scales[0]
    off = np.abs(scale.value - pack.resistance(1.0))
    assert (off < scale.factor * scale.uncertainty).mean() >= 0.9
