"""Limits in every mode, rest too: what counts as beyond, for how long, and what was not shown."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.packs import Array, layout, series
from truth import cell_packs
from truth.as_series import pack_series

from busplan.answers import Answer
from busplan.findings import Finding
from busplan.pack.limit_times import LimitTime, limit_times, modes_text
from busplan.pack.limits import find_excesses, limit_findings
from busplan.pack.series import PackSeries, Trace
from busplan.pack.windows import Mode

TIME = np.arange(0.0, 120.0, 0.1)
PLAN = layout(1, sensors=1)
NONE: frozenset[tuple[str, int]] = frozenset()
AMPS = np.select([TIME < 40, TIME < 80], [0.0, 60.0], -30.0)
"""40 s each at rest, while discharging and while charging."""


def made(top: Array | float = 3.7, warmth: Array | float = 20.0, amps: Array = AMPS) -> PackSeries:
    volts = np.full((len(TIME), 8), 3.7)
    volts[:, 3] = top
    body = np.zeros((len(TIME), 1)) + np.reshape(warmth, (-1, 1))
    return series(
        cell_time=TIME,
        voltages=volts,
        sensor_time=TIME,
        temperatures=body,
        current=Trace(TIME, amps, 0.1),
    )


def found(pack: PackSeries) -> list[Finding]:
    return limit_findings(find_excesses(pack, PLAN, NONE), PLAN)


def times(pack: PackSeries) -> dict[tuple[str, Mode], LimitTime]:
    excesses = find_excesses(pack, PLAN, NONE)
    return {(t.what, t.mode): t for t in limit_times(pack, PLAN, excesses, NONE)}


@pytest.mark.parametrize(
    ("volts", "codes"),
    # A cell held at 4.2 V reads up to 2 mV more (common practice, no source).
    [
        (4.2019, []),
        (4.2021, ["cell-voltage-high"]),
        (2.9981, []),
        (2.9979, ["cell-voltage-low"]),
    ],
)
def test_a_cell_held_at_its_limit_is_not_beyond_it(volts: float, codes: list[str]) -> None:
    assert [f.code for f in found(made(volts))] == codes


@pytest.mark.parametrize(("volts", "codes"), [(4.209, []), (4.211, ["cell-voltage-high"])])
def test_a_touch_within_the_accuracy_is_not_even_a_note(volts: float, codes: list[str]) -> None:
    touch = np.where((TIME > 50) & (TIME < 50.5), volts, 3.7)
    assert [f.code for f in found(made(touch))] == codes


@pytest.mark.parametrize(("readings", "weight"), [(1, "note"), (2, "fault")])
def test_one_reading_of_a_slow_monitor_is_a_touch(readings: int, weight: str) -> None:
    time = np.arange(0.0, 120.0, 1.0)
    volts = np.full((len(time), 8), 3.7)
    volts[60 : 60 + readings, 3] = 4.25
    (finding,) = found(series(cell_time=time, voltages=volts))
    assert finding.weight.word == weight


def test_time_beyond_is_told_mode_by_mode() -> None:
    high = np.where((TIME >= 30) & (TIME < 100), 4.25, 3.7)
    pack = made(high)
    (finding,) = found(pack)
    assert "70 s in all: 20 s while charging, 40 s while discharging, 10 s at rest" in (
        finding.summary
    )
    rows = times(pack)
    for mode, seconds in ((Mode.RESTING, 10), (Mode.DISCHARGING, 40), (Mode.CHARGING, 20)):
        row = rows["cells", mode]
        assert row.answer is Answer.BAD
        assert row.beyond_s == pytest.approx(seconds, abs=0.2)
        assert row.lasted_s == pytest.approx(40, abs=0.2)
        assert rows["temperatures", mode].answer is Answer.GOOD


def test_each_mode_has_its_own_window_of_temperatures() -> None:
    rows = times(made(warmth=-5.0))
    assert rows["temperatures", Mode.CHARGING].answer is Answer.BAD
    assert rows["temperatures", Mode.CHARGING].low == 0.0
    assert rows["temperatures", Mode.DISCHARGING].answer is Answer.GOOD
    assert rows["temperatures", Mode.RESTING].answer is Answer.GOOD
    hot = times(made(warmth=65.0))
    assert all(hot["temperatures", m].answer is Answer.BAD for m in Mode if m is not Mode.UNKNOWN)


def test_a_mode_that_never_came_is_not_shown() -> None:
    rows = times(made(amps=np.zeros(len(TIME))))
    for what in ("cells", "temperatures"):
        assert rows[what, Mode.RESTING].answer is Answer.GOOD
        assert rows[what, Mode.CHARGING].answer is Answer.NOT_SHOWN
    assert modes_text(list(rows.values())) == "2:00 at rest"


@pytest.mark.parametrize(("seconds", "answer"), [(9.5, Answer.NOT_SHOWN), (10.5, Answer.GOOD)])
def test_a_mode_must_last_to_show_anything(seconds: float, answer: Answer) -> None:
    amps = np.where((TIME > 20) & (20 + seconds > TIME), -30.0, 0.0)
    assert times(made(amps=amps))["cells", Mode.CHARGING].answer is answer


@pytest.mark.parametrize(("lost", "answer"), [(0.03, Answer.GOOD), (0.08, Answer.NOT_SHOWN)])
def test_every_cell_must_be_heard_in_the_mode(lost: float, answer: Answer) -> None:
    volts = np.full((len(TIME), 8), 3.7)
    volts[100 : 100 + int(lost * 400), 5] = np.nan
    pack = series(cell_time=TIME, voltages=volts, current=Trace(TIME, AMPS, 0.1))
    assert times(pack)["cells", Mode.RESTING].answer is answer
    assert times(pack)["cells", Mode.CHARGING].answer is Answer.GOOD


def test_without_a_current_voltages_are_shown_and_temperatures_are_not() -> None:
    pack = made()
    unknown = PackSeries(pack.cells, pack.sensors, {}, pack.span_s)
    rows = times(unknown)
    assert rows["cells", Mode.UNKNOWN].answer is Answer.GOOD
    assert rows["temperatures", Mode.UNKNOWN].answer is Answer.NOT_SHOWN


def test_a_channel_that_is_not_believed_leaves_the_window_open() -> None:
    pack = made()
    excesses = find_excesses(pack, PLAN, frozenset({("cell", 3)}))
    rows = limit_times(pack, PLAN, excesses, frozenset({("cell", 3)}))
    assert {r.answer for r in rows if r.what == "cells"} == {Answer.NOT_SHOWN}


@given(st.integers(0, 10_000))
@settings(max_examples=4)
def test_a_charge_that_holds_its_highest_cell_at_the_limit_gives_nothing(seed: int) -> None:
    pack, plan = pack_series(cell_packs.charging(seed, cells=8, from_charge=0.8), boxes=1)
    assert limit_findings(find_excesses(pack, plan, NONE), plan) == []
