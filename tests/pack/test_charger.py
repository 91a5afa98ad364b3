"""The charger beside its request and the cells: healthy charges give nothing, planted faults do.

Truth: a first-order lag on a request with a taper (tests/truth/electrical.py).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.sense import BAD, GOOD, NOT_SHOWN, TIME, Sensed, flat, sense, thinned
from truth.electrical import Bus, Charge, steps
from truth.electrical_cases import CHARGES, ON_OFF, charging_cells

from busplan.findings import Weight
from busplan.pack.series import EMPTY, Trace

CHECKS = (
    "charger current",
    "charger voltage",
    "charger and pack",
    "end of charge",
    "first full cell",
)


def judged(seed: int, how: Charge, bus: Bus | None = None) -> Sensed:
    made = charging_cells(seed, how, bus)
    return sense(made.traces, cells=made.cells)


def random_bus(seed: int) -> Bus:
    rng = np.random.default_rng([seed, 5])
    return Bus(
        period_s=float(rng.choice([0.1, 0.2, 0.5])),
        delay_s=float(rng.uniform(0, 0.5)),
        lost=float(rng.choice([0.0, 0.02, 0.05])),
        noise=0.1,
        step=0.1,
        jitter_s=0.004,
    )


@given(st.integers(0, 100_000), st.floats(10.0, 120.0), st.floats(0.1, 1.0), st.floats(0.5, 1.0))
@settings(max_examples=20)
def test_a_healthy_charge_gives_nothing(
    seed: int, asked_a: float, reacts_s: float, gain: float
) -> None:
    result = judged(seed, Charge(asked_a=asked_a, reacts_s=reacts_s, gain=gain), random_bus(seed))
    assert result.codes == []
    for name in CHECKS:
        assert result[name].answer is GOOD, (name, result[name].text)


@pytest.mark.parametrize(("what", "how", "code", "check"), CHARGES, ids=[p[0] for p in CHARGES])
@pytest.mark.parametrize("seed", [1, 2])
def test_each_planted_fault_is_named_once(
    seed: int, what: str, how: Charge, code: str, check: str
) -> None:
    result = judged(seed, how)
    assert result.codes == [code]
    assert result[check].answer is BAD


@given(st.integers(0, 100_000), st.sampled_from(CHARGES), st.booleans())
@settings(max_examples=12)
def test_taking_data_away_never_makes_an_answer_better(
    seed: int, planted: tuple[str, Charge, str, str], whole: bool
) -> None:
    made = charging_cells(seed, planted[1])
    traces, cells = made.traces, made.cells
    full = sense(traces, cells=cells)
    rng = np.random.default_rng(seed)
    victim = str(rng.choice(list(traces)))
    less = {n: t for n, t in traces.items() if not (whole and n == victim)}
    if not whole:
        begin = rng.uniform(0, 300)
        kept = (traces[victim].time_s < begin) | (traces[victim].time_s > begin + 120)
        less[victim] = thinned(traces[victim], kept)
    result = sense(less, cells=cells, mapped=tuple(traces))
    for name in CHECKS:
        if full[name].answer is BAD:
            assert result[name].answer is not GOOD, (name, victim, result[name].text)


def test_a_charge_that_did_not_end_shows_no_end() -> None:
    result = judged(1, Charge(span_s=150.0))
    assert result["end of charge"].answer is NOT_SHOWN
    assert result["first full cell"].answer is NOT_SHOWN
    assert result["charger current"].answer is GOOD


def test_the_first_full_cell_may_be_one_that_is_not_known() -> None:
    made = charging_cells(1, Charge())
    assert sense(made.traces, cells=made.cells)["first full cell"].answer is GOOD
    doubted = sense(made.traces, cells=made.cells, faulty=[("cell", 0), ("sensor", 1)])
    silent = sense(made.traces, cells=(EMPTY, *made.cells[1:]))
    for told in (doubted["first full cell"], silent["first full cell"]):
        assert told.answer is NOT_SHOWN
        assert told.missing == "1 cell may have been full before"


def test_how_far_the_voltage_lay_over_what_was_asked_for_is_told() -> None:
    volts = {"charger_voltage": flat(404.9), "charger_voltage_request": flat(400.0)}
    (finding,) = sense(volts).findings
    assert finding.code == "charger-over-voltage"
    assert finding.figures[0].value == pytest.approx(4.9)


@pytest.mark.parametrize(
    ("told_a", "pack_a", "codes"),
    [
        # Kirchhoff's current law: what the vehicle uses is missing in the pack, none is added.
        (40.0, -30.0, []),
        (40.0, -43.9, []),
        (40.0, -44.1, ["pack-over-charger"]),
        (10.0, -11.9, []),
        (10.0, -12.1, ["pack-over-charger"]),
        (10.0, 5.0, []),
    ],
)
def test_a_pack_cannot_take_more_than_the_charger_gives(
    told_a: float, pack_a: float, codes: list[str]
) -> None:
    result = sense({"charger_current": flat(told_a), "current": flat(pack_a)})
    assert result.codes == codes
    assert result["charger and pack"].answer is (BAD if codes else GOOD)


@pytest.mark.parametrize(
    ("asked", "given_a", "codes"),
    [
        (20.0, 19.5, []),
        (20.0, 10.0, []),
        # A twentieth of the request, and one ampere at least (common practice, no source).
        (100.0, 104.9, []),
        (100.0, 105.1, ["charger-over-request"]),
        (10.0, 10.9, []),
        (10.0, 11.1, ["charger-over-request"]),
    ],
)
def test_more_than_asked_for(asked: float, given_a: float, codes: list[str]) -> None:
    result = sense({"charger_current": flat(given_a), "charger_current_request": flat(asked)})
    assert result.codes == codes


@pytest.mark.parametrize(("seconds", "codes"), [(2.8, []), (3.2, ["charger-over-request"])])
def test_more_than_asked_for_counts_once_it_lasts(seconds: float, codes: list[str]) -> None:
    over = np.where((TIME >= 20) & (20 + seconds > TIME), 26.0, 20.0)
    traces = {"charger_current": Trace(TIME, over, 0.1), "charger_current_request": flat(20.0)}
    assert sense(traces).codes == codes


@pytest.mark.parametrize(("seconds", "codes"), [(5.7, []), (6.5, ["charger-goes-on"])])
def test_the_charger_stops_within_three_seconds_and_three_count(
    seconds: float, codes: list[str]
) -> None:
    asked = Trace(TIME, np.where(TIME < 30, 20.0, 0.0), 0.1)
    given_a = Trace(TIME, np.where(30 + seconds > TIME, 20.0, 0.0), 0.1)
    result = sense({"charger_current": given_a, "charger_current_request": asked})
    assert result.codes == codes
    assert result["end of charge"].answer is (BAD if codes else GOOD)


@pytest.mark.parametrize(("lost_s", "answer"), [(1.0, GOOD), (15.0, NOT_SHOWN)])
def test_a_charger_that_was_not_heard_when_its_request_ended_shows_no_end(
    lost_s: float, answer: str
) -> None:
    asked = Trace(TIME, np.where(TIME < 30, 20.0, 0.0), 0.1)
    given_a = Trace(TIME, np.where(TIME < 31, 20.0, 0.0), 0.1)
    gap = thinned(given_a, (TIME < 29) | (29 + lost_s < TIME))
    result = sense({"charger_current": gap, "charger_current_request": asked})
    assert result.codes == []
    assert result["end of charge"].answer is answer


@pytest.mark.parametrize("names", [ON_OFF, {}, {0: "Disabled", 1: "Enabled"}])
def test_switching_off_ends_a_request_too(names: dict[int, str]) -> None:
    enable = Trace(TIME, np.where(TIME < 30, 1.0, 0.0), 1.0, choices=names)
    traces = {"charger_current": flat(20.0), "charger_current_request": flat(20.0)}
    assert sense(traces).codes == []
    assert sense(traces | {"charger_enable": enable}).codes == ["charger-goes-on"]


def test_a_request_that_stays_away_is_told_and_accuses_nobody() -> None:
    asked = Trace(TIME[:300], np.full(300, 20.0), 0.1)
    check = sense({"charger_current": flat(20.0), "charger_current_request": asked})
    assert check.codes == []
    assert check["end of charge"].answer is NOT_SHOWN
    assert "no request was heard" in check["end of charge"].text


@pytest.mark.parametrize(
    ("share", "top_v", "seconds", "codes"),
    # Under a tenth for a minute while no cell is within 50 mV of full (common practice, no source).
    [
        (0.11, 3.9, 100.0, []),
        (0.09, 3.9, 62.0, ["charger-under-request"]),
        (0.09, 3.9, 58.0, []),
        (0.09, 4.153, 100.0, []),
        (0.09, 4.147, 100.0, ["charger-under-request"]),
    ],
)
def test_far_too_little(share: float, top_v: float, seconds: float, codes: list[str]) -> None:
    time = np.arange(0.0, 150.0, 0.5)
    given_a = np.where((time > 20) & (time < 20 + seconds), 50.0 * share, 50.0)
    traces = {
        "charger_current": Trace(time, given_a, 0.1),
        "charger_current_request": Trace(time, np.full(len(time), 50.0), 0.1),
    }
    cells = [Trace(time, np.full(len(time), top_v), 0.001)]
    assert sense(traces, cells=cells).codes == codes


def test_a_charger_that_never_gave_may_not_be_plugged_in() -> None:
    time = np.arange(0.0, 150.0, 0.5)
    cells = [Trace(time, np.full(len(time), 3.9), 0.001)]
    traces = {
        "charger_current": Trace(time, np.zeros(len(time)), 0.1),
        "charger_current_request": Trace(time, np.full(len(time), 50.0), 0.1),
    }
    check = sense(traces, cells=cells)["charger current"]
    assert check.answer is NOT_SHOWN
    assert "plugged in" in check.missing


@pytest.mark.parametrize(("over", "codes"), [(1.009, []), (1.011, ["charger-over-voltage"])])
def test_the_voltage_asked_for_is_kept_to_a_hundredth(over: float, codes: list[str]) -> None:
    traces = {
        "charger_voltage": flat(400.0 * over),
        "charger_voltage_request": flat(400.0),
        "charger_current": flat(20.0),
    }
    assert sense(traces).codes == codes
    # Where nothing flows it may stand where it likes.
    assert sense(traces | {"charger_current": flat(0.0)}).codes == []


@pytest.mark.parametrize(
    ("top_v", "seconds", "codes"),
    [
        (4.2046, 30.0, []),
        (4.206, 30.0, ["charge-past-full-cell"]),
        (4.25, 4.6, []),
        (4.25, 5.5, ["charge-past-full-cell"]),
    ],
)
def test_a_full_cell_ends_the_charge(top_v: float, seconds: float, codes: list[str]) -> None:
    top = np.where((TIME > 20) & (20 + seconds > TIME), top_v, 4.15)
    cells = [Trace(TIME, top, 0.001), flat(4.1, 0.001)]
    result = sense({"current": flat(-20.0)}, cells=cells)
    assert result.codes == codes
    if codes:
        assert "Cell 1" in result.findings[0].summary
        assert result.findings[0].weight is Weight.FAULT
    assert sense({"current": flat(0.0)}, cells=cells).codes == []


def test_a_ramp_down_of_the_request_is_followed_late_without_offence() -> None:
    ramp = steps(*((20.0 + i * 0.5, 40.0 - i) for i in range(40)))
    asked = Bus().carry(ramp, 60.0, np.random.default_rng(1))
    late = Bus(delay_s=2.0).carry(ramp, 60.0, np.random.default_rng(2))
    assert sense({"charger_current": late, "charger_current_request": asked}).codes == []
