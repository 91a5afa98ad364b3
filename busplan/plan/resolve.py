"""From checked tables to a :class:`Vehicle`: whether the names fit together, and what follows.

Every misfit is reported with its place; what hangs on a broken table is left out silently, because
the table itself has been reported.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

from busplan.definitions.dbc import Definitions
from busplan.errors import PlanError
from busplan.findings import Finding
from busplan.plan.locate import KeyPath
from busplan.plan.packlayout import pack_layout
from busplan.plan.problems import Problems, suggestion
from busplan.plan.schema import NetworkSpec, NodeSpec, PartSpec, PlanSpec, PortSpec, RouteSpec
from busplan.plan.select import selector_pattern
from busplan.plan.streams import (
    Placement,
    Timing,
    forwarded,
    joined,
    needs_of,
    sent_streams,
    timed,
    without_repeats,
)
from busplan.plan.vehicle import Cable, Network, Node, Part, Port, Route, Stream, Vehicle

LoadDefinitions = Callable[[Path], Definitions]

J1939_LOAD_LIMIT = 0.40
"""Average load by SAE J1939-11, as published in an engine installation manual."""
LOAD_LIMIT = 0.50
"""Common practice, no source."""


@dataclass(slots=True)
class _Resolver:
    spec: PlanSpec
    folder: Path
    load: LoadDefinitions
    problems: Problems
    definitions: dict[str, Definitions | None] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    incomplete: bool = False
    """Whether a table or file is broken, so that a name not found may simply not be read yet."""


def resolve(
    spec: PlanSpec, folder: Path, load: LoadDefinitions, problems: Problems, source: str
) -> Vehicle | None:
    """The vehicle that the tables describe, or ``None`` when ``problems`` holds any.

    ``folder`` is where definition files are looked for; ``load`` reads one.
    """
    self = _Resolver(spec, folder, load, problems)
    self.incomplete = bool(spec.broken)
    networks = {name: _network(self, name, s) for name, s in spec.networks.items()}
    parts = {n: p for n, s in spec.parts.items() if (p := _part(self, n, s)) is not None}
    nodes: dict[str, Node] = {}
    placements: list[Placement] = []
    for name, node_spec in spec.nodes.items():
        if found := _node(self, name, node_spec, networks, parts):
            nodes[name] = found[0].node
            placements += found
    _check_stubs(self, nodes)
    routes = _routes(self, networks, nodes, parts)
    own = without_repeats(s for p in placements for s in sent_streams(p))
    streams = _with_timing(self, forwarded(own, routes))
    pack = None
    if spec.pack is not None:
        pack = pack_layout(spec.pack, streams, spec, problems, self.findings, self.incomplete)
    if problems.found:
        return None
    return Vehicle(
        name=spec.vehicle.name,
        source=source,
        networks=networks,
        parts=parts,
        nodes=nodes,
        streams=tuple(streams),
        needs=tuple(n for p in placements for n in needs_of(p)),
        routes=tuple(routes),
        pack=pack,
        findings=tuple(self.findings),
        invented=spec.vehicle.invented,
    )


def _ns(ms: float | None) -> int | None:
    return None if ms is None else round(ms * 1_000_000)


def _network(self: _Resolver, name: str, spec: NetworkSpec) -> Network:
    path = ("network", name)
    if spec.data_bit_rate is not None and spec.data_bit_rate < spec.bit_rate:
        self.problems.add(
            (*path, "data_bit_rate"),
            f"must be at least bit_rate ({spec.bit_rate}); got {spec.data_bit_rate}",
        )
    for index, channel in enumerate(spec.channels):
        for other, other_spec in self.spec.networks.items():
            if other != name and channel in other_spec.channels:
                self.problems.add(
                    (*path, "channels", index),
                    f'channel "{channel}" belongs to network "{other}" too; '
                    "a channel carries one network",
                )
    cable = None
    if spec.cable is not None:
        cable = Cable(
            spec.cable.trunk_m, dict(spec.cable.stubs_m), tuple(spec.cable.terminators_ohm)
        )
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
        fault_interval_ns=_ns(spec.fault_interval_ms),
    )


def _part(self: _Resolver, name: str, spec: PartSpec) -> Part | None:
    path = ("part", name)
    ports: dict[str, Port] = {}
    if spec.port:
        for key in ("definitions", "sender", "terminator_ohm"):
            if getattr(spec, key):
                self.problems.add(
                    (*path, key), "the part has ports, so this belongs in the port's table"
                )
        for port_name, port_spec in spec.port.items():
            port = _port(self, (*path, "port", port_name), port_name, port_spec, spec)
            if port is not None:
                ports[port_name] = port
    else:
        port = _port(self, path, "", spec, spec)
        if port is not None:
            ports[""] = port
    if len(ports) < max(1, len(spec.port)):
        self.spec.broken.setdefault("part", set()).add(name)
        self.incomplete = True
        return None
    return Part(
        name=name,
        maker=spec.maker,
        ports=ports,
        identifiers=spec.identifiers,
        queue=spec.queue,
        clock_hz=None if spec.clock_mhz is None else round(spec.clock_mhz * 1e6),
        transceiver_delay_ns=spec.transceiver_delay_ns,
        sample_point=spec.sample_point,
    )


def _port(self: _Resolver, path: KeyPath, name: str, spec: PortSpec, part: PartSpec) -> Port | None:
    if not spec.definitions:
        self.problems.add(path, 'the key "definitions" is missing; it names the definition file')
        return None
    read = [
        _definitions(self, file, (*path, "definitions", index))
        for index, file in enumerate(spec.definitions)
    ]
    files = [d for d in read if d is not None]
    if len(files) < len(read):
        return None
    sender = _sender(self, path, spec, files)
    if sender is None:
        return None
    hints = tuple(d.bit_rate_hint for d in files if d.bit_rate_hint)
    return Port(
        name=name,
        files=tuple(d.file for d in files),
        sender=sender,
        bit_rates=tuple(spec.bit_rates or part.bit_rates) or hints[:1],
        data_bit_rates=tuple(spec.data_bit_rates or part.data_bit_rates),
        terminator_ohm=spec.terminator_ohm,
        messages=tuple(m for d in files for m in d.messages),
    )


def _definitions(self: _Resolver, file: str, path: KeyPath) -> Definitions | None:
    """A definition file read once, however many parts use it."""
    if file not in self.definitions:
        try:
            found = self.load(self.folder / file)
        except PlanError as error:
            self.definitions[file] = None
            if (self.folder / file).exists():
                self.problems.take(error)
            else:
                near = suggestion(file, _files_near(self.folder / file), "definition file")
                self.problems.add(path, f'there is no file "{file}" beside the plan{near}')
        else:
            self.definitions[file] = found
            self.findings += found.findings
    return self.definitions[file]


def _files_near(path: Path) -> list[str]:
    if not path.parent.is_dir():
        return []
    return sorted(p.name for p in path.parent.iterdir() if p.suffix.lower() == ".dbc")


def _sender(self: _Resolver, path: KeyPath, spec: PortSpec, files: list[Definitions]) -> str | None:
    """The definition file's name for the part: as stated, or the only one that sends."""
    messages = [m for d in files for m in d.messages]
    senders = list(dict.fromkeys(s for m in messages for s in m.senders))
    names = list(dict.fromkeys([*(n for d in files for n in d.nodes), *senders]))
    names += [r for m in messages for r in m.receivers if r not in names]
    listed = ", ".join(f'"{n}"' for n in dict.fromkeys(names)) or "none"
    where = " and ".join(Path(d.file).name for d in files)
    if spec.sender is None:
        if len(senders) == 1:
            return senders[0]
        self.problems.add(
            path, f'the key "sender" is missing; it says which node of {where} this is: {listed}'
        )
        return None
    if spec.sender not in names:
        near = suggestion(spec.sender, names, "node")
        self.problems.add((*path, "sender"), f'{where} has no node "{spec.sender}"{near}')
        return None
    return spec.sender


def _node(
    self: _Resolver,
    name: str,
    spec: NodeSpec,
    networks: Mapping[str, Network],
    parts: Mapping[str, Part],
) -> list[Placement] | None:
    path = ("node", name)
    part = parts.get(spec.part)
    if part is None:
        if spec.part not in self.spec.known("part"):
            self.problems.unknown((*path, "part"), "part", spec.part, self.spec.known("part"))
        self.incomplete = True
    places: list[tuple[str, Port]] = []
    for index, (port_name, network) in enumerate(spec.on):
        step: str | int = index if port_name is None else port_name
        here = (*path, "on", step)
        if network not in networks:
            self.incomplete = True
            if network not in self.spec.known("network"):
                self.problems.unknown(here, "network", network, self.spec.known("network"))
        if part is not None and (port := _port_of(self, here, part, port_name, network)):
            places.append((network, port))
    if part is None or not places or any(n not in networks for n, _ in places):
        return None
    used = [port.name for _, port in places]
    if len(set(used)) < len(used):
        self.problems.add(
            (*path, "on"),
            f'the part "{part.name}" has one such connection; it cannot be on {len(used)} networks',
        )
        return None
    return _placements(self, name, spec, part, places, networks)


def _placements(
    self: _Resolver,
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
    node = Node(name, part, on, spec.identifier_offset, spec.source_address)
    if spec.identifier_offset and part.identifiers != "free":
        allowed = () if part.identifiers == "fixed" else part.identifiers
        if spec.identifier_offset not in allowed:
            told = ", ".join(f"{o:#x}" for o in allowed)
            self.problems.add(
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
                self.problems.add(
                    (*path, "identifier_offset"),
                    f"moves {message.name} ({message.label}) out of its "
                    f"{29 if message.extended else 11} bits",
                )
                return None
    return [Placement(node, networks[network], port) for network, port in places]


def _port_of(
    self: _Resolver, path: KeyPath, part: Part, port_name: str | None, network: str
) -> Port | None:
    """The port meant by ``on``: the named one, the only one, or the one named as the network."""
    if port_name is None:
        if len(part.ports) == 1:
            return next(iter(part.ports.values()))
        if network in part.ports:
            return part.ports[network]
        names = ", ".join(part.ports)
        self.problems.add(
            path,
            f'the part "{part.name}" has several ports ({names}); '
            'say which one: on = { PORT = "NETWORK" }',
        )
        return None
    if port_name not in part.ports:
        named = [p for p in part.ports if p]
        if not named:
            self.problems.add(
                path,
                f'the part "{part.name}" has one connection without a name; write on = ["NETWORK"]',
            )
        else:
            self.problems.unknown(path, f'port of part "{part.name}"', port_name, named)
        return None
    return part.ports[port_name]


def _check_stubs(self: _Resolver, nodes: Mapping[str, Node]) -> None:
    """Stubs must be those of nodes on the network."""
    for name, spec in self.spec.networks.items():
        if spec.cable is None:
            continue
        known = [n.name for n in nodes.values() if name in n.on]
        for stub in spec.cable.stubs_m:
            if stub in known or stub in self.spec.broken.get("node", ()):
                continue
            if stub in self.spec.nodes and stub not in nodes:
                continue
            path = ("network", name, "cable", "stubs_m", stub)
            self.problems.unknown(path, f'node on network "{name}"', stub, known)


def _routes(
    self: _Resolver,
    networks: Mapping[str, Network],
    nodes: Mapping[str, Node],
    parts: Mapping[str, Part],
) -> list[Route]:
    messages = [m for p in parts.values() for q in p.ports.values() for m in q.messages]
    message_names = dict.fromkeys(m.name for m in messages)
    signal_names = dict.fromkeys(s.name for m in messages for s in m.signals)
    routes = []
    for index, spec in self.spec.routes.items():
        path = ("route", index)
        ends = _route_ends(self, path, spec, networks, nodes)
        if (spec.signal is None) == (spec.message is None):
            self.problems.add(path, 'needs either "signal" or "message"')
            continue
        kind, names = ("signal", signal_names) if spec.signal else ("message", message_names)
        what = spec.signal or spec.message or ""
        if what not in names:
            if not self.incomplete:
                self.problems.unknown((*path, kind), kind, what, names)
            continue
        if ends:
            routes.append(
                Route(
                    name=spec.name or f"{what} {spec.source}→{spec.target}",
                    kind="signal" if spec.signal else "message",
                    what=what,
                    source=spec.source,
                    target=spec.target,
                    through=spec.through,
                    delay_ns=_ns(spec.delay_ms) or 0,
                    deadline_ns=_ns(spec.deadline_ms),
                    line=self.problems.line(path),
                )
            )
    return routes


def _route_ends(
    self: _Resolver,
    path: KeyPath,
    spec: RouteSpec,
    networks: Mapping[str, Network],
    nodes: Mapping[str, Node],
) -> bool:
    """Whether both networks exist, differ, and the gateway sits on both."""
    good = True
    for key, network in (("from", spec.source), ("to", spec.target)):
        if network not in networks:
            good = False
            if network not in self.spec.known("network"):
                self.problems.unknown((*path, key), "network", network, self.spec.known("network"))
    if spec.source == spec.target:
        self.problems.add(path, f'goes from "{spec.source}" to itself')
        good = False
    if spec.through not in nodes:
        if spec.through not in self.spec.known("node"):
            self.problems.unknown((*path, "through"), "node", spec.through, self.spec.known("node"))
        return False
    for network in (spec.source, spec.target):
        on = nodes[spec.through].on
        if network in networks and network not in on:
            good = False
            self.problems.add(
                (*path, "through"),
                f'the node "{spec.through}" is not on network "{network}"; '
                f"it is on {', '.join(on)}",
            )
    return good


def _with_timing(self: _Resolver, streams: list[Stream]) -> list[Stream]:
    """Lay the plan's ``[message]`` tables over the streams; each must name at least one."""
    result = list(streams)
    for name, spec in self.spec.messages.items():
        path = ("message", name)
        if spec.cycle_ms is not None and spec.min_distance_ms is not None:
            self.problems.add(
                path, "has both cycle_ms and min_distance_ms; a message is cyclic or on event"
            )
        timing = Timing(
            _ns(spec.cycle_ms),
            _ns(spec.min_distance_ms),
            _ns(spec.offset_ms),
            _ns(spec.deadline_ms),
            _ns(spec.jitter_ms) or 0,
        )
        pattern = selector_pattern(name)
        hits = [
            i
            for i, s in enumerate(streams)
            if pattern.fullmatch(s.label) or name == f"{s.network}/{s.message.name}"
        ]
        for i in hits:
            result[i] = timed(result[i], timing)
        if not hits and not self.incomplete:
            labels = dict.fromkeys(f"{s.network}/{s.message.name}" for s in streams)
            self.problems.unknown(path, "message", name, labels)
    return result
