"""A forwarded message comes as often as its source, also when the plan changes the source."""

from dataclasses import replace

from support.vehicles import stream

from busplan.definitions.model import Origin, Stated
from busplan.plan.carrying import paced
from busplan.plan.route import Route

ROUTES = [
    Route("r", "message", "Speed", "a", "b", "g"),
    Route("s", "message", "Speed", "b", "c", "h"),
]
DEFINED = Stated(100_000_000, Origin.DEFINITION)


def hop(network: str, node: str, via: str, cycle: Stated, deadline: Stated):
    sent = stream(0x10, name="Speed", network=network, node=node, via=via)
    return replace(sent, cycle=cycle, deadline=deadline)


def test_a_chain_of_gateways_follows_the_source() -> None:
    source = stream(0x10, name="Speed", node="x", cycle_ms=20, event=True)
    stated = Stated(5_000_000, Origin.PLAN)
    streams = [source, hop("b", "g", "r", DEFINED, DEFINED), hop("c", "h", "s", DEFINED, stated)]
    _, first, second = paced(streams, ROUTES)
    assert first.cycle == second.cycle == first.deadline == source.cycle
    assert first.event
    assert second.deadline == stated


def test_a_period_that_the_plan_states_for_the_hop_stays() -> None:
    own = Stated(50_000_000, Origin.PLAN)
    source = stream(0x10, name="Speed", node="x", cycle_ms=20)
    assert paced([source, hop("b", "g", "r", own, own)], ROUTES)[1].cycle == own


def test_a_namesake_with_another_identifier_is_not_the_source() -> None:
    other = stream(0x11, name="Speed", node="x", cycle_ms=20)
    assert paced([other, hop("b", "g", "r", DEFINED, DEFINED)], ROUTES)[1].cycle == DEFINED
