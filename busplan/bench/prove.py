"""A node's frames against its definition: what comes, how often, how long, with what in it.

The rules of this file: pure, from a frame table and a vehicle to a report. Only frames of the
node's own network count. Frames that the recording device sent itself are left out, and remote
frames, which ask for a message, are no frames of it. Messages that take several frames are put
together first.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busplan.bench.message import Listened, data_rows, prove_message
from busplan.bench.node_report import (
    BenchLimits,
    BenchReport,
    MessageProof,
    Unknown,
    verdict_of,
)
from busplan.definitions.model import Message
from busplan.errors import UsageError
from busplan.findings import Figure, Finding, Weight, Where, by_weight
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.kinds import ERROR, SENT
from busplan.frames.table import FrameTable
from busplan.plan.problems import suggestion
from busplan.plan.streams import placed
from busplan.plan.vehicle import Stream, Vehicle
from busplan.traffic.cycles import measured_cycle
from busplan.transport.messages import put_together
from busplan.transport.report import transport_findings
from busplan.wording import counted


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
    heard = _heard_on(table, network)
    messages = put_together(heard, vehicle)
    mine = messages.table()
    own = [s for s in vehicle.on(network) if s.node == node and s.via is None]
    times = _times_of(mine, own)
    end = origin + (table.span_ns if limits.end_ns is None else limits.end_ns)
    span = Listened(origin, end, int(times[-1]) if len(times) else end)
    unknown_names = sorted(set(limits.checksums) - {s.message.name for s in own})
    if unknown_names:
        raise UsageError(
            f"checksum told for {unknown_names[0]!r}, which {node} does not send on {network}; "
            f"it sends {', '.join(s.message.name for s in own)}"
        )
    proofs = tuple(prove_message(mine, s, span, limits) for s in own)
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
    findings = [f for proof in proofs for f in proof.findings]
    findings += [_unknown_finding(u, vehicle, network, node) for u in unknown]
    start_up = None
    if _on_before(times, own, origin, limits):
        findings.append(_on_before_finding(network, node, limits))
    else:
        start_up = _start_up(times, origin, limits)
        findings += _start_findings(start_up, network, node, limits)
    findings += transport_findings(messages.parts, origin)
    findings += _error_findings(len(errors), len(heard), network, node)
    after = _after_errors(times, own, mine.time_ns[errors], span, network, node, limits)
    findings += after
    if not len(times):
        findings.append(_silent(network, node, own))
    elif not any(f.weight is Weight.FAULT for f in after):
        findings += _stopped(proofs, span, network, node, limits)
    part = vehicle.nodes[node].part
    return BenchReport(
        node=node,
        part=part.name,
        maker=part.maker,
        network=network,
        span_ns=heard.span_ns,
        frames=len(heard) - len(errors),
        start_up_ns=start_up,
        errors=len(errors),
        messages=proofs,
        unknown=unknown,
        others=tuple(m.name for m in others.values()),
        findings=tuple(by_weight(findings)),
        verdict=verdict_of(tuple(findings)),
        limits=limits,
        invented=vehicle.invented,
    )


def network_of(vehicle: Vehicle, node: str, network: str | None) -> str:
    """The network on the bench; :class:`UsageError` when it cannot be told or does not exist."""
    if node not in vehicle.nodes:
        raise UsageError(f"the plan has no node {node!r}{suggestion(node, vehicle.nodes, 'node')}")
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


def _unknown(table: FrameTable, key: FrameKey, origin: int) -> Unknown:
    rows = table.groups[key]
    return Unknown(
        format_identifier(key.identifier, key.extended),
        len(rows),
        tuple(int(n) for n in np.unique(table.length[rows])),
        measured_cycle(table.time_ns[rows]),
        int(table.time_ns[rows[0]]) - origin,
    )


def _unknown_finding(unknown: Unknown, vehicle: Vehicle, network: str, node: str) -> Finding:
    owner = next(
        (s for s in vehicle.on(network) if s.node != node and s.message.label == unknown.label),
        None,
    )
    planned = "" if owner is None else f"; in the plan {owner.node} sends it"
    every = f", every {unknown.cycle.median_ns / 1e6:.4g} ms" if unknown.cycle else ""
    return Finding(
        "message-undefined",
        Weight.FAULT,
        Where(network, node, time_ns=unknown.first_ns),
        f"{unknown.label} is in no definition of this part "
        f"({counted(unknown.frames, 'frame')}{every})"
        f"{planned}",
        why="It takes room, may clash with another node's identifier, and nobody knows its "
        "meaning.",
        action="Ask the maker what it is; switch it off or add it to the definition."
        if owner is None
        else f"Take {owner.node} off the bench and test again: if it still comes, they clash.",
        figures=(Figure("frames", unknown.frames),),
    )


def _times_of(table: FrameTable, own: list[Stream]) -> I64:
    """When the node sent anything, in order."""
    times = [table.time_ns[data_rows(table, s.key)] for s in own]
    return np.sort(np.concatenate(times)) if times else np.empty(0, np.int64)


def _start_up(times: I64, origin: int, limits: BenchLimits) -> int | None:
    """Time from power-on to the node's first frame; ``None`` when either is not known."""
    if limits.power_on_ns is None:
        return None
    power_on = origin + limits.power_on_ns
    first = int(np.searchsorted(times, power_on))
    return int(times[first]) - power_on if first < len(times) else None


def _on_before(times: I64, own: list[Stream], origin: int, limits: BenchLimits) -> bool:
    """Whether the node was sending right up to power-on, so that it cannot have been off."""
    cycles = [s.cycle.ns for s in own if s.cycle]
    if limits.power_on_ns is None or not cycles:
        return False
    power_on = origin + limits.power_on_ns
    first = int(np.searchsorted(times, power_on))
    return first > 0 and power_on - int(times[first - 1]) <= limits.gap_cycles * min(cycles)


def _on_before_finding(network: str, node: str, limits: BenchLimits) -> Finding:
    return Finding(
        "on-before-power",
        Weight.CAUTION,
        Where(network, node, time_ns=limits.power_on_ns),
        f"{node} was sending before it is said to have got power: its start was not measured",
        why="A start-up time counted from a node that is on already means nothing.",
        action="Switch it off, start the test, and switch it on when you are told to.",
    )


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
            Where(network, node, time_ns=start_up + (limits.power_on_ns or 0)),
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


def _error_findings(errors: int, entries: int, network: str, node: str) -> list[Finding]:
    if not errors:
        return []
    many = 100 * errors > entries
    return [
        Finding(
            "bus-errors",
            Weight.CAUTION if many else Weight.NOTE,
            Where(network, node),
            f"{counted(errors, 'error frame')} among {entries} frames",
            why="A short, quiet bench pair has none; each one costs the time of a frame.",
            action="Look at bit rate, sample point, terminators and plugs; see busplan bench "
            "--wiring.",
            figures=(Figure("errors", errors), Figure("entries", entries)),
        )
    ]


def _after_errors(
    times: I64,
    own: list[Stream],
    error_ns: I64,
    span: Listened,
    network: str,
    node: str,
    limits: BenchLimits,
) -> list[Finding]:
    """Whether the node comes back after each bus error, and how soon.

    Errors before its first frame do not count: it may not have been switched on yet.
    """
    cycles = [s.cycle.ns for s in own if s.cycle is not None and not s.event]
    error_ns = error_ns[error_ns > times[0]] if len(times) else error_ns[:0]
    if not len(error_ns) or not cycles:
        return []
    allowed = round(limits.quiet_cycles * min(cycles))
    after = np.searchsorted(times, error_ns, side="right")
    back = np.append(times, span.end_ns)[after]
    quiet = back - error_ns
    worst = int(quiet.argmax())
    if int(quiet[worst]) <= allowed:
        return []
    returned = bool(after[worst] < len(times))
    return [
        Finding(
            "silent-after-error",
            Weight.CAUTION if returned else Weight.FAULT,
            Where(network, node, time_ns=int(error_ns[worst]) - span.begin_ns),
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


def _stopped(
    proofs: Sequence[MessageProof],
    span: Listened,
    network: str,
    node: str,
    limits: BenchLimits,
) -> list[Finding]:
    """Whether all of the node went silent before the end: switched off, or failed?"""
    cycles = [p.expected.ns for p in proofs if p.expected is not None and p.frames > 1]
    silence = span.end_ns - span.last_ns
    if not cycles or silence <= limits.gap_cycles * min(cycles):
        return []
    return [
        Finding(
            "stops-early",
            Weight.CAUTION,
            Where(network, node, time_ns=span.last_ns - span.begin_ns),
            f"its last frame came {silence / 1e9:.3g} s before the end",
            why="Unless somebody switched it off, it has failed during the test.",
            action="Repeat the test; watch its supply and its wake-up line.",
            figures=(Figure("silence", silence / 1e9, "s"),),
        )
    ]


def _silent(network: str, node: str, own: list[Stream]) -> Finding:
    return Finding(
        "node-silent",
        Weight.FAULT,
        Where(network, node),
        "its message never came" if len(own) == 1 else f"none of its {len(own)} messages came",
        why="There is nothing to judge.",
        action="See busplan bench --wiring for what to measure when nothing arrives.",
    )
