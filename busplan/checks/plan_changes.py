"""What differs between two plans: networks, parts, nodes, messages as placed, routes, the pack.

The rules of this file: what one statement of a plan changes is told once, where it is stated: an
offset at its node and not at each of its messages, a new definition file at its part. What follows
from it (findings, loads) is told by :mod:`busplan.checks.compare`, response times by
:mod:`busplan.checks.response_changes`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, replace
from pathlib import PurePath
from typing import Any

from busplan.definitions.differences import (
    ChangeRow,
    field_changes,
    in_words,
    matched,
    message_changes,
    whole,
)
from busplan.definitions.model import Origin
from busplan.frames.identifier import format_identifier
from busplan.plan.cable import Cable
from busplan.plan.movable import Costs, Freedom
from busplan.plan.route import Route
from busplan.plan.vehicle import Node, Part, Port, Stream, Vehicle
from busplan.wording import counted

_VEHICLE = {"name": "name", "invented": "invented", "board": "boards"}
_NETWORK = {
    "bit_rate": "bit rate [bit/s]",
    "data_bit_rate": "data bit rate [bit/s]",
    "load_limit": "load limit",
    "load_limit_stated": "load limit stated",
    "j1939": "J1939",
    "canopen": "CANopen",
    "diagnostics": "diagnostics",
    "channels": "channels",
    "sample_point": "sample point",
    "data_sample_point": "data sample point",
    "fault_interval_ns": "fault interval [ns]",
}
_CABLE = {
    "trunk_m": "trunk [m]",
    "stubs_m": "stubs [m]",
    "terminators_ohm": "terminators [Ω]",
    "order": "order along the trunk",
    "segments_m": "segments [m]",
    "terminators_at": "places of terminators",
    "wire": "wire",
    "wire_ohm_per_m": "wire [Ω/m]",
    "high_colour": "colour of CAN_H",
    "low_colour": "colour of CAN_L",
    "shielded": "shielded",
    "shield_ground_at": "shield to ground at",
    "taps": "plugs",
}
_PART = {
    "maker": "maker",
    "identifiers": "identifiers",
    "queue": "queue",
    "clock_hz": "clock [Hz]",
    "transceiver_delay_ns": "transceiver delay [ns]",
    "sample_point": "sample point",
}
_PORT = {
    "sender": "sender",
    "bit_rates": "bit rates [bit/s]",
    "data_bit_rates": "data bit rates [bit/s]",
    "terminator_ohm": "terminator [Ω]",
}
_NAMES = {"identifiers", "identifier_offset", "source_address"}
"""What of parts and nodes is told as identifiers are."""
_NODE = {
    "identifier_offset": "identifier offset",
    "source_address": "source address",
    "identifiers": "identifiers of single messages",
    "place": "place",
}
_TIMING = {
    "cycle": "period",
    "event": "sent on change",
    "deadline": "deadline",
    "jitter_ns": "jitter [ns]",
    "offset_ns": "offset [ns]",
    "optional": "optional",
    "pace": "pace",
    "sent_by": "sent by",
    "optional_signals": "optional signals",
}
_BENCH = {
    "cycle_tolerance": "tolerance of its period on the bench",
    "gap_ns": "longest gap on the bench [ns]",
    "signals": "limits of signals on the bench",
}
_ROUTE = {
    "delay_ns": "delay [ns]",
    "delay_stated": "delay stated",
    "deadline_ns": "deadline [ns]",
    "renamed": "new name",
    "into": "into",
    "identifier": "identifier",
    "extended": "29-bit identifier",
    "scale": "scale",
    "offset": "offset",
    "cycle_ns": "period [ns]",
    "min_distance_ns": "least distance [ns]",
    "on_change": "on change",
    "timeout_ns": "time-out [ns]",
    "timeout_value": "value after the time-out",
    "node": "only of node",
}
_PACK = {
    "chemistry": "chemistry",
    "limits": "limits",
    "enclosures": "enclosures",
    "cells": "cells",
    "sensors": "sensors",
    "quantities": "quantities",
    "current_sign": "current sign",
    "temperature_resolution_k": "temperature step [K]",
    "capacity_ah": "capacity [Ah]",
    "joints_mohm": "joints [mΩ]",
    "balancing_current_a": "balancing current [A]",
    "link_discharge_s": "link discharge [s]",
    "loop_position": "places along the loop",
    "kind": "kinds of modules",
}
_MAY_CHANGE = {
    "node": {"allowed": "may sit on", "keep": "keep", "at_m": "place along the vehicle [m]"},
    "network": {"bit_rates": "may be set to [bit/s]", "guests": "guests"},
}
_ALLOT = {"new_networks": "new networks", "bought": "cost of other identifiers of"}


def plan_changes(before: Vehicle, after: Vehicle) -> tuple[ChangeRow, ...]:
    """Every difference between two vehicles, section by section."""
    return (
        *field_changes(before, after, _VEHICLE, "vehicle", after.name),
        *_networks(before, after),
        *_parts(before, after),
        *_nodes(before, after),
        *_messages(before, after),
        *_routes(before, after),
        *_pack(before, after),
        *_judged(before, after),
        *_freedom(before.freedom, after.freedom),
    )


def _pairs(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[tuple[str, Any, Any]]:
    """Things by name: those of the new plan in its order, then those that have gone."""
    for name in dict.fromkeys([*after, *before]):
        yield name, before.get(name), after.get(name)


def _networks(before: Vehicle, after: Vehicle) -> Iterator[ChangeRow]:
    for name, old, new in _pairs(before.networks, after.networks):
        if old is None or new is None:
            told = f"{(new or old).bit_rate} bit/s"
            yield whole("networks", name, told, comes=old is None)
            continue
        yield from field_changes(old, new, _NETWORK, "networks", name)
    for name, old, new in _pairs(before.networks, after.networks):
        if old is None or new is None:
            continue
        cables = (old.cable or Cable(), new.cable or Cable())
        yield from field_changes(*cables, _CABLE, "cables", name)


def _parts(before: Vehicle, after: Vehicle) -> Iterator[ChangeRow]:
    for name, old, new in _pairs(before.parts, after.parts):
        if old is None or new is None:
            yield whole("parts", name, _part(new or old), comes=old is None)
            continue
        yield from field_changes(old, new, _PART, "parts", name, named=_NAMES)
        for port, a, b in _pairs(old.ports, new.ports):
            where = f"{name}/{port}" if port else name
            if a is None or b is None:
                yield whole("parts", where, _port(b or a), comes=a is None)
            else:
                yield from _port_changes(a, b, where)


def _part(part: Part) -> str:
    return "; ".join(_port(p) for p in part.ports.values())


def _port(port: Port) -> str:
    files = in_words(tuple(PurePath(f).name for f in port.files))
    return f"{port.sender} of {files or 'the plan'}"


def _port_changes(old: Port, new: Port, where: str) -> Iterator[ChangeRow]:
    yield from field_changes(old, new, _PORT, "parts", where)
    files = [tuple(PurePath(f).name for f in p.files) for p in (old, new)]
    if files[0] != files[1]:
        shown = (in_words(f) for f in files)
        yield ChangeRow("parts", "changes", where, "definitions", *shown)
    yield from message_changes(old.messages, new.messages, "definitions", where)


def _nodes(before: Vehicle, after: Vehicle) -> Iterator[ChangeRow]:
    for name, old, new in _pairs(before.nodes, after.nodes):
        if old is None or new is None:
            yield whole("nodes", name, _node(new or old), comes=old is None)
            continue
        parts, places = (old.part.name, new.part.name), (_on(old), _on(new))
        if parts[0] != parts[1]:
            yield ChangeRow("nodes", "changes", name, "part", *parts)
        if places[0] != places[1]:
            yield ChangeRow("nodes", "changes", name, "networks", *places)
        yield from field_changes(old, new, _NODE, "nodes", name, named=_NAMES)


def _node(node: Node) -> str:
    return f"{node.part.name} on {_on(node)}"


def _on(node: Node) -> str:
    return ", ".join(f"{n} ({p.name})" if p.name else n for n, p in node.on.items())


def _messages(before: Vehicle, after: Vehicle) -> Iterator[ChangeRow]:
    """Timing that a plan states; what a definition states is told there."""
    old_streams = {s.path: s for s in before.streams}
    for stream in after.streams:
        old = old_streams.get(stream.path)
        if old is None or stream.via or old.via:
            continue
        stated = any(_by_plan(s) for s in (old, stream))
        fields = _TIMING if stated else {k: w for k, w in _TIMING.items() if k not in _DEFINED}
        yield from field_changes(old, stream, fields, "messages", stream.label)
        yield from field_changes(old.bounds, stream.bounds, _BENCH, "messages", stream.label)


_DEFINED = {"cycle", "event", "deadline"}


def _by_plan(stream: Stream) -> bool:
    return any(s is not None and s.origin is Origin.PLAN for s in (stream.cycle, stream.deadline))


def _routes(before: Vehicle, after: Vehicle) -> Iterator[ChangeRow]:
    for old, new in matched(before.routes, after.routes, _ends, lambda r: (r.name, r.kind)):
        if old is None or new is None:
            one = new if old is None else old
            assert one is not None
            told = f"{one.kind} through {one.through}"
            yield whole("routes", _route(one), told, comes=old is None)
            continue
        if _ends(old) != _ends(new):
            yield ChangeRow("routes", "changes", new.name, "way", _route(old), _route(new))
        yield from field_changes(old, new, _ROUTE, "routes", _route(new))


def _ends(route: Route) -> tuple[str, ...]:
    return route.kind, route.what, route.source, route.target, route.through, route.into or ""


def _route(route: Route) -> str:
    return f"{route.what} {route.source} to {route.target}"


def _pack(before: Vehicle, after: Vehicle) -> Iterator[ChangeRow]:
    old, new = before.pack, after.pack
    if old is None or new is None:
        if old is not new:
            one = new if old is None else old
            assert one is not None
            told = f"{counted(len(one.cells), 'cell')}, {counted(len(one.modules), 'module')}"
            yield whole("pack", "pack", told, comes=old is None)
        return
    for attribute, word in _PACK.items():
        a, b = getattr(old, attribute), getattr(new, attribute)
        if a == b:
            continue
        if isinstance(a, tuple):
            yield from _listed(a, b, word)
        elif isinstance(a, Mapping):
            for key, x, y in _pairs(a, b):
                if x != y:
                    yield ChangeRow("pack", _kind(x, y), f"{word} {key}", "", _text(x), _text(y))
        else:
            yield ChangeRow("pack", "changes", word, "", _text(a), _text(b))


def _judged(before: Vehicle, after: Vehicle) -> Iterator[ChangeRow]:
    """What captures are judged by: behaviours, versions that nodes must tell, the list of tests.

    How one of them differs is for its readers; here it counts that it does.
    """
    for section, old, new in (
        ("behaviours", _by_name(before.behaviours), _by_name(after.behaviours)),
        ("versions", before.expected, after.expected),
        ("tests", _by_name(before.tests), _by_name(after.tests)),
    ):
        for name, a, b in _pairs(old, new):
            if a is None or b is None:
                yield whole(section, name, "stated", comes=a is None)
            elif a != b:
                yield ChangeRow(section, "changes", name, "", "as it was", "stated otherwise")


def _freedom(before: Freedom, after: Freedom) -> Iterator[ChangeRow]:
    """What may be changed to make the plan work, and what that costs; a new thing's is its own."""
    section = "what may change"
    for kind, olds, news in (
        ("node", before.nodes, after.nodes),
        ("network", before.networks, after.networks),
    ):
        for name, old, new in _pairs(olds, news):
            if old is not None and new is not None:
                yield from field_changes(old, new, _MAY_CHANGE[kind], section, f"{kind} {name}")
    for name, old, new in _pairs(before.networks, after.networks):
        if old is not None and new is not None and old.reserved != new.reserved:
            shown = (_ranges(old.reserved), _ranges(new.reserved))
            yield ChangeRow(section, "changes", f"network {name}", "reserved", *shown)
    yield from field_changes(before, after, _ALLOT, section, "allot")
    costs = {f.name: f"cost of {f.name}" for f in fields(Costs)}
    yield from field_changes(before.costs, after.costs, costs, section, "allot")


def _ranges(reserved: Iterable[tuple[int, int]]) -> str | None:
    shown = ([format_identifier(i, extended=i > 0x7FF) for i in pair] for pair in reserved)
    return ", ".join(map(" to ".join, shown)) or None


def _by_name(things: Iterable[Any]) -> dict[str, Any]:
    """Things by name; lines of the plan file do not count as differences."""
    return {t.name: replace(t, line=None) if hasattr(t, "line") else t for t in things}


def _listed(old: tuple[Any, ...], new: tuple[Any, ...], word: str) -> Iterator[ChangeRow]:
    """A list of cells or sensors: how many, and how many of them lie elsewhere."""
    if len(old) != len(new):
        yield ChangeRow("pack", "changes", word, "number", str(len(old)), str(len(new)))
    moved = sum(a != b for a, b in zip(old, new, strict=False))
    if moved:
        yield ChangeRow("pack", "changes", word, "signals or modules", None, f"{moved} differ")


def _kind(old: Any, new: Any) -> Any:
    return "comes" if old is None else "goes" if new is None else "changes"


def _text(value: Any) -> str | None:
    if value is None:
        return None
    if hasattr(value, "_fields"):
        return str(value)
    return in_words(value) if isinstance(value, tuple | Mapping) else str(value)
