"""From a plan to the question of placement: units, networks, needs and gateways.

The rules of this file: what the search cannot follow (messages that pass several gateways, get
another name or another period on the way) stays as it is, and so does all it hangs on.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from busplan.allot.delays import with_least_delays
from busplan.allot.needed import needed
from busplan.allot.problem import Gateway, Net, Option, Question, Sent, Unit
from busplan.allot.too_large import bounded
from busplan.allot.traffic import sent_as
from busplan.allot.wants import IN_TIME, Want, distance_under, faults_under, steps_under
from busplan.checks.cabling import network_findings
from busplan.checks.route_ways import endless
from busplan.errors import UsageError
from busplan.frames.identifier import FrameKey
from busplan.plan.carrying import comes_in, takes
from busplan.plan.movable import ANY, NodeFreedom
from busplan.plan.route import Route
from busplan.plan.streams import placed
from busplan.plan.vehicle import Network, Node, Port, Stream, Vehicle
from busplan.timing.slack import STANDARD_BIT_RATES
from busplan.wire.cable_rules import (
    J1939_NODES,
    TRANSCEIVER_NODES,
    arbitration_lengths,
)

_J1939_RATES = (250_000, 500_000)
_OF_RATES = frozenset(
    {"trunk-too-long", "round-trip-too-long", "bit-rate-not-reached", "sample-points-differ"}
)
"""Findings of the cable that a bit rate alone can bring."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A question with what its numbers stand for: the stream of each (unit, message).

    ``unfollowed``: names of routes that stay as they are.
    """

    vehicle: Vehicle
    question: Question
    streams: Mapping[tuple[int, int], Stream]
    unfollowed: frozenset[str] = frozenset()

    def unit(self, node: str, port: str) -> int:
        """The number of a port."""
        units = self.question.units
        return next(i for i, u in enumerate(units) if (u.node, u.port) == (node, port))


@dataclass
class _Draft:
    vehicle: Vehicle
    number: dict[str, int]
    """Of each network."""
    units: list[tuple[Node, str, Port, str]] = field(default_factory=list)
    """Node, name of the port, port, network."""
    streams: dict[tuple[int, int], Stream] = field(default_factory=dict)
    sent: dict[int, list[Sent]] = field(default_factory=lambda: defaultdict(list))
    pinned: dict[int, str] = field(default_factory=dict)
    fixed: dict[int, list[Sent]] = field(default_factory=lambda: defaultdict(list))
    carries: dict[str, dict[tuple[int, int], set[int]]] = field(default_factory=dict)
    delays: dict[str, dict[tuple[int, int, int], int]] = field(default_factory=dict)
    stays: set[tuple[str, int, int, int]] = field(default_factory=set)
    feeds: set[tuple[str, int]] = field(default_factory=set)
    unfollowed: set[str] = field(default_factory=set)
    """Routes that stay as they are."""
    gone_back: set[str] = field(default_factory=set)
    """Routes of which all they hang on is pinned already: routes may lead round."""

    def at(self, node: str, network: str) -> list[int]:
        """The units of a node on a network."""
        return [i for i, u in enumerate(self.units) if u[0].name == node and u[3] == network]

    def of(self, stream: Stream) -> tuple[int, int] | None:
        """Unit and place of a message that a node sends for itself."""
        return next((key for key, s in self.streams.items() if s is stream), None)


def ask(vehicle: Vehicle, want: Want = IN_TIME, fault_interval_ns: int | None = None) -> Asked:
    """The question that a plan poses.

    ``fault_interval_ns`` assumes a bus error so often on every network, instead of what it states.
    :class:`UsageError` where frames go round for ever: no placement would mend that.
    """
    for ring in endless(vehicle):
        action = ring.action[:1].lower() + ring.action[1:]
        raise UsageError(f"{ring.summary} Break that ring first: {action}")
    faulted = faults_under(vehicle, want, fault_interval_ns)
    faults = {name: n.fault_interval_ns or 0 for name, n in faulted.networks.items()}
    faults |= dict.fromkeys(new_names(vehicle), distance_under(fault_interval_ns, want) or 0)
    draft = _Draft(vehicle, {name: k for k, name in enumerate(vehicle.networks)})
    _units(draft)
    _routes(draft)
    _pack(draft)
    wanted = needed(vehicle, draft.streams, [(u[0], u[2], u[3]) for u in draft.units], draft.pinned)
    bounded(units := tuple(_unit(draft, i) for i in range(len(draft.units))))
    gateways = tuple(_gateways(draft))
    numbers = {g.node: n for n, g in enumerate(gateways)}
    brought = {
        (m, draft.number[draft.units[i][3]]) for w in wanted for i in w.units for m in w.bring
    }
    stays = sorted(
        (numbers[g], u, m, k)
        for g, u, m, k in draft.stays
        if g in numbers and ((u, m), k) not in brought
    )
    question = Question(
        nets=tuple(replace(n, fault_interval_ns=faults[n.name]) for n in _nets(draft)),
        units=units,
        wanted=wanted,
        gateways=gateways,
        stays=tuple(stays),
        feeds=tuple(sorted((numbers[g], u) for g, u in draft.feeds if g in numbers)),
        fixed={k: tuple(messages) for k, messages in draft.fixed.items()},
        costs=vehicle.freedom.costs,
        steps=steps_under(want),
    )
    return Asked(vehicle, with_least_delays(question), draft.streams, frozenset(draft.unfollowed))


def _units(draft: _Draft) -> None:
    vehicle = draft.vehicle
    there = {(s.node, s.key, s.message.name): s for s in vehicle.streams if s.via is None}
    for name, node in vehicle.nodes.items():
        for port_name, network in vehicle.freedom.nodes[name].ports.items():
            port = node.part.ports[port_name]
            i = len(draft.units)
            draft.units.append((node, port_name, port, network))
            for message in port.messages:
                if port.sender not in message.senders:
                    continue
                sends = placed(message, node, vehicle.networks[network])
                key = FrameKey(network, sends.extended, sends.identifier)
                stream = there.get((name, key, sends.name))
                if stream is not None:
                    draft.streams[i, len(draft.sent[i])] = stream
                    draft.sent[i].append(sent_as(vehicle, stream))


def _routes(draft: _Draft) -> None:
    vehicle = draft.vehicle
    for route in vehicle.routes:
        if route.kind == "message":
            _message_route(draft, route)
    for route in vehicle.routes:
        if route.kind == "signal":
            _signal_route(draft, route)
    for stream in vehicle.streams:
        if stream.via in draft.unfollowed:
            draft.fixed[draft.number[stream.network]].append(sent_as(vehicle, stream))


def _message_route(draft: _Draft, route: Route) -> None:
    taken = [s for s in draft.vehicle.streams if comes_in(s, route)]
    own = [key for s in taken if s.via is None and (key := draft.of(s)) is not None]
    as_it_is = route.identifier is None and route.renamed is None and not route.on_change
    if len(own) == len(taken) and as_it_is and route.cycle_ns is None:
        target = draft.number[route.target]
        for key in own:
            draft.carries.setdefault(route.through, {}).setdefault(key, set()).add(target)
            draft.delays.setdefault(route.through, {})[*key, target] = route.delay_ns
            draft.stays.add((route.through, *key, target))
        return
    draft.unfollowed.add(route.name)
    _pin(draft, route, taken)
    for node in draft.vehicle.nodes_on(route.target):
        for i in draft.at(node.name, route.target):
            heard = any(m.name == route.arrives_as for m in draft.units[i][2].messages)
            if heard:
                draft.pinned.setdefault(i, f"it hears {route.arrives_as} through gateways")


def _signal_route(draft: _Draft, route: Route) -> None:
    for stream in [s for s in draft.vehicle.streams if takes(route, s)]:
        if stream.node == route.through:
            continue
        key = draft.of(stream) if stream.via is None else None
        if key is not None:
            draft.feeds.add((route.through, key[0]))
        else:
            _pin(draft, route, [stream])


def _pin(draft: _Draft, route: Route, taken: Sequence[Stream]) -> None:
    """All that a route hangs on stays where it is, back to the first sender."""
    why = f"{route.label} goes on from it through {route.through}"
    for network in (route.source, route.target):
        for i in draft.at(route.through, network):
            draft.pinned.setdefault(i, why)
    for stream in taken:
        for i in draft.at(stream.node, stream.network):
            draft.pinned.setdefault(i, why)
        before = next((r for r in draft.vehicle.routes if r.name == stream.via), None)
        if before is None or before.name in draft.gone_back:
            continue
        draft.gone_back.add(before.name)
        _pin(draft, before, [s for s in draft.vehicle.streams if comes_in(s, before)])


def _pack(draft: _Draft) -> None:
    """Whoever measures cells stays on the pack's network: its enclosures have no other wires."""
    pack = draft.vehicle.pack
    if pack is None:
        return
    addresses = {p.address for p in pack.cells} | {p.address for p in pack.sensors}
    for node, network in {(a.node, a.network) for a in addresses}:
        for i in draft.at(node, network):
            draft.pinned.setdefault(i, "it measures the pack's cells")


def _gateways(draft: _Draft) -> Iterator[Gateway]:
    nodes: dict[str, list[int]] = defaultdict(list)
    for i, unit in enumerate(draft.units):
        nodes[unit[0].name].append(i)
    for name, units in nodes.items():
        if len(units) < 2:
            continue
        carries = {key: frozenset(to) for key, to in draft.carries.get(name, {}).items()}
        own = draft.units[units[0]][0].part.identifiers == "free"
        new, delays = own or bool(carries), draft.delays.get(name, {})
        yield Gateway(name, tuple(units), carries, new, delays)


def _unit(draft: _Draft, i: int) -> Unit:
    node, port_name, port, network = draft.units[i]
    home = draft.number[network]
    freedom = draft.vehicle.freedom.nodes[node.name]
    sent = tuple(draft.sent[i])
    pinned = draft.pinned.get(i, "the plan keeps it there" if freedom.keep else "")
    return Unit(
        node=node.name,
        port=port_name,
        home=home,
        networks=(home,) if pinned else tuple(_may_sit(draft, i, freedom, sent)),
        rates=frozenset(port.bit_rates or (draft.vehicle.networks[network].bit_rate,)),
        sent=sent,
        options=_options(draft, node),
        at_m=freedom.at_m,
        stub_m=_stub(draft.vehicle.networks[network], node.name),
        pinned=pinned,
        alike=f"{node.part.name}/{port_name}",
        fifo=node.part.queue == "fifo",
    )


def _stub(network: Network, node: str) -> float:
    return 0.0 if network.cable is None else network.cable.stubs_m.get(node, 0.0)


def _may_sit(draft: _Draft, i: int, freedom: NodeFreedom, sent: Sequence[Sent]) -> Iterator[int]:
    """The networks on which a unit belongs, whatever their bit rates."""
    vehicle = draft.vehicle
    _, _, port, home = draft.units[i]
    here = vehicle.networks[home]
    allowed = freedom.allowed
    j1939 = any(s.address is not None for s in sent) or (
        here.j1939 and any(m.extended for m in port.messages)
    )
    wide = not j1939 and any(s.name.extended for s in sent)
    fd = any(m.fd for m in port.messages)
    for name, network in vehicle.networks.items():
        if allowed is not None and name not in allowed:
            continue
        guests = vehicle.freedom.networks.get(name, ANY).guests
        fits = (
            guests
            and not (j1939 and not network.j1939)
            and not (wide and network.j1939)
            and _fits_fd(network, port, fd=fd)
        )
        if name == home or fits:
            yield draft.number[name]
    if allowed is None and not j1939 and not fd:
        first = len(vehicle.networks)
        yield from range(first, first + vehicle.freedom.new_networks)


def _fits_fd(network: Network, port: Port, *, fd: bool) -> bool:
    if not network.fd:
        return not fd
    return network.data_bit_rate in port.data_bit_rates


def _options(draft: _Draft, node: Node) -> tuple[Option, ...]:
    costs = draft.vehicle.freedom.costs
    options = [Option()]
    rule = node.part.identifiers
    if isinstance(rule, tuple) and not node.identifiers:
        options += [
            Option("offset", o - node.identifier_offset, costs.identifier)
            for o in rule
            if o != node.identifier_offset
        ]
    if rule == "free" and any(
        s.address is not None
        for i, u in enumerate(draft.units)
        if u[0] is node
        for s in draft.sent[i]
    ):
        options.append(Option("address", 0, costs.identifier))
    bought = draft.vehicle.freedom.bought.get(node.part.name)
    if bought is not None and rule != "free":
        options.append(Option("bought", 0, bought))
    return tuple(options)


def _nets(draft: _Draft) -> Iterator[Net]:
    vehicle = draft.vehicle
    spoken = {b for u in draft.units for b in u[2].bit_rates}
    for name, network in vehicle.networks.items():
        rates, more = _rates(vehicle, network, spoken)
        limits = {b: arbitration_lengths(b, j1939=network.j1939) for b in (*rates, *more)}
        yield Net(
            name=name,
            rate=network.bit_rate,
            rates=rates,
            limit=network.load_limit,
            data_rate=network.data_bit_rate,
            j1939=network.j1939,
            most_nodes=J1939_NODES if network.j1939 else TRANSCEIVER_NODES,
            trunk_m=None if network.cable is None else network.cable.trunk_m,
            longest_m={b: limit.trunk.most for b, limit in limits.items()},
            stub_m={b: limit.stub.most for b, limit in limits.items()},
            stubs_m={b: limit.stubs.most for b, limit in limits.items() if limit.stubs},
            more_rates=more,
        )
    rates = tuple(sorted(spoken or {n.bit_rate for n in vehicle.networks.values()}))
    for name in new_names(vehicle):
        limits = {b: arbitration_lengths(b) for b in rates}
        yield Net(
            name,
            0,
            rates,
            Network(name, 1).load_limit,
            longest_m={b: limit.trunk.most for b, limit in limits.items()},
            stub_m={b: limit.stub.most for b, limit in limits.items()},
        )


def new_names(vehicle: Vehicle) -> list[str]:
    """Names for the networks that may be added."""
    names = (f"network_{n}" for n in range(1, 1000))
    free = (n for n in names if n not in vehicle.networks)
    return [next(free) for _ in range(vehicle.freedom.new_networks)]


def _rates(
    vehicle: Vehicle, network: Network, spoken: set[int]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The bit rates a network may have: as the plan says, else what parts speak and the cable
    carries; and those of the latter that the plan does not let it have."""
    if network.fd:
        return (network.bit_rate,), ()
    stated = set(vehicle.freedom.networks.get(network.name, ANY).bit_rates)
    usual = {b for b in spoken if b in STANDARD_BIT_RATES}
    may = stated or usual
    if network.j1939:
        may, usual = may & set(_J1939_RATES), usual & set(_J1939_RATES)
    today = _cable_codes(vehicle, network)

    def carried(rates: set[int]) -> tuple[int, ...]:
        return tuple(
            b
            for b in sorted(rates)
            if b == network.bit_rate or _cable_codes(vehicle, replace(network, bit_rate=b)) <= today
        )

    rates = carried(may | {network.bit_rate})
    return rates, carried(usual - may - {network.bit_rate})


def _cable_codes(vehicle: Vehicle, network: Network) -> set[str]:
    tried = replace(vehicle, networks={**vehicle.networks, network.name: network})
    return {f.code for f in network_findings(tried, network.name) if f.code in _OF_RATES}
