"""The cable of each network against its bit rate, its terminators, and where nodes sample a bit.

Limits and their sources: :mod:`busplan.wire.cable_rules`; registers:
:mod:`busplan.wire.bit_timing`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from busplan.checks.wording import rate, speeds
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.cable import END, START
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Vehicle
from busplan.wire.bit_timing import AGREE_WITHIN, NodeTiming, disagreement, node_timings
from busplan.wire.cable_rules import (
    PAIR_OHM,
    TERMINATOR_OHM,
    TERMINATORS,
    CableState,
    Lengths,
    Limit,
    cable_state,
    longest_m,
)
from busplan.wording import counted, listing, percent, plain, plural

LEAST_PAIR_OHM = 35.0
"""Below this a pair with too many terminators cannot be driven (common practice, no source)."""


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Findings about cable and bit timing, network by network."""
    for name in vehicle.networks:
        yield from network_findings(vehicle, name)
    if vehicle.networks and all(n.cable is None for n in vehicle.networks.values()):
        yield _nothing_stated(vehicle)


def network_findings(vehicle: Vehicle, name: str) -> Iterator[Finding]:
    """Findings about the cable and bit timing of one network."""
    state = cable_state(vehicle, name)
    speed = rate(state.network.bit_rate)
    yield from _too_long(state, state.lengths, speed)
    if state.data_lengths is not None and state.network.data_bit_rate is not None:
        data_speed = f"{rate(state.network.data_bit_rate)} in the data phase"
        yield from _too_long(state, state.data_lengths, data_speed)
    yield from _round_trip(state)
    yield from _terminators(state)
    yield from _inside_trunk(state)
    if (weight := too_many(state)) is not None:
        yield _too_many(state, weight)
    yield from _bit_timing(state, node_timings(vehicle, name))
    if any(n.cable is not None for n in vehicle.networks.values()):
        yield from _not_stated(state)
    if state.network.cable is not None and state.trunk_m is not None:
        stubs = state.network.cable.stubs_m
        unsaid = [n.name for n in vehicle.nodes_on(name) if n.name not in stubs]
        if unsaid:
            yield _stubs_not_stated(state, unsaid)


def too_long(length_m: float | None, limit: Limit) -> Weight | None:
    """How heavy it is that a length is over its limit; ``None`` when it is not, or not known."""
    return Weight.CAUTION if length_m is not None and length_m > limit.most else None


def too_late(state: CableState) -> Weight | None:
    """The same of a bit that is sampled before it was there and back."""
    trip = state.round_trip_ns
    return Weight.FAULT if trip is not None and trip > state.round_trip_limit_ns else None


def wrong_terminators(state: CableState) -> Weight | None:
    """The same of terminators: their number, and the ohms of each.

    Two at most say nothing where the plan does not state those on the cable: there may be others.
    """
    fitted, pair = state.terminators, state.pair_ohm
    if not state.terminators_stated and len(fitted) <= TERMINATORS:
        return None
    low, high = TERMINATOR_OHM
    if len(fitted) == TERMINATORS and all(low <= t.ohm <= high for t in fitted):
        return None
    return Weight.FAULT if pair is None or pair < LEAST_PAIR_OHM else Weight.CAUTION


def too_many(state: CableState) -> Weight | None:
    """The same of the number of nodes."""
    return Weight.CAUTION if state.nodes > state.node_limit.most else None


def _too_long(state: CableState, lengths: Lengths, speed: str) -> Iterator[Finding]:
    name = state.network.name
    if state.trunk_m is not None and (weight := too_long(state.trunk_m, lengths.trunk)) is not None:
        yield Finding(
            "trunk-too-long",
            weight,
            Where(name),
            f"The trunk of {name} is {metres(state.trunk_m)}; at {speed} at most "
            f"{metres(lengths.trunk.most)} ({lengths.trunk.source}).",
            "Edges arrive late and echo, so that bits are read wrongly: errors that come and go "
            "with temperature and load.",
            "Lay the trunk on the shortest way through the nodes, split the network with a "
            "gateway, or lower the bit rate.",
            _length_figures(state.trunk_m, lengths.trunk),
        )
    for node, stub in state.stubs_m:
        if (weight := too_long(stub, lengths.stub)) is not None:
            yield Finding(
                "stub-too-long",
                weight,
                Where(name, node),
                f"{node} hangs on a stub of {metres(stub)} on {name}; at {speed} at most "
                f"{metres(lengths.stub.most)} ({lengths.stub.source}).",
                "An open branch throws echoes back into the trunk, for all nodes.",
                f"Lead the trunk past {node} and loop it through, so that the stub is short.",
                _length_figures(stub, lengths.stub),
            )
    if lengths.stubs is None:
        return
    if (weight := too_long(state.all_stubs_m, lengths.stubs)) is not None:
        yield Finding(
            "stub-too-long",
            weight,
            Where(name),
            f"The stubs of {name} are {metres(state.all_stubs_m)} together; at {speed} at most "
            f"{metres(lengths.stubs.most)} ({lengths.stubs.source}).",
            "Each branch loads the trunk and throws echoes back; together they blur the edges.",
            "Loop the trunk through the nodes with the longest stubs.",
            _length_figures(state.all_stubs_m, lengths.stubs),
        )


def _round_trip(state: CableState) -> Iterator[Finding]:
    trip, limit, path = state.round_trip_ns, state.round_trip_limit_ns, state.path_m
    weight = too_late(state)
    if weight is None or trip is None or path is None:
        return
    network = state.network
    longest = max(0.0, longest_m(network.bit_rate, state.sample_point, state.transceivers_ns))
    yield Finding(
        "round-trip-too-long",
        weight,
        Where(network.name),
        f"On {network.name} a bit takes {trip:.0f} ns over {metres(path)} and back; it is sampled "
        f"after {limit:.0f} ns, enough for {metres(longest)}.",
        "Far nodes lose arbitration or acknowledge too late: frames break with errors.",
        "Shorten the cable, lower the bit rate, or move the sample point later.",
        (
            Figure("round trip", round(trip, 1), "ns"),
            Figure("time to the sample", round(limit, 1), "ns"),
            Figure("longest way", path, "m"),
        ),
    )


def _terminators(state: CableState) -> Iterator[Finding]:
    fitted, pair, name = state.terminators, state.pair_ohm, state.network.name
    weight = wrong_terminators(state)
    if weight is None:
        return
    low, high = TERMINATOR_OHM
    told = "no terminator"
    if fitted:
        told = f"{counted(len(fitted), 'terminator')} ({terminators_in_words(state)})"
    across = f"{pair:.0f} Ω across the pair" if pair else "an open pair"
    yield Finding(
        "terminators-wrong",
        weight,
        Where(name, next((t.node for t in fitted if t.node), None)),
        f"{name} has {told}, which makes {across}; it should be {TERMINATORS} of {low:.0f} to "
        f"{high:.0f} Ω, {PAIR_OHM[0]:.0f} to {PAIR_OHM[1]:.0f} Ω across the pair.",
        "With too few, edges echo from the open ends; with too many, the drivers cannot lift the "
        "pair far enough, and nodes at the far end miss bits.",
        _terminator_action(state),
        (
            Figure("terminators", len(fitted)),
            Figure("across the pair", round(pair, 1) if pair else "open", "Ω" if pair else ""),
        ),
    )


def terminators_in_words(state: CableState) -> str:
    """Where the terminators are: ``2 of 120 Ω on the cable and 120 Ω in inverter``."""
    groups = Counter((t.ohm, t.node) for t in state.terminators)
    return listing(
        (
            f"{f'{number} of ' if number > 1 else ''}{ohm:g} Ω "
            f"{f'in {node}' if node else 'on the cable'}"
            for (ohm, node), number in groups.items()
        ),
        6,
    )


def _terminator_action(state: CableState) -> str:
    fitted, name = state.terminators, state.network.name
    measure = "With the power off, 60 Ω must be measured across the pair."
    if len(fitted) < TERMINATORS:
        return f"Fit 120 Ω at each end of the trunk of {name}. {measure}"
    built_in = [t.node for t in fitted if t.node]
    if len(fitted) > TERMINATORS and built_in:
        return (
            f"Put {listing(built_in)} at an end of the trunk and leave out the terminator there, "
            f"or switch the built-in one off. {measure}"
        )
    if len(fitted) > TERMINATORS:
        return f"Take out all but the two at the ends of the trunk. {measure}"
    return f"Replace what is not 120 Ω. {measure}"


def _inside_trunk(state: CableState) -> Iterator[Finding]:
    """Terminators that the plan's order does not place at an end."""
    cable = state.network.cable
    if cable is None or len(cable.order) < 2:
        return
    ends = {START, END, cable.order[0], cable.order[-1]}
    places = [*cable.terminators_at, *(t.node for t in state.terminators if t.node)]
    for node in places:
        if node in ends or node not in cable.order:
            continue
        at = cable.order.index(node) + 1
        yield Finding(
            "terminator-inside-trunk",
            Weight.CAUTION,
            Where(state.network.name, node),
            f"A terminator of {state.network.name} sits at {node}, which is number {at} of "
            f"{len(cable.order)} along the trunk and not at an end.",
            "The open end beyond it throws echoes back, however many ohms a meter reads.",
            f"Move the terminator to an end ({cable.order[0]} or {cable.order[-1]}), or let the "
            f"trunk end at {node}.",
            (Figure("place", at), Figure("nodes", len(cable.order))),
        )


def _too_many(state: CableState, weight: Weight) -> Finding:
    limit = state.node_limit
    return Finding(
        "too-many-nodes",
        weight,
        Where(state.network.name),
        f"{state.network.name} has {state.nodes} nodes; at most {limit.most:.0f} ({limit.source}).",
        "Each transceiver loads the pair; together they pull its levels out of their range.",
        "Split the network with a gateway.",
        (Figure("nodes", state.nodes), Figure("limit", round(limit.most))),
    )


def _bit_timing(state: CableState, timings: tuple[NodeTiming, ...]) -> Iterator[Finding]:
    network = state.network
    for timing in timings:
        if timing.impossible and timing.clock_hz is not None:
            clock = f"{timing.clock_hz / 1e6:g} MHz"
            yield Finding(
                "bit-rate-not-reached",
                Weight.FAULT,
                Where(network.name, timing.node),
                f"{timing.node} cannot make {speeds(network)} on {network.name} from its clock of "
                f"{clock}.",
                "A node with another bit rate breaks every frame on the network.",
                "Give the controller another clock, or choose a bit rate that divides it.",
                (Figure("clock", timing.clock_hz / 1e6, "MHz"),),
            )
    for data in (False, True):
        apart = disagreement(timings, data=data)
        if apart is None or apart <= AGREE_WITHIN + 1e-9:
            continue
        points = [
            f"{t.node} {percent(point)}"
            for t in timings
            if (point := t.sample_point(data=data)) is not None
        ]
        phase = " in the data phase" if data else ""
        yield Finding(
            "sample-points-differ",
            Weight.CAUTION,
            Where(network.name),
            f"The nodes of {network.name} sample their bits {percent(apart)} of the bit time "
            f"apart{phase}: {listing(points, 6)}.",
            "The node that samples earliest has the least reserve for late edges, the latest one "
            "for clocks that differ: errors come first where the two meet.",
            f"Set all nodes to {percent(state.sample_point)}."
            if not data
            else "Set all nodes to one data sample point.",
            (Figure("apart", round(100 * apart, 2), "%"),),
        )


def _nothing_stated(vehicle: Vehicle) -> Finding:
    names = list(vehicle.networks)
    return Finding(
        "cable-not-stated",
        Weight.NOTE,
        Where(names[0] if len(names) == 1 else None),
        f"The plan says nothing of any cable, so lengths and terminators of {listing(names)} are "
        "not judged.",
        "A cable that is too long or wrongly terminated breaks frames at any load.",
        "State trunk_m, stubs_m and terminators_ohm in "
        f"[network.{key_text(names[0])}.cable] and so on.",
    )


def _stubs_not_stated(state: CableState, nodes: list[str]) -> Finding:
    name = state.network.name
    return Finding(
        "stub-not-stated",
        Weight.NOTE,
        Where(name, nodes[0]),
        f"The plan does not state the {plural(len(nodes), 'stub')} of {listing(nodes)} on {name}: "
        "counted as 0 m.",
        "A stub that is longer throws echoes back into the trunk.",
        f"State it in stubs_m of [network.{key_text(name)}.cable], 0 where the trunk is looped "
        "through.",
    )


def _not_stated(state: CableState) -> Iterator[Finding]:
    """What of one network's cable the plan leaves out; stubs: :func:`_stubs_not_stated`."""
    name = state.network.name
    if not state.stated:
        told = f"The plan says nothing of the cable of {name}, so its lengths and terminators"
        keys = "trunk_m, stubs_m and terminators_ohm"
    elif state.trunk_m is None and not state.terminators_stated:
        told = f"The plan states neither trunk nor terminators of the cable of {name}, so they"
        keys = "trunk_m, stubs_m and terminators_ohm"
    elif state.trunk_m is None:
        told = f"The plan does not state the trunk of {name}, so its length and round trip"
        keys = "trunk_m and stubs_m"
    elif not state.terminators_stated:
        told = f"The plan does not state the terminators on the cable of {name}, so they"
        keys = "terminators_ohm ([] where there is none)"
    else:
        return
    yield Finding(
        "cable-not-stated",
        Weight.NOTE,
        Where(name),
        f"{told} are not judged.",
        "",
        f"State {keys} in [network.{key_text(name)}.cable].",
    )


def metres(length_m: float) -> str:
    """A length as ``6.5 m``."""
    return f"{plain(length_m, 3)} m" if length_m < 100 else f"{length_m:.0f} m"


def _length_figures(length_m: float, limit: Limit) -> tuple[Figure, ...]:
    return (Figure("length", length_m, "m"), Figure("limit", round(limit.most, 2), "m"))
