"""How long a monitor sent nothing: as long as none of its messages came, fast or slow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.packs import layout
from support.van import make_table, make_vehicle

from busplan.pack.electrical import check_electrical
from busplan.pack.electrical.kirchhoff import sum_of_cells
from busplan.pack.pull import pull_series
from busplan.pack.series import Heard, PackSeries, Trace
from busplan.pack.silence import drop_out_findings, find_drop_outs

SPAN_S = 120.0


def heard(period_s: float, *quiet: tuple[float, float]) -> Trace:
    """A signal every ``period_s``, without what falls in a pause."""
    time = np.arange(0.0, SPAN_S, period_s)
    for start, stop in quiet:
        time = time[(time < start) | (time >= stop)]
    return Trace(time, np.full(len(time), 3.7), 0.001, message=Heard(time, 3.0 * period_s))


def pack(cells: Trace, sensors: Trace) -> PackSeries:
    return PackSeries((cells,) * 8, (sensors,) * 2, {}, SPAN_S)


def test_a_slow_message_makes_no_pause_longer_than_it_was() -> None:
    # The temperatures of every 2 s came last at 38 s and came again at 50 s.
    plan = layout(1)
    made = pack(heard(0.1, (40.0, 50.0)), heard(2.0, (39.0, 50.0)))
    (drop,) = find_drop_outs(made, plan)
    assert drop.whole
    assert drop.length_s == pytest.approx(10.1, abs=0.01)
    assert "sent nothing for 10.1 s from 0:40." in drop_out_findings([drop])[0].summary


def test_silences_one_after_the_other_are_no_silence_from_first_to_last() -> None:
    made = pack(heard(0.1, (40.0, 50.0)), heard(0.1, (50.5, 60.0)))
    (drop,) = find_drop_outs(made, layout(1))
    assert drop.length_s == pytest.approx(20.1, abs=0.01)
    assert not drop.whole, "at every moment one of the two came"
    summary = drop_out_findings([drop])[0].summary
    assert "did not always send all of " in summary
    assert "for 20.1 s from 0:40: silences came one after the other" in summary
    assert "the longest of 10.1 s" in summary


def test_a_true_silence_is_told_before_a_longer_time_of_short_ones() -> None:
    often = [(a, a + 0.6) for a in np.arange(5.0, 35.0, 0.9)]
    made = pack(heard(0.1, *often, (80.0, 85.0)), heard(0.1, (80.0, 85.0)))
    drops = find_drop_outs(made, layout(1))
    assert max(d.length_s for d in drops) > 20.0
    assert " sent nothing for 5.1 s from 1:20 (2 drop-outs" in drop_out_findings(drops)[0].summary


def test_the_sum_of_cells_says_which_reading_spoils_it() -> None:
    plan = layout(1, quantities=("voltage",))
    whole = heard(0.1)
    made = PackSeries(
        (replace(whole, value=0.0 * whole.value), *(whole,) * 7),
        (),
        {"voltage": replace(whole, value=8.0 * whole.value)},
        SPAN_S,
    )
    check, found = sum_of_cells(made, plan)
    assert found == []
    assert check.text == "1 cell never reads what a cell can"


@pytest.mark.parametrize(("factor", "told"), [(10.0, "high"), (0.1, "low"), (1.2, "")])
def test_a_pack_voltage_of_the_wrong_scale_is_told_as_that(factor: float, told: str) -> None:
    plan = layout(1, quantities=("voltage", "link_voltage", "contactor_state"))
    whole = heard(0.1)
    made = PackSeries(
        (whole,) * 8,
        (),
        {
            "voltage": replace(whole, value=8.0 * factor * whole.value),
            "link_voltage": replace(whole, value=8.0 * whole.value),
            "contactor_state": replace(whole, value=2.0 + 0.0 * whole.value),
        },
        SPAN_S,
    )
    check, (finding,) = sum_of_cells(made, plan)
    assert (f"it reads 10 times too {told}" in check.text) == bool(told)
    assert ("its definition" in finding.action) == bool(told)
    checks, _ = check_electrical(made, plan)
    link = next(c for c in checks if c.name == "link while closed")
    assert ("the scale of the pack voltage" in link.text) == bool(told)


@pytest.mark.parametrize(
    ("pauses", "told", "action"),
    [
        (np.array([[39.9, 50.0]]), "for 10.1 s from 0:40, nor did anybody else.", "recorder"),
        (np.array([[44.0, 50.0]]), "for 10.1 s from 0:40.", "under vibration"),
        (np.empty((0, 2)), "for 10.1 s from 0:40.", "under vibration"),
    ],
)
def test_a_pause_of_everybody_is_no_fault_of_one_node(
    pauses: np.ndarray, told: str, action: str
) -> None:
    quiet = heard(0.1, (40.0, 50.0))
    made = replace(pack(quiet, quiet), pauses=pauses)
    (finding,) = drop_out_findings(find_drop_outs(made, layout(1)))
    assert finding.summary.endswith(told)
    assert action in finding.action


def test_a_pause_of_one_node_alone_stays_its_own() -> None:
    """Nobody else was there who could have gone on."""
    vehicle = make_vehicle(((4, 4), (4,)))
    whole = make_table(vehicle, 20.0)
    keys = [s.key.identifier for s in vehicle.streams if s.node == "monitor_a"]
    seconds = (whole.time_ns - whole.origin_ns) / 1e9
    alone = np.isin(whole.identifier, keys) & ((seconds < 6.0) | (seconds >= 13.0))
    series = pull_series(whole.take(alone), vehicle)
    ((begin, end),) = series.pauses
    assert (begin, end) == (pytest.approx(6.0, abs=0.2), pytest.approx(13.0, abs=0.2))
    assert series.paused == ""
    assert pull_series(whole, vehicle).pauses.shape == (0, 2)


def test_a_node_that_still_tells_the_current_did_not_fall_silent() -> None:
    plan = layout(1, quantities=("current",))
    node = plan.cells[0].address
    plan = replace(plan, quantities={"current": node._replace(message="Status", signal="I")})
    quiet = heard(0.1, (40.0, 50.0))
    for current, whole in ((heard(0.1), False), (quiet, True)):
        (drop,) = find_drop_outs(replace(pack(quiet, quiet), quantities={"current": current}), plan)
        assert drop.whole is whole
        (finding,) = drop_out_findings([drop])
        assert ("sent nothing" in finding.summary) is whole
