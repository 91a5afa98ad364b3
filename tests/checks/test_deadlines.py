"""Findings about deadlines and routes."""

from dataclasses import replace
from pathlib import Path

import pytest
from support.vehicles import MS, stream, vehicle

from busplan.checks import run_checks
from busplan.definitions.model import Signal
from busplan.finding_codes.checks import DEADLINES
from busplan.findings import Weight
from busplan.plan.carrying import forwarded
from busplan.plan.reader import load_plan
from busplan.plan.route import Route
from busplan.plan.vehicle import Network

CODES = [entry.code for entry in DEADLINES]
EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


def found(v):
    return list(run_checks(v, CODES))


def test_a_missed_deadline_says_what_it_waits_for_and_what_would_help() -> None:
    v = vehicle(
        [
            stream(1, node="x", name="First"),
            stream(2, node="x", name="Late", deadline_ms=0.8),
            stream(3, node="y", name="Blocker"),
        ]
    )
    (finding,) = found(v)
    assert (finding.code, finding.weight) == ("deadline-missed", Weight.FAULT)
    assert str(finding.where) == "a/x/Late"
    assert "can take 0.81 ms" in finding.summary
    assert "deadline is 0.8 ms (from the plan)" in finding.summary
    assert "Blocker already on the wire, then First (1 frame)" in finding.why
    assert "800 kbit/s would do" in finding.action


def test_a_missed_deadline_with_nothing_in_its_way_says_so() -> None:
    """The most urgent message waits for one frame at most, the only one of a network for none."""
    late = stream(1, node="x", name="Late", deadline_ms=0.1)
    (finding,) = found(vehicle([late, stream(3, node="y", name="Blocker")]))
    assert finding.why == "In the worst case it waits for Blocker already on the wire."
    (finding,) = found(vehicle([late]))
    assert finding.why == "It waits for no other: its own frames take so long."


def test_a_deadline_that_jitter_alone_misses_blames_the_jitter() -> None:
    late = stream(1, node="x", name="Late", deadline_ms=2, jitter_ms=5)
    (finding,) = found(vehicle([late]))
    assert finding.why == "It may be queued 5 ms late (its jitter)."
    assert "the jitter alone leaves it no time" in finding.action
    (finding,) = found(vehicle([late, stream(3, node="y", name="Blocker")]))
    assert finding.why.endswith(
        "(its jitter). In the worst case it waits for Blocker already on the wire."
    )
    less = stream(1, node="x", name="Late", deadline_ms=0.8, jitter_ms=0.4)
    (finding,) = found(vehicle([less, stream(3, node="y", name="Blocker")]))
    assert finding.action.startswith("Give it a more urgent identifier")


def test_overload_is_one_finding_a_network() -> None:
    v = vehicle([stream(i, node="x", cycle_ms=1) for i in range(8)])
    missed = [f.summary for f in found(v) if f.code == "deadline-missed"]
    # Frames of 270 µs: the third is late behind a longest later frame (1.08 ms of 1 ms), and the
    # other five find no time at all.
    assert sorted("may never get through" in text for text in missed) == [False, True]
    assert any(text.startswith("5 messages of a may never") for text in missed)


def test_a_gateway_whose_delay_nobody_states_is_noted() -> None:
    routes = [
        Route("one", "message", "M1", "a", "b", "gate", delay_stated=False),
        Route("two", "message", "M2", "a", "b", "gate", delay_stated=False),
        Route("three", "message", "M3", "a", "b", "gate"),
    ]
    sent = [stream(i) for i in (1, 2, 3)] + [stream(9, node="gate"), stream(9, network="b")]
    v = vehicle(sent, [Network("a", 500_000), Network("b", 500_000)], routes=routes)
    (note,) = (f for f in found(v) if f.code == "delay-not-stated")
    assert note.weight is Weight.NOTE
    assert "gate takes to pass on M1 and M2 to b" in note.summary
    assert "0 ms" in note.summary


@pytest.mark.parametrize(
    ("deadline_ms", "expected"),
    # 540 µs without an error; with one 31 bits and the longest frame more: 872 µs.
    [
        (0.871, [Weight.CAUTION]),
        (0.872, []),
        (0.54, [Weight.CAUTION]),  # just in time is in time, and tight
        (0.539, [Weight.FAULT]),
    ],
)
def test_one_bus_error_can_be_too_much(deadline_ms: float, expected: list[Weight]) -> None:
    v = vehicle([stream(1), stream(2, deadline_ms=deadline_ms)])
    assert [f.weight for f in found(v)] == expected


@pytest.mark.parametrize(("deadline_ms", "expected"), [(43.6, []), (43.599, [Weight.CAUTION])])
def test_it_is_one_single_bus_error_however_long_it_takes(
    deadline_ms: float, expected: list[Weight]
) -> None:
    # At 10 kbit/s a frame takes 13.5 ms: two of them, one error of 31 bits and the frame again.
    v = vehicle(
        [stream(1, cycle_ms=1000), stream(2, cycle_ms=1000, deadline_ms=deadline_ms)],
        [Network("a", 10_000)],
    )
    assert [f.weight for f in found(v)] == expected


def test_a_cycle_time_is_only_noted_when_tight() -> None:
    v = vehicle([stream(1, cycle_ms=10), stream(2, cycle_ms=0.8)])
    (finding,) = found(v)
    assert (finding.code, finding.weight) == ("deadline-tight", Weight.NOTE)


def test_planned_errors_leave_nothing_to_warn_of() -> None:
    network = Network("a", 500_000, fault_interval_ns=100 * MS)
    assert found(vehicle([stream(1), stream(2, deadline_ms=0.9)], [network])) == []
    (finding,) = found(vehicle([stream(1), stream(2, deadline_ms=0.871)], [network]))
    assert finding.code == "deadline-missed"


# 270 µs on either network and 2 ms in the gateway.
@pytest.mark.parametrize(
    ("deadline_ms", "late"), [(3.3, False), (2.54, False), (2.539, True), (2.5, True)]
)
def test_a_route_too_late(deadline_ms: float, late: bool) -> None:
    streams = [
        stream(1, node="x", name="Speed"),
        stream(1, network="b", node="g", name="Speed", via="r"),
    ]
    route = Route(
        name="r",
        kind="message",
        what="Speed",
        source="a",
        target="b",
        through="g",
        delay_ns=2 * MS,
        deadline_ns=round(deadline_ms * MS),
        line=7,
    )
    v = vehicle(streams, [Network("a", 500_000), Network("b", 500_000)], routes=[route])
    findings = found(v)
    assert [f.code for f in findings] == ["route-too-late"] * late
    if late:
        assert findings[0].where.line == 7
        assert "can take 2.54 ms" in findings[0].summary
        assert "Most is lost in g" in findings[0].action


@pytest.mark.parametrize(
    ("kind", "told"), [("message", "leave out cycle_ms"), ("signal", "route a whole message")]
)
def test_what_waits_for_a_period_of_the_gateway_is_passed_on_at_once(kind: str, told: str) -> None:
    sent = stream(1, node="x", name="Speed")
    signals = (Signal("Value", 0, 16),)
    sent = replace(sent, message=replace(sent.message, signals=signals))
    into = replace(sent, network="b", node="g")
    what = "Speed" if kind == "message" else "Value"
    route = Route("r", kind, what, "a", "b", "g", deadline_ns=5 * MS, cycle_ns=10 * MS)
    streams = forwarded([sent], [route]) if kind == "message" else [sent, into]
    v = vehicle(streams, [Network("a", 500_000), Network("b", 500_000)], routes=[route])
    (late,) = (f for f in found(v) if f.code == "route-too-late")
    assert told in late.action


def test_the_merged_network_of_the_example_misses_a_deadline() -> None:
    bought = found(load_plan(EXAMPLES / "as_bought.toml"))
    late = {str(f.where) for f in bought if f.code == "deadline-missed"}
    assert "body/door/DoorSafety" in late
    assert found(load_plan(EXAMPLES / "as_built.toml")) == []
