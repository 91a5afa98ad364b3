"""The warm-up test on loops and plates made apart from the judge: what must come out, row by row.

The truths stand in ``tests/truth``; seeds are fixed. What each test would have shown is looked at
in ``test_warm_up_power.py``, and left out here for its time.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from truth import channel_cases, fact, loop_cases
from truth.as_series import channel_series, warm_up_series

from busplan.answers import Answer, Interval
from busplan.findings import Weight
from busplan.pack import exchange_verdict, thermal_groups, warm_up
from busplan.pack.kinds import PackTest
from busplan.pack.report import evaluate_pack
from busplan.pack.thermal_span import find_thermal_span, widest_move
from busplan.pack.warm_up import judge_warm_up
from busplan.pack.warm_up_findings import warm_up_findings
from busplan.pack.warm_up_result import ModuleVerdict, WarmUp, WarmUpState
from busplan.pack.warm_up_text import exchange_text


@pytest.fixture(autouse=True)
def nothing_foreseen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(warm_up, "_foresee", lambda *_: ((), None))


def judged(test: Any, **keys: Any) -> tuple[WarmUp, list[str]]:
    """The judgement, and the codes of what it found."""
    series, layout = warm_up_series(test, **keys)
    span = widest_move(series.temperature, test.sensors.step_k)
    assert span is not None
    found = judge_warm_up(series, layout, span, test.sensors.step_k)
    findings = warm_up_findings(found, layout)
    texts = [found.told, found.missing, found.would_have_shown, *(f.summary for f in findings)]
    assert not any("nan" in t.replace("tenan", "") for t in texts)
    return found, [f.code for f in findings if f.weight > Weight.NOTE]


def row(name: str, seed: int = 3, **knobs: Any) -> tuple[WarmUp, list[str], Any]:
    test = loop_cases.case(name, seed, **knobs)
    return *judged(test), test


def verdicts(found: WarmUp, indices: Any) -> set[ModuleVerdict]:
    return {found.modules[i].verdict for i in indices}


def watched(monkeypatch: pytest.MonkeyPatch) -> list[thermal_groups.Compared]:
    """Every comparison that is made from now on."""
    compared: list[thermal_groups.Compared] = []

    def seen(*args: Any) -> thermal_groups.Compared:
        compared.append(thermal_groups.compare(*args))
        return compared[-1]

    monkeypatch.setattr(warm_up, "compare", seen)
    return compared


NOT_ACCUSED = {ModuleVerdict.FOLLOWS, ModuleVerdict.OPEN}


def test_a_third_of_the_flow_is_slow_and_its_interval_and_lag_hold() -> None:
    found, codes, test = row("third flow")
    (bad,) = test.bad
    module = found.modules[bad]
    assert module.verdict is ModuleVerdict.SLOW
    assert codes == ["module-slow"]
    assert test.exchange[bad] in module.interval
    extra = test.lag_s[bad] - np.median(test.lag_s)
    assert extra in module.lag_interval
    assert verdicts(found, np.flatnonzero(test.healthy)) <= NOT_ACCUSED
    assert found.answer is Answer.BAD
    assert "flow at most that" in found.told
    assert "exchange under" not in found.told


@pytest.mark.parametrize("name", ["healthy", "gun, healthy", "cool-down, healthy"])
def test_a_healthy_pack_accuses_nobody_and_its_intervals_hold(name: str) -> None:
    found, codes, test = row(name)
    assert codes == []
    assert verdicts(found, range(16)) <= NOT_ACCUSED
    held = [e in m.interval for e, m in zip(test.exchange, found.modules, strict=True)]
    assert sum(held) >= 15
    clear = sum(m.answer is Answer.GOOD for m in found.modules)
    assert clear >= (6 if "gun" in name else 13)
    assert found.heating is not name.startswith("cool")


@pytest.mark.parametrize("offset", [-3.0, -1.0, 0.5, 3.0])
@pytest.mark.parametrize("liquid", [False, True])
def test_a_sensor_that_is_off_makes_no_slow_module(offset: float, liquid: bool) -> None:
    found, codes, _ = row("offset", offset_k=offset, liquid=liquid, modules=8)
    assert verdicts(found, range(8)) <= NOT_ACCUSED
    assert set(codes) <= {"sensor-offset"}


def test_a_liquid_temperature_names_a_module_that_is_open_without_it() -> None:
    known = loop_cases.population(560484, liquid=True)
    (bad,) = known.bad
    for test, verdict in (
        (known, ModuleVerdict.SLOW),
        (loop_cases.population(560484, liquid=False), ModuleVerdict.OPEN),
    ):
        found, _ = judged(test)
        assert found.modules[bad].verdict is verdict
        assert found.modules[bad].interval.low <= test.exchange[bad]
        assert test.exchange[bad] <= found.modules[bad].interval.high


@pytest.mark.parametrize(
    ("knobs", "needed", "blur"),
    [
        ({"liquid": False}, exchange_verdict.ORDINARY, 0.0),
        ({"liquid": True}, exchange_verdict.LIQUID_KNOWN, 0.0),
        # It begins in the heating; its cells warm themselves, so nothing ever stands level.
        ({"liquid": True, "skip_s": 60.0}, exchange_verdict.DOUBTFUL, 0.08),
        ({"liquid": True, "heat_w": 60.0}, exchange_verdict.DOUBTFUL, np.hypot(0.15, 0.08)),
    ],
)
def test_what_must_speak_for_slow_follows_how_the_test_was_run(
    monkeypatch: pytest.MonkeyPatch,
    knobs: dict[str, Any],
    needed: exchange_verdict.Needed,
    blur: float,
) -> None:
    compared = watched(monkeypatch)
    row("healthy", 5, modules=6, **knobs)
    assert {e.needed for e in compared[-1].exchange} == {needed}
    # What each adds to the uncertainty of ln e is a choice of the method (no source).
    (own,) = {c.more_blur for c in compared[-1].nearest if c is not None}
    assert own == pytest.approx(blur)


@pytest.mark.parametrize(("modules", "peers"), [(8, 4), (6, 6)])
def test_modules_are_held_against_their_box_once_it_has_four(
    monkeypatch: pytest.MonkeyPatch, modules: int, peers: int
) -> None:
    compared = watched(monkeypatch)
    row("healthy", 5, modules=modules, boxes=2)
    assert [len(c.modules) for c in compared[-1].nearest if c is not None] == [peers] * modules


def test_an_offset_beyond_doubt_is_told() -> None:
    held = 0
    for seed in (3, 4, 5):
        found, codes, test = row("two sensors, one off", seed)
        assert codes == ["sensor-offset"]
        ((index, told),) = [(i, o) for i, m in enumerate(found.modules) for o in m.offsets]
        off = test.sensors.offset_k[:, told.position - 1]
        held += off[index] - np.median(off) in told.interval
        assert told.interval.high - told.interval.low < 2.2
    assert held == 3


def test_an_exchange_is_told_by_what_is_known_of_it() -> None:
    assert exchange_text(0.47, Interval(0.38, 0.58)) == "47 % (38 … 58 %)"
    assert exchange_text(1.07, Interval(0.89, 1.65)) == "107 % (over 89 %)"
    assert exchange_text(0.05, Interval(0.0, 0.12)) == "under 15 %"
    assert exchange_text(0.05, Interval(0.0, 0.29)) == "under 29 %"


def test_six_hours_of_rest_are_no_warm_up() -> None:
    found, codes, test = row("rest")
    series, _ = warm_up_series(test)
    assert find_thermal_span(series.temperature, 0.5) is None
    assert found.state is WarmUpState.NOTHING
    assert {m.answer for m in found.modules} == {Answer.NOT_SHOWN}
    assert codes == []
    assert "nothing warms up or cools down" in found.told


def test_a_module_that_stands_still_is_no_flow_or_a_stuck_sensor() -> None:
    found, codes, test = row("stuck, alone")
    ((module, _),) = test.sensors.frozen
    assert found.modules[module].verdict is ModuleVerdict.STILL
    assert "cannot part them" in found.told
    assert codes == ["module-no-flow"]
    found, _, test = row("no flow")
    assert verdicts(found, test.bad) <= {ModuleVerdict.NO_FLOW, ModuleVerdict.STILL}
    assert found.modules[test.bad[0]].interval.low == 0.0


def test_a_stuck_sensor_leaves_the_judgement_to_its_partner() -> None:
    found, _, test = row("stuck, of two")
    ((module, place),) = test.sensors.frozen
    assert found.modules[module].stuck == (place + 1,)
    assert found.modules[module].sensors == 1
    assert found.modules[module].verdict in NOT_ACCUSED


def test_a_slow_sensor_of_two_is_a_disagreement_not_a_slow_module() -> None:
    found, codes, _ = row("one sensor slow, of two")
    assert [m.verdict for m in found.modules].count(ModuleVerdict.DISAGREE) == 1
    assert codes == ["module-sensors-disagree"]


@pytest.mark.parametrize(
    ("name", "at", "clears", "words"),
    [
        ("air clears", 600.0, True, "that of its peers after): air may have cleared"),
        ("flow stops", 600.0, False, "moves no more since"),
        ("freezes", 600.0, False, "the sensor is stuck since"),
    ],
)
def test_flow_that_changes_is_told_with_its_time(
    name: str, at: float, clears: bool, words: str
) -> None:
    found, codes, _ = row(name)
    changed = [m for m in found.modules if m.verdict is ModuleVerdict.CHANGED]
    assert len(changed) == 1
    change = changed[0].change
    assert change is not None
    assert change.time_s == pytest.approx(at, abs=150.0)
    assert change.clears is clears
    assert words in found.told
    assert codes == ["module-flow-changed"]


def test_what_was_never_starved_or_has_hardly_begun_is_no_change_of_flow() -> None:
    for seed in (910043, 510049):
        test = loop_cases.population(seed, healthy=seed == 510049)
        found, codes = judged(test)
        assert "module-flow-changed" not in codes
        assert ModuleVerdict.CHANGED not in verdicts(found, np.flatnonzero(test.healthy))


def test_a_box_that_is_late_as_a_whole_is_told_and_cleared_by_nothing() -> None:
    found, codes, test = row("whole box")
    assert [b.name for b in found.late] == ["BOX2"]
    assert verdicts(found, test.bad) == {ModuleVerdict.OPEN}
    assert "box-late" in codes
    assert all(test.exchange[i] in found.modules[i].interval for i in test.bad)
    pipe, codes, _ = row("rear pipe long")
    assert verdicts(pipe, range(16)) <= NOT_ACCUSED
    assert codes == []


def test_a_late_box_of_few_modules_accuses_no_module_and_two_late_of_three_are_no_late_box() -> (
    None
):
    four = {"modules": 12, "boxes": 4}
    found, codes, test = row("whole box", **four)
    assert [b.name for b in found.late] == ["BOX2"]
    assert verdicts(found, test.bad) == {ModuleVerdict.OPEN}
    assert codes == ["box-late"]
    found, codes, test = row("seven of sixteen", **four, share={3: 0.4, 5: 0.4})
    assert found.late == ()
    assert verdicts(found, test.bad) == {ModuleVerdict.SLOW}
    assert codes == ["module-slow"] * 2


def test_a_capture_that_begins_in_the_heating_clears_no_slow_module_and_says_why() -> None:
    found, _, test = row("no plateau")
    assert not found.level_start
    assert found.modules[test.bad[0]].verdict is not ModuleVerdict.FOLLOWS
    assert "begins in the middle" in found.missing


def test_cells_that_carry_current_are_cleared_by_nothing() -> None:
    found, _, _ = row("cells heated", share=None)
    assert found.loaded
    assert {m.answer for m in found.modules} == {Answer.NOT_SHOWN}
    assert "A (RMS)" in found.missing


def test_two_modules_have_nobody_to_be_compared_with() -> None:
    found, codes, _ = row("two modules")
    assert found.state is WarmUpState.FEW
    assert {m.answer for m in found.modules} == {Answer.NOT_SHOWN}
    assert codes == []


def test_modules_in_series_are_odd_until_the_plan_says_so() -> None:
    test = loop_cases.case("series, healthy", 3)
    blind, codes = judged(test)
    assert blind.odd
    assert codes == []
    assert "loop_position" in blind.missing
    places = {f"M{i + 1}": int(p) + 1 for i, p in enumerate(test.loop.place)}
    told, codes = judged(test, loop_position=places)
    assert codes == []
    assert not told.odd
    clear = [sum(m.answer is Answer.GOOD for m in w.modules) for w in (blind, told)]
    assert clear[0] == 0
    assert clear[1] >= 12


def test_a_test_that_tells_little_makes_no_odd_pack() -> None:
    found, codes = judged(loop_cases.population(500464, liquid=True))
    assert found.state is WarmUpState.JUDGED
    assert not found.odd
    assert "loop_position" not in found.missing
    assert codes in ([], ["module-slow"])


def test_a_starved_branch_in_series_is_slow_all_along_and_its_intervals_hold() -> None:
    test = loop_cases.case("series", 5, step_k=0.5)
    places = {f"M{i + 1}": int(p) + 1 for i, p in enumerate(test.loop.place)}
    found, codes = judged(test, loop_position=places)
    assert codes == ["module-slow"] * 4
    for index in test.bad:
        module = found.modules[index]
        assert module.verdict is ModuleVerdict.SLOW
        assert test.exchange[index] in module.interval
        # Each stage of a branch loses alike: taken for one body the last would read 0.1.
        assert module.exchange == pytest.approx(test.exchange[index], abs=0.13)
    assert verdicts(found, np.flatnonzero(test.healthy)) <= NOT_ACCUSED


def test_modules_of_two_kinds_are_compared_with_their_own() -> None:
    test = loop_cases.case("two kinds", 3)
    kinds = {f"M{i + 1}": f"kind {k}" for i, k in enumerate(test.loop.kinds)}
    told, codes = judged(test, kind=kinds)
    assert codes == ["module-slow"]
    assert verdicts(told, test.bad) == {ModuleVerdict.SLOW}
    assert verdicts(told, np.flatnonzero(test.healthy)) <= NOT_ACCUSED


def test_plates_of_another_physics_accuse_nobody_and_hold() -> None:
    held = total = 0
    for seed in (1, 2):
        test = channel_cases.case("tenth flow", seed, minutes=20.0)
        series, layout = channel_series(test)
        span = widest_move(series.temperature, test.step_k)
        assert span is not None
        found = judge_warm_up(series, layout, span, test.step_k)
        assert verdicts(found, np.flatnonzero(test.healthy)) <= NOT_ACCUSED
        assert verdicts(found, test.bad) <= {ModuleVerdict.SLOW, ModuleVerdict.NO_FLOW}
        for exchange, module in zip(test.exchange, found.modules, strict=True):
            held += exchange in module.interval
            total += 1
    assert held >= 0.93 * total


def test_sensors_before_their_few_peers_of_which_one_is_starved_do_not_disagree() -> None:
    test = channel_cases.population(500136)
    series, layout = channel_series(
        test, kind={f"M{i + 1}": f"kind {k}" for i, k in enumerate(test.plates.kind)}
    )
    span = widest_move(series.temperature, test.step_k)
    assert span is not None
    found = judge_warm_up(series, layout, span, test.step_k)
    assert verdicts(found, np.flatnonzero(test.healthy)) <= NOT_ACCUSED
    assert verdicts(found, test.bad) == {ModuleVerdict.SLOW}


def test_a_plan_that_tells_finer_steps_than_are_read_clears_nobody_sooner() -> None:
    series, layout = fact.readings(4, minutes=5.0).as_series()
    told = []
    for step in (1.0, 0.25):
        sensors = tuple(replace(t, step=step) for t in series.sensors)
        plan = replace(layout, temperature_resolution_k=step)
        report = evaluate_pack(replace(series, sensors=sensors), plan, test=PackTest.WARM_UP)
        told.append(report.warm_up)
    assert told[0] is not None
    assert told[1] is not None
    assert told[0].state is told[1].state is WarmUpState.TOO_SHORT
    assert told[0].told == told[1].told


# A fact of the trade: common practice, no source (see truth/fact.py).
@pytest.mark.parametrize("minutes", [5.0, 9.0])
def test_all_at_17_and_some_at_18_come_up_together_as_far_as_this_shows(minutes: float) -> None:
    test = fact.readings(4, minutes=minutes)
    series, layout = test.as_series()
    span = widest_move(series.temperature, 1.0)
    assert span is not None
    found = judge_warm_up(series, layout, span, 1.0)
    assert warm_up_findings(found, layout) == [] or all(
        f.weight is Weight.NOTE for f in warm_up_findings(found, layout)
    )
    assert verdicts(found, range(16)) <= NOT_ACCUSED
    if minutes == 5.0:
        assert "come along together as far as this shows" in found.told


@pytest.mark.parametrize("minutes", [5.0, 7.0, 20.0])
def test_one_that_stays_while_its_peers_go_on_is_named_or_open_never_fine(minutes: float) -> None:
    test = fact.readings(4, minutes=minutes, stays=6)
    series, layout = test.as_series()
    span = widest_move(series.temperature, 1.0)
    assert span is not None
    found = judge_warm_up(series, layout, span, 1.0)
    assert found.modules[6].answer is not Answer.GOOD
    assert "M7" in found.told
    if minutes > 5.0:
        assert found.modules[6].verdict is ModuleVerdict.STILL
        assert "this test cannot part them" in found.told
    assert verdicts(found, [i for i in range(16) if i != 6]) <= NOT_ACCUSED
