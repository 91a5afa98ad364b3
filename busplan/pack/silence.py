"""Drop-outs: stretches in which cells or sensors were not heard at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import F64
from busplan.pack.labels import clock, time_ns
from busplan.pack.series import NO_PAUSES, Heard, PackSeries
from busplan.plan.vehicle import CellPlace, PackLayout, SensorPlace, SignalAddress
from busplan.traffic.stopped import shared
from busplan.wording import listing

EDGE_S = 1.0
"""Networks and nodes need not begin and end with the capture to the second."""
MOST_NAMED = 4
"""Messages that are named where a node still sent others."""
PAUSED_SHARE = 0.8
"""So much of a silence in which nobody else sent anything makes it everybody's."""
SAME_S = 1.0
"""Silences of one node that overlap, or lie closer than this, are one drop-out."""


CHECK = "Check its supply, plug and ground; does it happen under vibration or load?"
SLEPT = (
    "See whether the vehicle slept, the recorder stopped or its clock was set forward, and record "
    "it again; else check the cable, and the monitor's supply, plug and ground."
)


@dataclass(frozen=True, slots=True)
class DropOut:
    """A node (or single messages of it) that sent nothing from ``start_s`` to ``stop_s`` [s].

    Of several messages that is the time in which none of them came: a slow one was not due before.
    Where they only fell silent one after the other it is all of that time, and ``by_turns`` is how
    long the longest of these silences was.
    """

    network: str
    node: str
    messages: tuple[str, ...]
    whole: bool
    """Whether every message of the layout that the node sends at that pace fell silent."""
    start_s: float
    stop_s: float
    all_silent: bool = False
    """Whether nobody else sent anything meanwhile, on any network of the capture."""
    by_turns: float | None = None

    @property
    def silent_s(self) -> float:
        """The longest time in which something did not come at all."""
        return self.length_s if self.by_turns is None else self.by_turns

    @property
    def length_s(self) -> float:
        """How long it lasted."""
        return self.stop_s - self.start_s


def find_drop_outs(series: PackSeries, layout: PackLayout) -> tuple[DropOut, ...]:
    """Silences longer than the rule allows, gathered by node; messages never heard left out."""
    silences: dict[tuple[str, str], list[tuple[float, float, str]]] = {}
    heard: dict[tuple[str, str], dict[str, Heard]] = {}
    places: Sequence[CellPlace | SensorPlace] = (*layout.cells, *layout.sensors)
    for place, trace in zip(places, (*series.cells, *series.sensors), strict=True):
        address: SignalAddress = place.address
        node = (address.network, address.node)
        messages = heard.setdefault(node, {})
        mine = trace.heard
        if not len(mine.time_s) or address.message in messages:
            continue
        messages[address.message] = mine
        for start, stop in silent_spans(mine, series.span_s, series.stopped):
            silences.setdefault(node, []).append((start, stop, address.message))
    found = []
    for key, spans in silences.items():
        for parts in _gathered(spans):
            names = tuple(dict.fromkeys(message for _, _, message in parts))
            start, stop, by_turns = _none_came(parts)
            could = [m for m, t in heard[key].items() if t.allowed_s < stop - start]
            whole = by_turns is None and set(could) <= set(names)
            whole = whole and not _spoke(series, layout, key, start, stop)
            paused = _paused(series, start, stop)
            found.append(DropOut(*key, names, whole, start, stop, paused, by_turns))
    return tuple(sorted(found, key=lambda d: d.start_s))


def _spoke(
    series: PackSeries, layout: PackLayout, node: tuple[str, str], start_s: float, stop_s: float
) -> bool:
    """Whether a quantity of the pack came from that node meanwhile."""
    for name, address in layout.quantities.items():
        trace = series.quantities.get(name)
        if trace is not None and (address.network, address.node) == node:
            time = trace.heard.time_s
            if ((time > start_s) & (time < stop_s)).any():
                return True
    return False


def _paused(series: PackSeries, start_s: float, stop_s: float) -> bool:
    """Whether nobody sent anything for nearly all of that time."""
    taken = shared(series.pauses, np.array([start_s]), np.array([stop_s]))
    return float(taken[0]) >= PAUSED_SHARE * (stop_s - start_s)


def silent_spans(
    heard: Heard, span_s: float, stopped: F64 = NO_PAUSES
) -> list[tuple[float, float]]:
    """Start and stop [s] of each stretch without a frame that is longer than it may be.

    At the two ends of the capture by ``EDGE_S`` at least; without those that pauses of everybody,
    ``stopped`` (j, 2) [s], explain.
    """
    limit, at_end = heard.allowed_s, max(heard.allowed_s, EDGE_S)
    edges = np.concatenate(([0.0], heard.time_s, [span_s]))
    gaps = np.diff(edges) - shared(stopped, edges[:-1], edges[1:])
    long = gaps > limit
    long[[0, -1]] = gaps[[0, -1]] > at_end
    return [(float(edges[i]), float(edges[i + 1])) for i in np.flatnonzero(long)]


def _gathered(
    spans: Sequence[tuple[float, float, str]],
) -> list[list[tuple[float, float, str]]]:
    groups: list[list[tuple[float, float, str]]] = []
    until = -np.inf
    for span in sorted(spans):
        if groups and span[0] < until + SAME_S:
            groups[-1].append(span)
        else:
            groups.append([span])
            until = -np.inf
        until = max(until, span[1])
    return groups


def _none_came(
    parts: Sequence[tuple[float, float, str]],
) -> tuple[float, float, float | None]:
    """When all of these silences lasted; of such that only followed each other, all of it and the
    longest of them."""
    start, stop = max(p[0] for p in parts), min(p[1] for p in parts)
    if start < stop:
        return start, stop, None
    return parts[0][0], max(p[1] for p in parts), max(b - a for a, b, _ in parts)


def _sent(drop: DropOut) -> str:
    """What a node did not send, and when."""
    names, since = listing(drop.messages, MOST_NAMED), f"from {clock(drop.start_s)}"
    if drop.by_turns is not None:
        what = f"all of {names}" if len(drop.messages) > 1 else names
        return (
            f"{drop.node} did not always send {what} for {drop.length_s:.1f} s {since}: silences "
            f"came one after the other, the longest of {drop.by_turns:.1f} s"
        )
    alike = ", nor did anybody else" if drop.all_silent else ""
    what = "nothing" if drop.whole else f"no {names}"
    return f"{drop.node} sent {what} for {drop.length_s:.1f} s {since}{alike}"


def drop_out_findings(drop_outs: Sequence[DropOut]) -> list[Finding]:
    """One finding for each node, at its longest drop-out."""
    groups: dict[tuple[str, str], list[DropOut]] = {}
    for drop in drop_outs:
        groups.setdefault((drop.network, drop.node), []).append(drop)
    findings = []
    for (network, node), members in groups.items():
        worst = max(members, key=lambda d: d.silent_s)
        message = worst.messages[0] if len(worst.messages) == 1 else None
        again = f" ({len(members)} drop-outs in all)" if len(members) > 1 else ""
        findings.append(
            Finding(
                "monitor-silent",
                Weight.CAUTION,
                Where(network, node, message, time_ns=time_ns(worst.start_s)),
                f"{_sent(worst)}{again}.",
                "While a monitor is silent nobody watches its cells.",
                SLEPT if worst.all_silent else CHECK,
                (
                    Figure("longest", worst.length_s, "s"),
                    Figure("drop-outs", len(members)),
                ),
            )
        )
    return findings
