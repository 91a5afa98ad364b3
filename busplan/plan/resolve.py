"""From checked tables to a :class:`Vehicle`: whether the names fit together, and what follows.

Every misfit is reported with its place; what hangs on a broken table is left out silently, because
the table itself has been reported.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from pathlib import Path

from busplan.definitions.sense import LONGEST_J1939
from busplan.errors import Problem
from busplan.findings import Finding, Weight
from busplan.frames.identifier import FrameKey
from busplan.plan.bounds import MessageBounds, SignalBounds
from busplan.plan.cabling import check_cable_names, resolve_cable
from busplan.plan.carrying import forwarded, paced
from busplan.plan.claims import Behaviour
from busplan.plan.context import Context, LoadDefinitions, span_ns
from busplan.plan.expected import Expected
from busplan.plan.identifiers import check_identifiers, stated_identifiers
from busplan.plan.locate import KeyPath
from busplan.plan.message_schema import MessageSpec
from busplan.plan.moving import resolve_freedom
from busplan.plan.offsets import with_offsets
from busplan.plan.packlayout import pack_layout
from busplan.plan.parts import resolve_part
from busplan.plan.planned_tests import PlannedTest
from busplan.plan.problems import Problems
from busplan.plan.receivers import needs_named
from busplan.plan.routing import resolve_routes
from busplan.plan.schema import NetworkSpec, NodeSpec, PlanSpec
from busplan.plan.select import StreamNames
from busplan.plan.streams import (
    Placement,
    Timing,
    joined,
    needs_of,
    sent_streams,
    timed,
    told_apart,
    without_repeats,
)
from busplan.plan.vehicle import Network, Node, Part, Port, SessionPace, Stream, Vehicle

J1939_LOAD_LIMIT = 0.40
"""Average load by SAE J1939-11, as published in an engine installation manual."""
LOAD_LIMIT = 0.50
"""Common practice, no source."""
_STAND_IN_RATE = 500_000
"""For a network whose table is broken, so that what hangs on it can still be checked."""


def resolve(
    spec: PlanSpec, folder: Path, load: LoadDefinitions, problems: Problems, source: str
) -> Vehicle | None:
    """The vehicle that the tables describe, or ``None`` when ``problems`` holds any.

    ``folder`` is where definition files are looked for; ``load`` reads one.
    """
    context = Context(spec, folder, load, problems)
    context.incomplete = bool({"part", "node"} & spec.broken.keys())
    networks = {name: _network(context, name, s) for name, s in spec.networks.items()}
    networks |= {name: Network(name, _STAND_IN_RATE) for name in spec.broken.get("network", ())}
    parts = {n: p for n, s in spec.parts.items() if (p := resolve_part(context, n, s)) is not None}
    nodes: dict[str, Node] = {}
    placements: list[Placement] = []
    for name, node_spec in spec.nodes.items():
        if found := _node(context, name, node_spec, networks, parts):
            nodes[name] = found[0].node
            placements += found
    check_cable_names(context, nodes)
    freedom = resolve_freedom(context, nodes)
    routes = resolve_routes(context, networks, nodes, parts)
    own = without_repeats(s for p in placements for s in sent_streams(p))
    j1939 = [n.name for n in networks.values() if n.j1939]
    streams = _with_timing(context, told_apart(forwarded(own, routes, j1939)))
    streams = with_offsets(context, streams)
    check_identifiers(context, streams)
    streams = paced(streams, routes)

    def hidden(node: str | None) -> bool:
        return context.incomplete and node not in nodes

    pack = None
    if spec.pack is not None:
        pack = pack_layout(spec.pack, streams, spec, problems, context.findings, hidden)
    behaviours: tuple[Behaviour, ...] = ()
    if spec.behaviours or spec.roles:
        from busplan.plan.behaviours import resolve_behaviours

        behaviours = resolve_behaviours(spec, streams, pack, problems, hidden)
    expected: dict[str, Expected] = {}
    if any(node.expect is not None for node in spec.nodes.values()):
        from busplan.plan.expecting import resolve_expected

        expected = resolve_expected(spec, nodes, streams, problems)
    tests: tuple[PlannedTest, ...] = ()
    if spec.tests:
        from busplan.plan.commission_list import resolve_tests

        tests = resolve_tests(spec, nodes, streams, behaviours, problems)
    if problems.found:
        problems.hint(_unread(context.findings))
        return None
    needs = tuple(n for p in placements for n in needs_of(p))
    return Vehicle(
        name=spec.vehicle.name,
        source=source,
        networks=networks,
        parts=parts,
        nodes=nodes,
        streams=tuple(streams),
        needs=(*needs, *needs_named(streams, nodes.values(), needs)),
        routes=tuple(routes),
        pack=pack,
        findings=_still_odd(context.findings, placements, streams),
        invented=spec.vehicle.invented,
        behaviours=behaviours,
        expected=expected,
        tests=tests,
        board=spec.vehicle.board,
        freedom=freedom,
    )


def _unread(findings: Sequence[Finding]) -> Iterator[Problem]:
    """One line for each definition file of which lines were set aside: names may be missing."""
    lost: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.code == "definition-line-set-aside" and finding.weight > Weight.NOTE:
            lost.setdefault(finding.where.file or "", []).append(finding)
    for file, group in lost.items():
        more = f", and {len(group) - 1} more" if len(group) > 1 else ""
        text = f"a line that cannot be read{more}; a name not found may be defined there"
        yield Problem(file, group[0].where.line, "", text)


def _still_odd(
    findings: Sequence[Finding], placements: Sequence[Placement], streams: Sequence[Stream]
) -> tuple[Finding, ...]:
    """The findings without lengths that the plan explains: J1939 networks, segmented messages."""
    segmented = {s.key for s in streams if s.message.segmented}
    explained = {
        (m.file, m.line, m.name)
        for p in placements
        for m in p.port.messages
        if (p.network.j1939 and m.extended and m.length <= LONGEST_J1939)
        or FrameKey(p.network.name, m.extended, m.identifier) in segmented
    }
    return tuple(
        f
        for f in findings
        if f.code != "definition-odd-length"
        or (f.where.file, f.where.line, f.where.message) not in explained
    )


def _network(context: Context, name: str, spec: NetworkSpec) -> Network:
    path = ("network", name)
    if spec.data_bit_rate is not None and spec.data_bit_rate < spec.bit_rate:
        context.problems.add(
            (*path, "data_bit_rate"),
            f"must be at least bit_rate ({spec.bit_rate}); got {spec.data_bit_rate}",
        )
    for index, channel in enumerate(spec.channels):
        for other, other_spec in context.spec.networks.items():
            if other != name and channel in other_spec.channels:
                context.problems.add(
                    (*path, "channels", index),
                    f'channel "{channel}" belongs to network "{other}" too; '
                    "a channel carries one network",
                )
    cable = None if spec.cable is None else resolve_cable(context, name, spec.cable)
    default = J1939_LOAD_LIMIT if spec.j1939 else LOAD_LIMIT
    return Network(
        name=name,
        bit_rate=spec.bit_rate,
        data_bit_rate=spec.data_bit_rate,
        load_limit=default if spec.load_limit is None else spec.load_limit,
        load_limit_stated=spec.load_limit is not None,
        j1939=spec.j1939,
        channels=tuple(spec.channels),
        cable=cable,
        sample_point=spec.sample_point,
        data_sample_point=spec.data_sample_point,
        fault_interval_ns=span_ns(spec.fault_interval_ms),
        canopen=spec.canopen,
        diagnostics=spec.diagnostics,
    )


def _node(
    context: Context,
    name: str,
    spec: NodeSpec,
    networks: Mapping[str, Network],
    parts: Mapping[str, Part],
) -> list[Placement] | None:
    path = ("node", name)
    part = parts.get(spec.part)
    if part is None:
        if spec.part not in context.spec.known("part"):
            context.problems.unknown((*path, "part"), "part", spec.part, context.spec.known("part"))
        context.incomplete = True
    places: list[tuple[str, Port]] = []
    for index, (port_name, network) in enumerate(spec.on):
        step: str | int = index if port_name is None else port_name
        here = (*path, "on", step)
        if network not in networks:
            context.incomplete = True
            context.problems.unknown(here, "network", network, networks)
        if part is not None and (port := _port_of(context, here, part, port_name, network)):
            places.append((network, port))
    if part is None or not places or any(n not in networks for n, _ in places):
        return None
    used = [port.name for _, port in places]
    if len(set(used)) < len(used):
        context.problems.add(
            (*path, "on"),
            f'the part "{part.name}" has one such connection; it cannot be on {len(used)} networks',
        )
        return None
    return _placements(context, name, spec, part, places, networks)


def _placements(
    context: Context,
    name: str,
    spec: NodeSpec,
    part: Part,
    places: list[tuple[str, Port]],
    networks: Mapping[str, Network],
) -> list[Placement] | None:
    path = ("node", name)
    by_network = {
        network: [port for _, port in group]
        for network, group in groupby(sorted(places, key=lambda p: p[0]), key=lambda p: p[0])
    }
    on = {network: joined(by_network[network]) for network, _ in places}
    node = Node(
        name=name,
        part=part,
        on=on,
        identifier_offset=spec.identifier_offset,
        source_address=spec.source_address,
        place=spec.place,
        identifiers=stated_identifiers(context, name, spec, part, places),
    )
    if spec.identifier_offset and part.identifiers != "free":
        allowed = () if part.identifiers == "fixed" else part.identifiers
        if spec.identifier_offset not in allowed:
            told = ", ".join(f"{o:#x}" for o in allowed)
            context.problems.add(
                (*path, "identifier_offset"),
                f'the part "{part.name}" '
                + (f"allows the offsets {told}" if told else "has fixed identifiers")
                + f"; got {spec.identifier_offset:#x}",
            )
            return None
    for _, port in places:
        for message in port.messages:
            moved = message.identifier + spec.identifier_offset
            if port.sender in message.senders and not 0 <= moved < (
                1 << (29 if message.extended else 11)
            ):
                context.problems.add(
                    (*path, "identifier_offset"),
                    f"moves {message.name} ({message.label}) out of its "
                    f"{29 if message.extended else 11} bits",
                )
                return None
    return [Placement(node, networks[network], port) for network, port in places]


def _port_of(
    context: Context, path: KeyPath, part: Part, port_name: str | None, network: str
) -> Port | None:
    """The port meant by ``on``: the named one, the only one, or the one named as the network."""
    if port_name is None:
        if len(part.ports) == 1:
            return next(iter(part.ports.values()))
        if network in part.ports:
            return part.ports[network]
        names = ", ".join(part.ports)
        context.problems.add(
            path,
            f'the part "{part.name}" has several ports ({names}); '
            'say which one: on = { PORT = "NETWORK" }',
        )
        return None
    if port_name not in part.ports:
        named = [p for p in part.ports if p]
        if not named:
            context.problems.add(
                path,
                f'the part "{part.name}" has one connection without a name; write on = ["NETWORK"]',
            )
        else:
            context.problems.unknown(path, "port", port_name, named, f'of part "{part.name}"')
        return None
    return part.ports[port_name]


def _bounds(spec: MessageSpec) -> MessageBounds:
    return MessageBounds(
        spec.cycle_tolerance,
        span_ns(spec.longest_gap_ms),
        tuple(
            (name, SignalBounds(one.low, one.high, one.step, one.still))
            for name, one in spec.limits.items()
        ),
    )


def _check_limits(
    context: Context, path: tuple[str, ...], spec: MessageSpec, streams: list[Stream]
) -> None:
    """Limits name signals of the message, and their low end is not above the high one."""
    names = [signal.name for s in streams for signal in s.message.signals]
    for name, one in spec.limits.items():
        if streams and name not in names:
            context.problems.unknown((*path, "limits"), "signal", name, names)
        if one.low is not None and one.high is not None and one.low > one.high:
            context.problems.add((*path, "limits", name), "low is above high")


def _with_timing(context: Context, streams: list[Stream]) -> list[Stream]:
    """Lay the plan's ``[message]`` tables over the streams; each must name at least one."""
    result, named = list(streams), StreamNames(streams)
    for name, spec in context.spec.messages.items():
        path = ("message", name)
        if spec.cycle_ms is not None and spec.min_distance_ms is not None:
            context.problems.add(
                path, "has both cycle_ms and min_distance_ms; a message is cyclic or on event"
            )
        timing = Timing(
            span_ns(spec.cycle_ms),
            span_ns(spec.min_distance_ms),
            span_ns(spec.deadline_ms),
            span_ns(spec.jitter_ms) or 0,
            spec.segmented,
            SessionPace(
                priority=spec.session_priority,
                gap_ns=span_ns(spec.pace_ms),
                window=spec.window,
                answer_ns=span_ns(spec.answer_ms),
                flow_control=spec.flow_control,
            ),
            optional=spec.optional if isinstance(spec.optional, bool) else tuple(spec.optional),
            bounds=_bounds(spec),
        )
        hits = named.hits(name)
        for i in hits:
            result[i] = timed(result[i], timing)
        if hits and not isinstance(spec.optional, bool):
            names = [signal.name for i in hits for signal in streams[i].message.signals]
            for signal in spec.optional:
                if signal not in names:
                    context.problems.unknown((*path, "optional"), "signal", signal, names)
        _check_limits(context, path, spec, [streams[i] for i in hits])
        if not hits and not context.incomplete:
            labels = dict.fromkeys(f"{s.network}/{s.message.name}" for s in streams)
            context.problems.unknown(path, "message", name, labels)
    return result
