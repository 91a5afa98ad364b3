"""Routes that a proposed plan needs: whole messages for receivers, signals that a gateway sends on.

The rules of this file: a whole message is proposed where a part's file says it receives one that is
sent on another network only; a signal where a node on both networks sends, on one, a signal of the
name that reaches it on the other. Both are guesses: only the maker of the gateway knows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from busplan.checks.needs import missing_routes
from busplan.plan.vehicle import Vehicle

_OWN_BUSINESS = ("counter", "checksum", "crc", "alive", "page", "mux")
"""Parts of the names of signals that every message has for itself."""


@dataclass(frozen=True, slots=True)
class Way:
    """One proposed route, and why."""

    kind: Literal["message", "signal"]
    what: str
    source: str
    target: str
    through: str
    why: str


def ways(vehicle: Vehicle) -> tuple[Way, ...]:
    """The routes that seem to be missing, those of messages first, each once."""
    found = dict.fromkeys([*_messages(vehicle), *_signals(vehicle)])
    seen: set[tuple[str, str, str, str]] = set()
    kept = []
    for way in found:
        key = (way.what, way.source, way.target, way.through)
        if key not in seen:
            seen.add(key)
            kept.append(way)
    return tuple(kept)


def _messages(vehicle: Vehicle) -> Iterator[Way]:
    for unmet in missing_routes(vehicle):
        need, source = unmet.needs[0], unmet.source
        assert source is not None
        networks = [source.network, *(network for _, network in unmet.way)]
        for (a, b), (gateway, _) in zip(pairwise(networks), unmet.way, strict=True):
            why = f"the file of {need.node} receives it; {source.node} sends it on {source.network}"
            yield Way("message", source.message.name, a, b, gateway, why)


def _signals(vehicle: Vehicle) -> Iterator[Way]:
    arriving: dict[tuple[str, str], set[str]] = {}
    for stream in vehicle.streams:
        for signal in stream.message.signals:
            arriving.setdefault((stream.network, signal.name), set()).add(stream.node)
    for node in vehicle.nodes.values():
        for stream in vehicle.streams:
            if stream.node != node.name or len(node.on) < 2:
                continue
            for signal in stream.message.signals:
                if any(word in signal.name.lower() for word in _OWN_BUSINESS):
                    continue
                for source in node.on:
                    others = arriving.get((source, signal.name), set()) - {node.name}
                    if source != stream.network and others:
                        why = (
                            f"{node.name} sends it in {stream.message.name}, and hears it from "
                            f"{sorted(others)[0]}"
                        )
                        yield Way("signal", signal.name, source, stream.network, node.name, why)
                        break
