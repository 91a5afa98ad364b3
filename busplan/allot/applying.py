"""A placement as a change of a plan: nodes, networks, names and routes.

The rules of this file: as in :mod:`busplan.plan.change`. A route keeps its table, and what else it
says, as long as its gateway still carries the message somewhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from busplan.allot.asking import Asked
from busplan.allot.problem import Carried, Placement
from busplan.allot.settling import Settled
from busplan.plan.carrying import comes_in, gives, takes
from busplan.plan.change import Change
from busplan.plan.relocate import Draft, move_ports
from busplan.plan.route import Route


def apply_placement(asked: Asked, answer: Placement, settled: Settled) -> Change:
    """The change that makes a plan what a placement says."""

    def change(draft: Draft) -> None:
        networks = draft.document.get("network", {})
        for net, rate in zip(asked.question.nets, answer.rates, strict=True):
            if rate and net.new:
                networks[net.name] = {"bit_rate": rate}
            elif rate != net.rate and not net.new:
                networks[net.name]["bit_rate"] = rate
        _nodes(draft, asked, answer, settled)
        _routes(draft, asked, answer, settled)

    return change


def _nodes(draft: Draft, asked: Asked, answer: Placement, settled: Settled) -> None:
    question = asked.question
    moves: dict[str, dict[str, str]] = {}
    for i, unit in enumerate(question.units):
        table = draft.document["node"][unit.node]
        if answer.where[i] != unit.home:
            moves.setdefault(unit.node, {})[unit.port] = question.nets[answer.where[i]].name
        option = unit.options[answer.option[i]]
        node = draft.before.nodes[unit.node]
        if option.kind == "offset":
            table["identifier_offset"] = node.identifier_offset + option.shift
    for node_name, targets in moves.items():
        move_ports(draft, node_name, targets)
    for name, address in settled.addresses.items():
        draft.document["node"][name]["source_address"] = address
    for name, shift in settled.shifts.items():
        node = draft.before.nodes[name]
        offset = node.identifier_offset + shift
        rule = node.part.identifiers
        part = draft.document["part"][node.part.name]
        known = part.get("identifiers", "fixed")
        part["identifiers"] = sorted({*(known if isinstance(known, list) else (0,)), offset})
        assert rule != "free", "what is free need not be bought"
        draft.document["node"][name]["identifier_offset"] = offset


def _routes(draft: Draft, asked: Asked, answer: Placement, settled: Settled) -> None:
    tables: list[dict[str, Any]] = draft.document.get("route", [])
    pending = sorted(answer.carried, key=lambda c: (c.gateway, c.unit, c.message, c.network))
    kept = []
    for table, route in zip(tables, draft.before.routes, strict=True):
        follow = _message if route.kind == "message" else _signal
        if follow(asked, answer, route, table, pending):
            kept.append(table)
        else:
            draft.told.append(
                f"no need to carry {route.label} from {route.source} to {route.target}"
            )
    kept += [_new_route(asked, answer, what) for what in _one_each(asked, answer, pending)]
    for what, number in settled.renamed.items():
        for table in kept:
            if _is_of(asked, answer, table, what):
                table["identifier"] = number
                if number <= 0x7FF and asked.streams[what.unit, what.message].message.extended:
                    table["extended"] = True
    if kept:
        draft.document["route"] = kept
    else:
        draft.document.pop("route", None)


def _message(
    asked: Asked, answer: Placement, route: Route, table: dict[str, Any], pending: list[Carried]
) -> bool:
    """Let a route carry what it did, from and to where it is now; whether it still does."""
    if route.name in asked.unfollowed:
        return True
    question = asked.question
    mine = [
        c
        for c in pending
        if question.gateways[c.gateway].node == route.through
        and comes_in(asked.streams[c.unit, c.message], route)
    ]
    if not mine:
        taken = any(comes_in(s, route) for s in asked.vehicle.streams)
        return not taken
    chosen = next((c for c in mine if question.nets[c.network].name == route.target), mine[0])
    source = answer.where[chosen.unit]
    table["from"], table["to"] = question.nets[source].name, question.nets[chosen.network].name
    for c in mine:
        if c.network == chosen.network and answer.where[c.unit] == source:
            pending.remove(c)
    return True


def _signal(
    asked: Asked, answer: Placement, route: Route, table: dict[str, Any], pending: list[Carried]
) -> bool:
    """Let a route of a signal follow its source and the gateway's message; whether it has to."""
    question = asked.question
    source, target = route.source, route.target
    for (u, _), stream in asked.streams.items():
        if takes(route, stream) and stream.node != route.through:
            source = question.nets[answer.where[u]].name
        if gives(route, stream):
            target = question.nets[answer.where[u]].name
    if source == target:
        return False
    table["from"], table["to"] = source, target
    return True


def _one_each(asked: Asked, answer: Placement, pending: list[Carried]) -> Iterator[Carried]:
    """One of those that the same route would carry."""
    seen = set()
    for c in pending:
        stream = asked.streams[c.unit, c.message]
        key = (c.gateway, stream.node, stream.message.name, answer.where[c.unit], c.network)
        if key not in seen:
            seen.add(key)
            yield c


def _new_route(asked: Asked, answer: Placement, what: Carried) -> dict[str, Any]:
    question = asked.question
    stream = asked.streams[what.unit, what.message]
    source = answer.where[what.unit]
    table: dict[str, Any] = {"message": stream.message.name}
    namesakes = {
        question.units[u].node
        for (u, _), s in asked.streams.items()
        if s.message.name == stream.message.name and answer.where[u] == source
    }
    if len(namesakes) > 1:
        table["node"] = stream.node
    table |= {
        "from": question.nets[source].name,
        "to": question.nets[what.network].name,
        "through": question.gateways[what.gateway].node,
    }
    return table


def _is_of(asked: Asked, answer: Placement, table: dict[str, Any], what: Carried) -> bool:
    question = asked.question
    stream = asked.streams[what.unit, what.message]
    return (
        table.get("message") == stream.message.name
        and table["through"] == question.gateways[what.gateway].node
        and table["from"] == question.nets[answer.where[what.unit]].name
        and table["to"] == question.nets[what.network].name
        and table.get("node", stream.node) == stream.node
    )
