"""Routes: what the gateways of a plan carry."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from busplan.plan.context import Context, span_ns
from busplan.plan.locate import KeyPath
from busplan.plan.route import Route
from busplan.plan.route_schema import RouteSpec
from busplan.plan.vehicle import Network, Node, Part

_OF_SIGNALS = ("into", "scale", "offset", "timeout_value")
_OF_MESSAGES = ("identifier", "extended", "cycle_ms", "min_distance_ms", "on_change")


@dataclass(frozen=True, slots=True)
class _Names:
    """What a route may name: all that parts send or receive, and what routes call it further on."""

    messages: Collection[str]
    signals: Collection[str]
    renamed: Collection[str]


def resolve_routes(
    context: Context,
    networks: Mapping[str, Network],
    nodes: Mapping[str, Node],
    parts: Mapping[str, Part],
) -> list[Route]:
    """The routes whose ends, gateway and names exist, each under a name of its own."""
    messages = [m for p in parts.values() for q in p.ports.values() for m in q.messages]
    specs = context.spec.routes
    names = _Names(
        dict.fromkeys(m.name for m in messages),
        dict.fromkeys(s.name for m in messages for s in m.signals),
        {s.renamed for s in specs.values() if s.renamed and s.message},
    )
    routes = []
    for index, spec in specs.items():
        path = ("route", index)
        ends = _route_ends(context, path, spec, networks, nodes)
        if (spec.signal is None) == (spec.message is None):
            context.problems.add(path, 'needs either "signal" or "message"')
        elif (
            _names_known(context, path, spec, names, nodes)
            and _keys_fit(context, path, spec)
            and ends
        ):
            routes.append(_route(spec, context.problems.line(path)))
    return _told_apart(routes)


def _route(spec: RouteSpec, line: int | None) -> Route:
    what = spec.signal or spec.message or ""
    renamed = f" as {spec.renamed}" if spec.renamed else ""
    return Route(
        name=spec.name or f"{what} {spec.source}→{spec.target}{renamed}",
        kind="signal" if spec.signal else "message",
        what=what,
        source=spec.source,
        target=spec.target,
        through=spec.through,
        delay_ns=span_ns(spec.delay_ms) or 0,
        deadline_ns=span_ns(spec.deadline_ms),
        line=line,
        delay_stated=spec.delay_ms is not None,
        node=spec.node,
        renamed=spec.renamed,
        into=spec.into,
        identifier=spec.identifier,
        extended=spec.extended,
        scale=spec.scale,
        offset=spec.offset,
        cycle_ns=span_ns(spec.cycle_ms),
        min_distance_ns=span_ns(spec.min_distance_ms),
        on_change=spec.on_change or spec.min_distance_ms is not None,
        timeout_ns=span_ns(spec.timeout_ms),
        timeout_value=spec.timeout_value,
    )


def _told_apart(routes: Iterable[Route]) -> list[Route]:
    """Routes whose names are unlike each other's: those alike are numbered."""
    routes = list(routes)
    often = Counter(r.name for r in routes)
    seen: Counter[str] = Counter()
    result = []
    for route in routes:
        if often[route.name] > 1:
            seen[route.name] += 1
            number = seen[route.name]
            route = route if number == 1 else replace(route, name=f"{route.name} ({number})")
        result.append(route)
    return result


def _names_known(
    context: Context,
    path: KeyPath,
    spec: RouteSpec,
    names: _Names,
    nodes: Mapping[str, Node],
) -> bool:
    """Whether the messages and signals exist that a route speaks of."""
    if context.incomplete:
        known = names.signals if spec.signal else {*names.messages, *names.renamed}
        return (spec.signal or spec.message) in known
    before = len(context.problems.found)
    if spec.signal is not None:
        for key, name in (("signal", spec.signal), ("as", spec.renamed)):
            if name is not None and name not in names.signals:
                context.problems.unknown((*path, key), "signal", name, names.signals)
        if spec.into is not None and spec.into not in names.messages:
            own = _sent_by(nodes, spec.through, spec.target)
            where = f"that {spec.through} sends on {spec.target}" if own else ""
            context.problems.unknown(
                (*path, "into"), "message", spec.into, own or names.messages, where
            )
    elif spec.message not in names.messages and spec.message not in names.renamed:
        context.problems.unknown((*path, "message"), "message", spec.message or "", names.messages)
    return len(context.problems.found) == before


def _sent_by(nodes: Mapping[str, Node], node: str, network: str) -> list[str]:
    """The messages a node sends on a network by its own definitions."""
    port = nodes[node].on.get(network) if node in nodes else None
    return [m.name for m in port.messages if port.sender in m.senders] if port else []


def _keys_fit(context: Context, path: KeyPath, spec: RouteSpec) -> bool:
    """Whether the keys of a route go together."""
    problems = context.problems
    before = len(problems.found)
    for key in _OF_MESSAGES if spec.signal else _OF_SIGNALS:
        if key not in spec.model_fields_set:
            continue
        other = "it belongs to the gateway's message: see [message] and [[part.NAME.message]]"
        if spec.message:
            other = "it is for routes of signals; a whole message goes on as it is"
        problems.add((*path, key), other)
    if spec.scale == 0:
        problems.add((*path, "scale"), "must be a number that is not 0; got 0")
    if spec.signal and (spec.timeout_ms is None) != (spec.timeout_value is None):
        problems.add(path, "timeout_ms and timeout_value go together: when, and what is put in")
    if spec.cycle_ms is not None and (spec.on_change or spec.min_distance_ms is not None):
        problems.add(path, "has a cycle_ms and is on change; it is one of them")
    if spec.identifier is not None and spec.identifier > 0x7FF and spec.extended is False:
        problems.add((*path, "identifier"), f"{spec.identifier:#x} has more than 11 bits")
    if spec.identifier is None and spec.extended is not None:
        problems.add((*path, "extended"), "goes with an identifier")
    return len(problems.found) == before


def _route_ends(
    context: Context,
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
            context.problems.unknown((*path, key), "network", network, networks)
    if spec.source == spec.target:
        context.problems.add(path, f'goes from "{spec.source}" to itself')
        good = False
    for key, node in (("node", spec.node), ("through", spec.through)):
        if node is not None and node not in nodes:
            good = False
            if node not in context.spec.known("node"):
                context.problems.unknown((*path, key), "node", node, context.spec.known("node"))
    if spec.through not in nodes:
        return False
    for network in (spec.source, spec.target):
        on = nodes[spec.through].on
        if network in networks and network not in on:
            good = False
            context.problems.add(
                (*path, "through"),
                f'the node "{spec.through}" is not on network "{network}"; '
                f"it is on {', '.join(on)}",
            )
    return good
