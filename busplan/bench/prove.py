"""A node's frames against its definition: what comes, how often, how long, with what in it.

The rules of this file: pure, from a frame table and a vehicle to a report. Only frames of the
node's own network count. Frames that the recording device sent itself are left out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busplan.bench.model import (
    BenchLimits,
    BenchReport,
    MessageProof,
    Unknown,
    Verdict,
    verdict_of,
)
from busplan.bench.signals import prove_signals
from busplan.capture.cycles import MeasuredCycle, measured_cycle
from busplan.capture.frames import ERROR, I64, SENT, FrameTable
from busplan.definitions.model import FrameKey, Message, Stated, format_identifier
from busplan.errors import UsageError
from busplan.findings import Figure, Finding, Weight, Where, by_weight
from busplan.plan.streams import placed
from busplan.plan.vehicle import Stream, Vehicle


def prove_node(
    table: FrameTable,
    vehicle: Vehicle,
    node: str,
    network: str | None = None,
    limits: BenchLimits | None = None,
) -> BenchReport:
    """Hold what a node sent against what its definitions say.

    ``table`` carries network names. ``network`` may be left out when the node is on one network
    only. Raises :class:`UsageError` for an unknown node or network.
    """
    limits = limits or BenchLimits()
    network = network_of(vehicle, node, network)
    origin = table.origin_ns
    mine = _heard_on(table, network)
    own = [s for s in vehicle.on(network) if s.node == node and s.via is None]
    proofs = tuple(_prove_message(mine, s, origin, limits) for s in own)
    own_keys = {s.key for s in own}
    known = _of_nodes_heard(mine, vehicle, node, network)
    known |= _known_messages(vehicle, node, network)
    others = {key: known[key] for key in mine.groups if key in known and key not in own_keys}
    unknown = tuple(
        _unknown(mine, key, origin)
        for key in mine.groups
        if key not in known and key not in own_keys
    )
    errors = np.flatnonzero((mine.flags & ERROR) != 0)
    first = _first_time(mine, own)
    findings = [f for proof in proofs for f in proof.findings]
    findings += [_unknown_finding(u, network, node) for u in unknown]
    start_up = None if first is None else first - origin - limits.power_on_ns
    findings += _start_findings(start_up, network, node, limits)
    findings += _after_errors(mine, own, mine.time_ns[errors], origin, network, node, limits)
    if first is None:
        findings.append(_silent(network, node, own))
    part = vehicle.nodes[node].part
    return BenchReport(
        node,
        part.name,
        part.maker,
        network,
        mine.span_ns,
        len(mine) - len(errors),
        start_up,
        len(errors),
        proofs,
        unknown,
        tuple(m.name for m in others.values()),
        tuple(by_weight(findings)),
        verdict_of(tuple(findings)),
    )


def network_of(vehicle: Vehicle, node: str, network: str | None) -> str:
    """The network on the bench; :class:`UsageError` when it cannot be told or does not exist."""
    if node not in vehicle.nodes:
        raise UsageError(f"the plan has no node {node!r}; it has {', '.join(vehicle.nodes)}")
    places = vehicle.nodes[node].on
    if network is None and len(places) == 1:
        return next(iter(places))
    if network is None:
        raise UsageError(f"{node} is on {', '.join(places)}: say which network is on the bench")
    if network not in places:
        raise UsageError(f"{node} is not on {network!r} but on {', '.join(places)}")
    return network


def _heard_on(table: FrameTable, network: str) -> FrameTable:
    """The frames of one network that others sent."""
    number = table.networks.index(network) if network in table.networks else -1
    return table.take(np.flatnonzero((table.network == number) & ((table.flags & SENT) == 0)))


def _known_messages(vehicle: Vehicle, node: str, network: str) -> dict[FrameKey, Message]:
    """Everything the node's definitions describe on that network, sent or received."""
    where = vehicle.nodes[node]
    port = where.on[network]
    known = {}
    for message in port.messages:
        own = port.sender in message.senders
        seen = placed(message, where, vehicle.networks[network]) if own else message
        known[FrameKey(network, seen.extended, seen.identifier)] = seen
    return known


def _of_nodes_heard(
    table: FrameTable, vehicle: Vehicle, node: str, network: str
) -> dict[FrameKey, Message]:
    """What the plan's other nodes send, of those that are evidently there.

    A node is there when all its cyclic messages came. Where only part of them came, the identifier
    may just as well be the tested node's, which would clash later.
    """
    by_node: dict[str, list[Stream]] = {}
    for stream in vehicle.on(network):
        if stream.node != node or stream.via is not None:
            by_node.setdefault(stream.node, []).append(stream)
    return {
        stream.key: stream.message
        for streams in by_node.values()
        if all(s.key in table.groups for s in streams if not s.event)
        for stream in streams
    }


def _prove_message(
    table: FrameTable, stream: Stream, origin: int, limits: BenchLimits
) -> MessageProof:
    message = stream.message
    rows = table.rows_of(stream.key)
    where = Where(stream.network, stream.node, message.name)
    lengths = table.length[rows]
    counts = {int(n): int(c) for n, c in zip(*np.unique(lengths, return_counts=True), strict=True)}
    cycle = measured_cycle(table.time_ns[rows])
    if not len(rows):
        findings: tuple[Finding, ...] = _missing(stream, where)
        verdict = Verdict.NOT_JUDGED if stream.event else verdict_of(findings)
        return MessageProof(message, stream.cycle, 0, None, {}, (), findings, verdict)
    signals, signal_findings = prove_signals(
        table, rows, message, replace(where, time_ns=origin), limits
    )
    findings = (
        *_cycle_findings(stream, cycle, where, origin, limits),
        *_length_findings(table, rows, message, where, origin),
        *signal_findings,
    )
    return MessageProof(
        message,
        stream.cycle,
        len(rows),
        cycle,
        counts,
        signals,
        findings,
        verdict_of(findings),
    )


def _missing(stream: Stream, where: Where) -> tuple[Finding, ...]:
    name = stream.message.name
    if stream.event:
        return (
            Finding(
                "message-not-seen",
                Weight.NOTE,
                where,
                f"{name} ({stream.message.label}) never came; it is sent on an event",
                why="Nothing can be said about it.",
                action="Bring the event about during the test.",
            ),
        )
    return (
        Finding(
            "message-missing",
            Weight.FAULT,
            where,
            f"{name} ({stream.message.label}) never came",
            why="Receivers wait for it, time out or run on an old value.",
            action="See whether the node is in the right mode, has the software its definition "
            "belongs to, and sits at the identifier the plan gives it.",
        ),
    )


def _cycle_findings(
    stream: Stream,
    cycle: MeasuredCycle | None,
    where: Where,
    origin: int,
    limits: BenchLimits,
) -> list[Finding]:
    if cycle is None or stream.cycle is None:
        return []
    stated, name = stream.cycle, stream.message.name
    findings = []
    if stream.event:
        if cycle.shortest_ns < stated.ns * (1 - limits.cycle_tolerance):
            findings.append(_too_close(stated, cycle, name, where))
        return findings
    off = cycle.median_ns / stated.ns - 1
    if abs(off) > limits.cycle_tolerance:
        findings.append(
            Finding(
                "cycle-time-off",
                Weight.FAULT,
                where,
                f"{name} comes every {cycle.median_ns / 1e6:.4g} ms instead of "
                f"{stated.ms:.4g} ms ({stated.origin}): {off:+.0%}, allowed "
                f"±{limits.cycle_tolerance:.0%}",
                why="Slower starves receivers, faster takes room on the network from others.",
                action="Ask the maker for the definition of this software, or state the real "
                "cycle time in the plan and check the plan again.",
                figures=(
                    Figure("measured", cycle.median_ns / 1e6, "ms"),
                    Figure("stated", stated.ms, "ms"),
                    Figure("tolerance", 100 * limits.cycle_tolerance, "%"),
                ),
            )
        )
    allowed = limits.gap_cycles * max(stated.ns, cycle.median_ns)
    if cycle.longest_ns > allowed:
        findings.append(
            Finding(
                "gap-too-long",
                Weight.CAUTION,
                replace(where, time_ns=cycle.longest_at_ns - origin),
                f"{name} was silent for {cycle.longest_ns / 1e6:.4g} ms, "
                f"{cycle.longest_ns / max(stated.ns, cycle.median_ns):.1f} cycles",
                why="Receivers with a time-out may have given the node up.",
                action="See what happened at that time; a drop of the recorder shows in its "
                "journal.",
                figures=(
                    Figure("gap", cycle.longest_ns / 1e6, "ms"),
                    Figure("allowed", allowed / 1e6, "ms"),
                ),
            )
        )
    return findings


def _too_close(stated: Stated, cycle: MeasuredCycle, name: str, where: Where) -> Finding:
    return Finding(
        "events-too-close",
        Weight.FAULT,
        where,
        f"{name} came again after {cycle.shortest_ns / 1e6:.4g} ms; the least distance is "
        f"{stated.ms:.4g} ms ({stated.origin})",
        why="Response times are proven for the stated distance only.",
        action="State the real least distance in the plan, or have the node slowed down.",
        figures=(
            Figure("measured", cycle.shortest_ns / 1e6, "ms"),
            Figure("stated", stated.ms, "ms"),
        ),
    )


def _length_findings(
    table: FrameTable, rows: I64, message: Message, where: Where, origin: int
) -> list[Finding]:
    findings = []
    lengths = table.length[rows].astype(np.int64)
    for code, wrong, words, why in (
        (
            "frame-short",
            lengths < message.length,
            "fewer",
            "Receivers read bytes that were not sent, or drop the frame.",
        ),
        (
            "frame-long",
            lengths > message.length,
            "more",
            "The definition does not describe all that the node sends.",
        ),
    ):
        places = np.flatnonzero(wrong)
        if len(places):
            seen = ", ".join(map(str, np.unique(lengths[places])))
            findings.append(
                Finding(
                    code,
                    Weight.FAULT,
                    replace(where, time_ns=int(table.time_ns[rows[places[0]]]) - origin),
                    f"{len(places)} of {len(rows)} frames of {message.name} carry {words} bytes "
                    f"({seen}) than the {message.length} defined",
                    why=why,
                    action="Ask the maker for the definition of this software.",
                    figures=(
                        Figure("frames", len(places)),
                        Figure("defined", message.length, "byte"),
                    ),
                )
            )
    return findings


def _unknown(table: FrameTable, key: FrameKey, origin: int) -> Unknown:
    rows = table.groups[key]
    return Unknown(
        format_identifier(key.identifier, key.extended),
        len(rows),
        tuple(int(n) for n in np.unique(table.length[rows])),
        measured_cycle(table.time_ns[rows]),
        int(table.time_ns[rows[0]]) - origin,
    )


def _unknown_finding(unknown: Unknown, network: str, node: str) -> Finding:
    every = f", every {unknown.cycle.median_ns / 1e6:.4g} ms" if unknown.cycle else ""
    return Finding(
        "identifier-unknown",
        Weight.FAULT,
        Where(network, node, time_ns=unknown.first_ns),
        f"{unknown.label} is in no definition of this part ({unknown.frames} frames{every})",
        why="It takes room, may clash with another node's identifier, and nobody knows its "
        "meaning.",
        action="Ask the maker what it is; switch it off or add it to the definition.",
        figures=(Figure("frames", unknown.frames),),
    )


def _first_time(table: FrameTable, own: list[Stream]) -> int | None:
    firsts = [int(table.time_ns[r[0]]) for s in own if len(r := table.rows_of(s.key))]
    return min(firsts, default=None)


def _start_findings(
    start_up: int | None, network: str, node: str, limits: BenchLimits
) -> list[Finding]:
    allowed = limits.start_within_ns
    if start_up is None or allowed is None or start_up <= allowed:
        return []
    return [
        Finding(
            "starts-late",
            Weight.FAULT,
            Where(network, node, time_ns=start_up + limits.power_on_ns),
            f"the first frame came {start_up / 1e9:.3f} s after power-on; "
            f"allowed {allowed / 1e9:.3f} s",
            why="Nodes that wait for it at power-up may give it up.",
            action="Ask the maker for the start-up time, and let the others wait longer.",
            figures=(
                Figure("start-up", start_up / 1e9, "s"),
                Figure("allowed", allowed / 1e9, "s"),
            ),
        )
    ]


def _after_errors(
    table: FrameTable,
    own: list[Stream],
    error_ns: I64,
    origin: int,
    network: str,
    node: str,
    limits: BenchLimits,
) -> list[Finding]:
    """Whether the node comes back after each bus error, and how soon."""
    cycles = [s.cycle.ns for s in own if s.cycle is not None and not s.event]
    if not len(error_ns) or not cycles:
        return []
    rows = [table.rows_of(s.key) for s in own]
    times = np.sort(np.concatenate([table.time_ns[r] for r in rows]))
    allowed = round(limits.quiet_cycles * min(cycles))
    end = origin + table.span_ns
    after = np.searchsorted(times, error_ns, side="right")
    back = np.append(times, end)[after]
    quiet = back - error_ns
    worst = int(quiet.argmax())
    if int(quiet[worst]) <= allowed:
        return []
    returned = bool(after[worst] < len(times))
    return [
        Finding(
            "silent-after-error",
            Weight.CAUTION if returned else Weight.FAULT,
            Where(network, node, time_ns=int(error_ns[worst]) - origin),
            f"after a bus error the node was silent for {int(quiet[worst]) / 1e6:.4g} ms"
            + ("" if returned else " and did not come back before the capture ended")
            + f"; allowed {allowed / 1e6:.4g} ms",
            why="A node that leaves the bus after an error takes its functions with it.",
            action="Ask the maker how it recovers from bus-off, and look at wiring and bit rate.",
            figures=(
                Figure("silence", int(quiet[worst]) / 1e6, "ms"),
                Figure("errors", len(error_ns)),
            ),
        )
    ]


def _silent(network: str, node: str, own: list[Stream]) -> Finding:
    return Finding(
        "node-silent",
        Weight.FAULT,
        Where(network, node),
        f"none of its {len(own)} messages came",
        why="There is nothing to judge.",
        action="See busplan bench --wiring for what to measure when nothing arrives.",
    )
