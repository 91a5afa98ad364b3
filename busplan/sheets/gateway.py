"""The gateway sheet: what each gateway receives, sends and passes on, port by port.

The rules of this file: a gateway is a node that routes go through, or that sits on several
networks. Latencies are those of :mod:`busplan.timing.gateways`, proven for the worst case; a cell
stays empty where nothing is known, and the last column says why. Periods and latencies in ms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import astuple, dataclass, fields
from typing import Any

from busplan.checks.matching import Senders
from busplan.plan.carrying import takes
from busplan.plan.route import Route
from busplan.plan.vehicle import Node, Stream, Vehicle
from busplan.sheets.csv_text import csv_text
from busplan.timing.gateways import (
    RouteTiming,
    VehicleTiming,
    route_carriers,
    route_sources,
    vehicle_timing,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayRow:
    """One line: ``does`` is "receives", "sends" or "routes"; ``worst_ms`` a response time or, for
    a route, its latency from the first sender to the end of the last frame. A value that a route
    converts is sent as value * ``times`` + ``plus``. ``send_offset_ms``: when the gateway's clock
    shall send the message, where the plan says so."""

    gateway: str
    port: str
    network: str
    does: str
    message: str
    identifier: str
    bytes: int | None = None
    period_ms: float | None = None
    on_event: str = ""
    send_offset_ms: float | None = None
    signal: str = ""
    start_bit: int | None = None
    bits: int | None = None
    byte_order: str = ""
    signed: str = ""
    scale: float | int | None = None
    offset: float | int | None = None
    unit: str = ""
    sender: str = ""
    to_network: str = ""
    to_message: str = ""
    to_identifier: str = ""
    to_signal: str = ""
    times: float | int | None = None
    plus: float | int | None = None
    to_scale: float | int | None = None
    to_offset: float | int | None = None
    to_unit: str = ""
    delay_ms: float | None = None
    worst_ms: float | None = None
    deadline_ms: float | None = None
    timeout_ms: float | None = None
    timeout_value: float | int | str | None = None
    note: str = ""


def gateways(vehicle: Vehicle) -> tuple[Node, ...]:
    """The nodes that pass something on, or sit on several networks, in plan order."""
    through = {r.through for r in vehicle.routes}
    return tuple(n for n in vehicle.nodes.values() if n.name in through or len(n.on) > 1)


def gateway_rows(vehicle: Vehicle) -> tuple[GatewayRow, ...]:
    """Every line of the sheet: gateway by gateway, what comes in, what goes out, the routes."""
    timing = vehicle_timing(vehicle)
    rows: list[GatewayRow] = []
    for node in gateways(vehicle):
        for network in node.on:
            rows += _received(vehicle, node, network)
            rows += _sent(timing, node, network)
        rows += [
            row
            for t in timing.routes
            if t.route.through == node.name
            for row in _routed(vehicle, t)
        ]
    return tuple(rows)


def gateway_csv(vehicle: Vehicle) -> str:
    """The sheet as CSV."""
    head = [f.name for f in fields(GatewayRow)]
    rows = [astuple(row) for row in gateway_rows(vehicle)]
    return csv_text(f"Gateway sheet of {vehicle.label}", head, rows)


def _received(vehicle: Vehicle, node: Node, network: str) -> Iterator[GatewayRow]:
    """Messages the gateway's own definitions or its routes take in, with who sends them."""
    senders = Senders(vehicle)
    taken: dict[str, tuple[Stream, set[str]]] = {}
    lonely: dict[tuple[str, str], None] = {}
    for need in vehicle.needs:
        if (need.node, need.network) != (node.name, network):
            continue
        found = [s for s in senders.of(need) if s.node != node.name]
        names = {need.signal.name} if need.signal else set[str]()
        for stream in found:
            taken.setdefault(stream.label, (stream, set()))[1].update(names)
        if not found:
            lonely[need.message.name, need.message.label] = None
    for route in vehicle.routes:
        if (route.through, route.source) == (node.name, network):
            for stream in route_sources(vehicle, route):
                names = {route.what} if route.kind == "signal" else set()
                taken.setdefault(stream.label, (stream, set()))[1].update(names)
    for stream, signals in taken.values():
        plain = _line(node, network, "receives", stream)
        chosen = [s for s in stream.message.signals if s.name in signals]
        yield from (GatewayRow(**plain | _scaling(s)) for s in chosen)
        if not chosen:
            yield GatewayRow(**plain)
    for name, label in lonely:
        yield GatewayRow(
            gateway=node.name,
            port=node.on[network].name,
            network=network,
            does="receives",
            message=name,
            identifier=label,
            note="nobody sends it here",
        )


def _sent(timing: VehicleTiming, node: Node, network: str) -> Iterator[GatewayRow]:
    for stream in timing.vehicle.on(network):
        if stream.node != node.name:
            continue
        response = timing.by_label[stream.label]
        plain = _line(node, network, "sends", stream) | {
            "deadline_ms": None if stream.deadline is None else stream.deadline.ms,
            "worst_ms": None if response.response_ns is None else response.response_ns / 1e6,
            "note": f"passed on by route {stream.via}" if stream.via else "",
        }
        if response.response_ns is None:
            plain["note"] = "; ".join(filter(None, (plain["note"], response.status.value)))
        yield from (GatewayRow(**plain | _scaling(s)) for s in stream.message.signals)
        if not stream.message.signals:
            yield GatewayRow(**plain)


def _routed(vehicle: Vehicle, timing: RouteTiming) -> Iterator[GatewayRow]:
    """The route from each message that feeds it to each that carries it."""
    route = timing.route
    node = vehicle.nodes[route.through]
    plain: dict[str, Any] = {
        "to_network": route.target,
        "delay_ms": route.delay_ns / 1e6 if route.delay_stated else None,
        "worst_ms": None if timing.latency_ns is None else timing.latency_ns / 1e6,
        "deadline_ms": None if route.deadline_ns is None else route.deadline_ns / 1e6,
        "timeout_ms": None if route.timeout_ns is None else route.timeout_ns / 1e6,
        "timeout_value": route.timeout_value,
        "note": timing.reason or ("" if route.delay_stated else "delay not stated, counted as 0"),
    }
    sources = route_sources(vehicle, route) or _own(vehicle, route)
    carriers = route_carriers(vehicle, route)
    for source in sources:
        line = _line(node, route.source, "routes", source) | plain
        if route.kind == "signal":
            line |= _scaling(source.message.signal(route.what))
        for carrier in carriers:
            yield GatewayRow(**line | _target(route, carrier))
        if not carriers:
            yield GatewayRow(**line)


def _own(vehicle: Vehicle, route: Route) -> tuple[Stream, ...]:
    """Messages of the gateway itself on the source network that hold what the route carries."""
    return tuple(s for s in vehicle.streams if s.node == route.through and takes(route, s))


def _line(node: Node, network: str, does: str, stream: Stream) -> dict[str, Any]:
    return {
        "gateway": node.name,
        "port": node.on[network].name,
        "network": network,
        "does": does,
        "message": stream.message.name,
        "identifier": stream.message.label,
        "bytes": stream.message.length,
        "period_ms": None if stream.cycle is None else stream.cycle.ms,
        "on_event": "yes" if stream.event else "",
        "send_offset_ms": _send_offset(stream) if does == "sends" else None,
        "sender": stream.node,
    }


def _send_offset(stream: Stream) -> float | None:
    return None if stream.offset_ns is None else stream.offset_ns / 1e6


def _scaling(signal: Any) -> dict[str, Any]:
    return {
        "signal": signal.name,
        "start_bit": signal.start,
        "bits": signal.length,
        "byte_order": "big-endian" if signal.big_endian else "little-endian",
        "signed": "yes" if signal.signed else "",
        "scale": signal.scale,
        "offset": signal.offset,
        "unit": signal.unit,
    }


def _target(route: Route, carrier: Stream) -> dict[str, Any]:
    told: dict[str, Any] = {
        "to_message": carrier.message.name,
        "to_identifier": carrier.message.label,
    }
    if route.kind == "signal":
        signal = carrier.message.signal(route.arrives_as)
        told |= {
            "to_signal": signal.name,
            "times": route.scale,
            "plus": route.offset,
            "to_scale": signal.scale,
            "to_offset": signal.offset,
            "to_unit": signal.unit,
        }
    return told
