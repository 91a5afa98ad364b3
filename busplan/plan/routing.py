"""Routes: what the gateways of a plan carry."""

from __future__ import annotations

from collections.abc import Mapping

from busplan.plan.context import Context, span_ns
from busplan.plan.locate import KeyPath
from busplan.plan.schema import RouteSpec
from busplan.plan.vehicle import Network, Node, Part, Route


def resolve_routes(
    context: Context,
    networks: Mapping[str, Network],
    nodes: Mapping[str, Node],
    parts: Mapping[str, Part],
) -> list[Route]:
    """The routes whose ends, gateway and name exist."""
    messages = [m for p in parts.values() for q in p.ports.values() for m in q.messages]
    message_names = dict.fromkeys(m.name for m in messages)
    signal_names = dict.fromkeys(s.name for m in messages for s in m.signals)
    routes = []
    for index, spec in context.spec.routes.items():
        path = ("route", index)
        ends = _route_ends(context, path, spec, networks, nodes)
        if (spec.signal is None) == (spec.message is None):
            context.problems.add(path, 'needs either "signal" or "message"')
            continue
        kind, names = ("signal", signal_names) if spec.signal else ("message", message_names)
        what = spec.signal or spec.message or ""
        if what not in names:
            if not context.incomplete:
                context.problems.unknown((*path, kind), kind, what, names)
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
                    delay_ns=span_ns(spec.delay_ms) or 0,
                    deadline_ns=span_ns(spec.deadline_ms),
                    line=context.problems.line(path),
                    delay_stated=spec.delay_ms is not None,
                )
            )
    return routes


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
    if spec.through not in nodes:
        if spec.through not in context.spec.known("node"):
            context.problems.unknown(
                (*path, "through"), "node", spec.through, context.spec.known("node")
            )
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
