"""Where tests stand by the journal, and what people may enter."""

from dataclasses import replace

import pytest
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.commission.by_hand import accepted, looked, measured, named_test, remark
from busplan.commission.entry import Entry, Journal, Result
from busplan.commission.state import TestState, commissioning_of
from busplan.errors import PlanError, UsageError
from busplan.plan.planned_tests import PlannedTest
from busplan.plan.reader import load_plan
from busplan.plan.ready_tests import READY_TESTS
from busplan.plan.vehicle import Vehicle
from busplan.wire.cable_rules import PAIR_OHM

TESTS = """
[[test]]
name = "leaks"
look = "no leak"
[[test]]
name = "pressure"
measure = "fall of the pressure"
unit = "bar"
at_most = 0.05
for_min = 10
"""


@pytest.fixture
def vehicle(tmp_path) -> Vehicle:
    return load_plan(write_plan(tmp_path, PLAN + TESTS, pump=PUMP, vcu=VCU))


def journal(*entries: tuple[str, str, str, int | None]) -> Journal:
    """Entries of (kind, test, answer, about)."""
    return Journal(
        tuple(
            Entry(n, "now", "A", kind, (Result(test, answer),) if test else (), "why", about)
            for n, (kind, test, answer, about) in enumerate(entries, 1)
        )
    )


def state(vehicle: Vehicle, *entries: tuple[str, str, str, int | None]):
    return commissioning_of(vehicle, journal(*entries)).tests[0]


def test_open_until_something_says_so(vehicle: Vehicle) -> None:
    assert state(vehicle).state == "open"
    assert state(vehicle, ("remark", "leaks", "remark", None)).state == "open"
    assert state(vehicle, ("capture", "leaks", "not shown", None)).state == "not shown"


def test_the_latest_that_tells_decides_and_not_shown_changes_nothing(vehicle: Vehicle) -> None:
    failed = ("looked", "leaks", "failed", None)
    proven = ("looked", "leaks", "proven", None)
    unseen = ("capture", "leaks", "not shown", None)
    assert state(vehicle, proven, failed, unseen).state == "failed"
    repaired = state(vehicle, failed, unseen, proven)
    assert (repaired.state, repaired.repaired) == ("proven", True)
    assert repaired.proof is not None
    assert repaired.proof[0].number == 3


def test_what_was_recorded_before_a_failure_proves_no_repair(vehicle: Vehicle) -> None:
    def told(*said: tuple[str, str], sha: str = "") -> TestState:
        entries = tuple(
            Entry(
                n,
                "now",
                "A",
                "capture",
                (Result("leaks", answer),),
                captures=({"from": begin, "sha256": sha or str(n)},),
            )
            for n, (answer, begin) in enumerate(said, 1)
        )
        return commissioning_of(vehicle, Journal(entries)).tests[0]

    day = "2026-05-04 {}:00:00.001 UTC".format
    earlier = told(("failed", day(17)), ("proven", day(16)))
    assert earlier.state == "failed"
    assert earlier.passed_in_vain == "entry 2 passes, but was recorded before that"
    beside = told(("failed", day(17)), ("proven", day(17)))
    assert beside.passed_in_vain == "entry 2 passes, but was recorded at the same time as that"
    later = told(("failed", day(17)), ("proven", day(18)), ("proven", day(16)))
    assert (later.state, later.repaired, later.passed_in_vain) == ("proven", True, "")
    assert told(("failed", day(17)), ("proven", "0.000 s")).state == "proven"
    assert told(("proven", day(18)), ("failed", day(17))).state == "failed"
    corrected = told(("failed", day(17)), ("proven", day(17)), sha="1")
    assert corrected.state == "proven", "the same capture by a plan that was corrected"


def test_a_node_that_failed_is_heard_for_as_long_until_that_is_gone(tmp_path) -> None:
    """Seconds of a key-on show nothing of what half an hour showed."""
    bench = '[[test]]\nname = "on the bench"\nbench = "pump"\n'
    vehicle = load_plan(write_plan(tmp_path, PLAN + bench, pump=PUMP, vcu=VCU))

    def told(*said: tuple[str, float | None]) -> TestState:
        entries = tuple(
            Entry(
                n,
                "now",
                "A",
                "capture",
                (
                    Result(
                        "on the bench", answer, figures=None if span is None else {"span_s": span}
                    ),
                ),
            )
            for n, (answer, span) in enumerate(said, 1)
        )
        return commissioning_of(vehicle, Journal(entries)).tests[0]

    short = told(("failed", 2100.0), ("proven", 15.0))
    assert short.state == "failed"
    assert short.passed_in_vain == (
        "entry 2 passes, but heard it for 15 s only, and 2100 s showed the failure"
    )
    again = told(("failed", 2100.0), ("proven", 15.0), ("proven", 2000.0))
    assert (again.state, again.repaired, again.passed_in_vain) == ("proven", True, "")
    assert told(("failed", 20.0), ("proven", 60.0)).state == "proven"
    assert told(("failed", 2100.0), ("proven", None)).state == "failed", "nobody knows how long"
    assert told(("failed", None), ("proven", 15.0)).state == "proven"
    assert told(("proven", 2100.0), ("proven", 15.0)).state == "proven"
    assert told(("proven", 2100.0), ("failed", 15.0)).state == "failed"


def test_a_corrected_entry_does_not_count(vehicle: Vehicle) -> None:
    wrong = state(
        vehicle,
        ("looked", "leaks", "failed", None),
        ("looked", "leaks", "proven", None),
        ("corrected", "", "", 2),
    )
    assert wrong.state == "failed"


def test_accepted_stays_failed_and_only_for_that_failure(vehicle: Vehicle) -> None:
    failed = ("looked", "leaks", "failed", None)
    one = state(vehicle, failed, ("accepted", "leaks", "accepted", 1))
    assert one.state == "failed"
    assert one.accepted is not None
    later = state(vehicle, failed, ("accepted", "leaks", "accepted", 1), failed)
    assert later.accepted is None
    done = commissioning_of(vehicle, journal(failed, ("accepted", "leaks", "accepted", 1)))
    assert not done.done
    assert not done.unaccepted


def test_a_test_that_the_plan_has_no_more_is_told(vehicle: Vehicle) -> None:
    told = commissioning_of(vehicle, journal(("looked", "gone", "proven", None)))
    assert told.strangers == ("gone",)
    assert told.counts["open"] == 2


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("0.02 12min", "proven"),
        ("0.02 bar 10 min", "proven"),
        ("0,02 12min", "proven"),
        ("0.05 10min", "proven"),
        ("0.06 12min", "failed"),
        ("0.06", "failed"),
        ("0.02", "not shown"),
        ("0.02 9min", "not shown"),
    ],
)
def test_measurements(vehicle: Vehicle, text: str, answer: str) -> None:
    assert measured(vehicle.tests[1], text).answer == answer


@pytest.mark.parametrize("text", ["", "much", "nan", "inf", "1 2 3", "0.02 V", "0.02 xmin"])
def test_what_is_no_measurement(vehicle: Vehicle, text: str) -> None:
    with pytest.raises(UsageError):
        measured(vehicle.tests[1], text)


@pytest.mark.parametrize(
    ("name", "text", "answer"),
    [
        ("no-voltage", "-380", "failed"),
        ("no-voltage", "-12 V", "proven"),
        ("no-voltage", "60.1", "failed"),
        ("bonding", "0,040", "proven"),
        ("insulation", "1200", "proven"),
    ],
)
def test_swapped_leads_make_no_voltage_small(name: str, text: str, answer: str) -> None:
    table = {k: v for k, v in READY_TESTS[name].table.items() if k != "measure"}
    assert measured(PlannedTest(name, "measure", "x", **table), text).answer == answer


@pytest.mark.parametrize("text", ["-1", "-0.04 Ω", "1,000", "1_0"])
def test_a_resistance_that_cannot_be_is_not_entered(text: str) -> None:
    test = PlannedTest("bonding", "measure", "x", unit="Ω", at_most=0.1)
    with pytest.raises(UsageError):
        measured(test, text)


def test_a_temperature_keeps_its_sign() -> None:
    test = PlannedTest("cold", "measure", "x", unit="°C", at_most=5)
    assert measured(test, "-20").answer == "proven"


def test_what_is_looked_at(vehicle: Vehicle) -> None:
    leaks = vehicle.tests[0]
    assert looked(leaks, "yes").answer == "proven"
    assert looked(leaks, "No").answer == "failed"
    for wrong in (
        lambda: looked(leaks, "maybe"),
        lambda: measured(leaks, "3"),
        lambda: looked(vehicle.tests[1], "yes"),
        lambda: remark(" "),
        lambda: remark("x" * 3000),
        lambda: named_test(vehicle, "leak"),
        lambda: accepted(vehicle, Journal(), "leaks", "why"),
    ):
        with pytest.raises(UsageError):
            wrong()


WRONG = [
    ('look = "x"\nmeasure = "y"\nat_most = 1', "got measure and look"),
    ('name = "x"', "needs one of capture"),
    ('measure = "x"', "at_least or at_most"),
    ('measure = "x"\nat_least = 2\nat_most = 1', "must not be above"),
    ('look = "x"\nat_most = 1', 'does not go with "look"'),
    ('capture = "warmup"', '"warm-up"'),
    ('bench = "pumpe"', '"pump"?'),
    ('bench = "pump"\nnetwork = "main"', 'no network "main" of pump'),
    ('behaviour = "x"', 'no behaviour "x"'),
    ('load = "lop"', '"loop"?'),
    ('expect = "pump"', "no node with expect"),
    ('ready = "leek"', '"leaks"'),
    ('ready = "leaks"\nname = "x"', "does not go with a ready test"),
    ('ready = "all"\nat_most = 3', 'does not go with "all"'),
]


@pytest.mark.parametrize(("table", "words"), WRONG)
def test_a_mistake_in_the_list(tmp_path, table: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write_plan(tmp_path, PLAN + f"[[test]]\n{table}\n", pump=PUMP, vcu=VCU))
    (problem,) = caught.value.problems
    assert words in str(problem)


def test_the_ready_list_is_spread_over_the_plan(tmp_path) -> None:
    plan = write_plan(tmp_path, PLAN + '[[test]]\nready = "all"\n', pump=PUMP, vcu=VCU)
    tests = {t.name: t for t in load_plan(plan).tests}
    assert tests["pair-resistance loop"].subject.startswith("resistance across the pair of loop")
    assert tests["bench pump"].network == "loop"
    # Without a pack nothing of a pack, and what is dangerous says by whom.
    assert "insulation" not in tests
    assert "warm-up" not in tests
    assert tests["bonding"].licensed
    assert "licensed person" in tests["bonding"].caution
    assert all(r.table["source"] for r in READY_TESTS.values())


SILENT = """
[part.tap]
port.loud.message = [{ name = "TapState", identifier = 0x300, bytes = 1, cycle_ms = 100 }]
port.quiet.message = []
[part.siren]
message = []
[node.tap]
part = "tap"
on = { loud = "loop", quiet = "main" }
[node.siren]
part = "siren"
on = ["main"]
[[route]]
message = "PumpStatus"
from = "loop"
to = "main"
through = "tap"
"""


def test_nobody_is_asked_to_prove_on_the_bench_what_sends_nothing(tmp_path) -> None:
    """Not even what it passes on comes when it is alone."""
    text = PLAN + SILENT + '[[test]]\nready = "bench"\n'
    names = {t.name for t in load_plan(write_plan(tmp_path, text, pump=PUMP, vcu=VCU)).tests}
    assert names == {"bench pump", "bench vcu", "bench tap on loop"}
    text += '[[test]]\nbench = "siren"\n[[test]]\nbench = "tap"\nnetwork = "main"\n'
    with pytest.raises(PlanError) as caught:
        load_plan(write_plan(tmp_path, text, pump=PUMP, vcu=VCU))
    assert [p.text for p in caught.value.problems] == [
        "siren sends nothing of its own on main, so the bench shows nothing",
        "tap sends nothing of its own on main, so the bench shows nothing",
    ]


def test_the_pair_resistance_allowed_by_hand_is_that_of_the_cable_rules() -> None:
    table = READY_TESTS["pair-resistance"].table
    assert (table["at_least"], table["at_most"]) == PAIR_OHM


def test_a_ready_limit_is_stated_anew(tmp_path) -> None:
    text = '[[test]]\nready = "bonding"\nat_most = 0.05\n'
    (test,) = load_plan(write_plan(tmp_path, PLAN + text, pump=PUMP, vcu=VCU)).tests
    assert isinstance(test, PlannedTest)
    assert test.at_most == 0.05
    assert test.licensed


def test_a_list_beside_the_plan_comes_after_its_own(tmp_path) -> None:
    plan = write_plan(tmp_path, PLAN + TESTS, pump=PUMP, vcu=VCU)
    beside = plan.with_name(f"{plan.stem}.tests.toml")
    beside.write_text('[[test]]\nready = "labels"\n[[test]]\nload = "loop"\n')
    names = [t.name for t in load_plan(plan).tests]
    assert names == ["leaks", "pressure", "labels", "load loop"]
    # A mistake is told with the file and line where it stands.
    beside.write_text('[[test]]\nready = "labels"\n\n[[test]]\nload = "lop"\n')
    with pytest.raises(PlanError) as caught:
        load_plan(plan)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == (str(beside), 5)
    assert '"loop"?' in problem.text
    for text, words in (
        ("[network.x]\nbit_rate = 1\n", "nothing but"),
        ("", "needs"),
        ("[test]\nx = 1\n", "must be"),
    ):
        beside.write_text(text)
        with pytest.raises(PlanError, match=words):
            load_plan(plan)


@pytest.mark.parametrize(
    ("change", "state", "words"),
    [
        ({}, "proven", ""),
        ({"at_most": 0.01}, "failed", "the plan wants at most 0.01 bar, for 10 min now"),
        ({"for_min": 20}, "not shown", "for 20 min now"),
        ({"unit": "mbar"}, "not shown", "it was in bar, the plan wants mbar now"),
    ],
)
def test_what_was_measured_is_held_against_the_limits_that_the_plan_has_now(
    vehicle: Vehicle, change: dict[str, object], state: str, words: str
) -> None:
    entered = Journal(
        (Entry(1, "t", "A", "measured", (measured(vehicle.tests[1], "0.02 10min"),)),)
    )
    changed = replace(vehicle.tests[1], **change)
    (found,) = commissioning_of(replace(vehicle, tests=(changed,)), entered).tests
    assert found.state == state
    assert found.proof is not None
    assert found.proof[1].text.endswith(words)


def test_a_load_is_proven_against_the_limit_it_was_held_against_only(vehicle: Vehicle) -> None:
    test = PlannedTest("loads main", "load", "main")
    limit = vehicle.networks["main"].load_limit
    for entered, state in ((limit, "proven"), (limit + 0.1, "not shown")):
        result = Result("loads main", "proven", "mean 20 %", {"limit": entered})
        done = Journal((Entry(1, "t", "", "capture", (result,)),))
        (found,) = commissioning_of(replace(vehicle, tests=(test,)), done).tests
        assert found.state == state
