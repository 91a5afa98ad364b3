"""A node's frames against its definition: what comes, how often, how long, with what in it.

The rules of this file: pure, from a frame table and a vehicle to a report. Only frames of the
node's own network count. Frames that the recording device sent itself are left out, and remote
frames, which ask for a message, are no frames of it. Messages that take several frames are put
together first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busplan.bench.claims import Starts, not_claimed_again
from busplan.bench.fault_outcomes import (
    end_outside,
    fault_findings,
    fault_outcomes,
    fault_pauses,
    near_fault,
    outside_faults,
)
from busplan.bench.inputs import awaited, input_findings
from busplan.bench.losses import lost_findings, lost_pauses
from busplan.bench.message import data_rows, prove_message
from busplan.bench.node_report import (
    NOTHING_ASKED,
    Asked,
    BenchLimits,
    BenchReport,
    NodeVerdict,
    Unknown,
    verdict_of,
)
from busplan.bench.one_clock import one_clock
from busplan.bench.pack_values import with_pack_values
from busplan.bench.power_cycles import expected_pauses, power_cycles, start_findings_of
from busplan.bench.protocol import identified, own_groups
from busplan.bench.restarts import find_interruptions, interruption_findings, sure_restarts
from busplan.bench.rhythm import Listened
from busplan.bench.signals import told_by_signals
from busplan.bench.supply import supply_values
from busplan.bench.unacknowledged import unacknowledged
from busplan.bench.uptime import (
    after_errors,
    error_findings,
    first_of,
    first_start,
    on_before,
    on_before_finding,
    silent_finding,
    start_findings,
    start_not_shown,
    start_up_of,
    stopped,
)
from busplan.bench.versions import version_findings
from busplan.bench.why_it_differs import NEVER_CAME, explain
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
from busplan.wording import counted, plain


def prove_node(
    table: FrameTable,
    vehicle: Vehicle,
    node: str,
    network: str | None = None,
    limits: BenchLimits | None = None,
    asked: Asked = NOTHING_ASKED,
) -> BenchReport:
    """Hold what a node sent against what its definitions say.

    ``table`` carries network names. ``network`` may be left out when the node is on one network
    only. ``asked`` is what came because busplan asked. Raises :class:`UsageError` for an unknown
    node or network.
    """
    limits = limits or BenchLimits()
    network = network_of(vehicle, node, network)
    here = Where(network, node)
    table, limits, set_back = one_clock(table, network, limits, here)
    origin = table.origin_ns
    all_heard = _heard_on(table, network)
    by_hand = fault_pauses(limits.faults, origin)
    heard = outside_faults(all_heard, by_hand)
    messages = put_together(heard, vehicle)
    mine = messages.table()
    own = [_as_asked(s, asked) for s in vehicle.on(network) if s.node == node and s.own]
    times = _times_of(mine, own)
    end = origin + (table.span_ns if limits.end_ns is None else limits.end_ns)
    interrupted = find_interruptions(mine, own, times, limits)
    last = int(times[-1]) if len(times) else end
    lost = lost_pauses(limits, origin)
    apart = (*by_hand, *lost)
    undisturbed = end_outside(end, apart)
    pauses = tuple(i.pause for i in interrupted)
    span = Listened(
        origin, undisturbed, last, (*pauses, *apart), *first_of(times, own, origin, limits)
    )
    switched = set(expected_pauses(pauses, limits, origin, apart))
    interrupted = tuple(i for i in interrupted if i.pause not in switched)
    begun = Starts(
        first_start(times, own, origin, limits),
        (*sure_restarts(interrupted), *expected_pauses(pauses, limits, origin, ())),
        apart,
        limits.begin_ns is not None,
    )
    supply = supply_values(all_heard, vehicle, node, network, limits.supply)
    starts = power_cycles(mine, own, times, supply, limits, origin)
    unknown_names = sorted(set(limits.checksums) - {s.message.name for s in own})
    if unknown_names:
        raise UsageError(
            f"checksum told for {unknown_names[0]!r}, which {node} does not send on {network}; "
            f"it sends {', '.join(s.message.name for s in own)}"
        )
    proofs = with_pack_values(
        [prove_message(mine, s, span, limits) for s in own], own, heard, vehicle, origin
    )
    protocol = own_groups(mine, table, own, (origin, origin + min(limits.begin_ns or 0, 0)))
    own_keys = {s.key for s in own}
    known = _of_nodes_heard(mine, vehicle, node, network)
    known |= _known_messages(vehicle, node, network)
    settled = own_keys | protocol.keys | asked.answers
    strange = [k for k in mine.groups if not (k in known or k in settled)]
    others = {key: known[key] for key in mine.groups if key in known and key not in own_keys}
    unknown = tuple(_unknown(mine, key, origin) for key in strange)
    its = {k for k in strange if not others or _from_its_address(k, own)}
    errors = np.flatnonzero((mine.flags & ERROR) != 0)
    why = explain(mine, proofs, own, strange, span, limits, len(its))
    findings = why.left(proofs)
    findings += [
        _unknown_finding(u, vehicle, network, node, 0 if k in its else len(others))
        for k, u in zip(strange, unknown, strict=True)
        if k not in why.keys
    ]
    findings += protocol.findings
    findings += not_claimed_again(mine, own, begun, protocol.findings, here, origin)
    findings += input_findings(awaited(_on(table, network), vehicle, node, network), node, network)
    findings += [identified(here, name, text) for name, text in asked.told]
    findings += interruption_findings(interrupted, mine.time_ns[errors], here, origin)
    if starts is not None:
        findings += start_findings_of(starts, own, here, limits)
    start = None
    if on_before(times, own, origin, limits):
        findings.append(on_before_finding(network, node, limits))
    else:
        start = start_up_of(heard, own, times, supply, origin, limits)
        findings += start_findings(start, here, limits)
        findings += start_not_shown(start, times, here, limits)
    findings += [
        f
        for f in transport_findings(messages.parts, origin)
        if not near_fault(f.where.time_ns, apart, origin)
    ]
    findings += (*set_back, *lost_findings(limits, here))
    faults = fault_outcomes(all_heard, own, supply, limits, origin, end)
    findings += fault_findings(faults, here)
    findings += error_findings(len(errors), len(heard), network, node)
    after = after_errors(times, own, mine.time_ns[errors], span, network, node, limits)
    findings += after
    if not len(times) and not why.messages:
        findings = [f for f in findings if f.code not in NEVER_CAME]
        came = [s for s in vehicle.on(network) if s.key in others and s.node != node]
        asks = sum(len(mine.groups.get(s.key, ())) for s in own)  # not one carries its message
        findings.append(silent_finding(network, node, own, came, asks))
    elif len(times) and not any(f.weight is Weight.FAULT for f in after):
        findings += stopped(proofs, own, span, network, node, limits)
    identity = (
        *((t.name, t.text) for t in protocol.told),
        *asked.told,
        *(one for p, s in zip(proofs, own, strict=True) for one in told_by_signals(p, s)),
    )
    versions = vehicle.nodes[node].on[network].versions
    findings += version_findings(identity, versions, here)
    part = vehicle.nodes[node].part
    report = BenchReport(
        node=node,
        part=part.name,
        maker=part.maker,
        network=network,
        span_ns=heard.span_ns,
        frames=len(heard) - len(errors),
        start=start,
        errors=len(errors),
        messages=proofs,
        unknown=unknown,
        others=tuple(m.name for m in others.values()),
        identity=identity,
        versions=versions,
        findings=tuple(by_weight(findings)),
        starts=starts,
        faults=faults,
        verdict=verdict_of(tuple(findings)),
        limits=limits,
        invented=vehicle.invented,
    )
    alone = unacknowledged(heard, vehicle.networks[network])
    return report if alone is None else _withheld(report, replace(alone, where=here))


def _withheld(report: BenchReport, alone: Finding) -> BenchReport:
    """The report of a test that has not begun, because nobody acknowledges the node."""
    return replace(
        report,
        messages=tuple(
            replace(m, findings=(), verdict=NodeVerdict.NOT_PROVEN) for m in report.messages
        ),
        unknown=(),
        findings=(alone,),
        verdict=verdict_of((alone,)),
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


def _as_asked(stream: Stream, asked: Asked) -> Stream:
    """A message that was asked for is sent on an event: whoever asks sets its rate."""
    return replace(stream, event=True) if stream.message.name in asked.messages else stream


def _on(table: FrameTable, network: str) -> FrameTable:
    """The frames of one network, busplan's own included."""
    number = table.networks.index(network) if network in table.networks else -1
    return table.take(np.flatnonzero(table.network == number))


def _heard_on(table: FrameTable, network: str) -> FrameTable:
    """The frames of one network that others sent."""
    mine = _on(table, network)
    return mine.take(np.flatnonzero((mine.flags & SENT) == 0))


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
        if stream.node != node or not stream.own:
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


def _from_its_address(key: FrameKey, own: Sequence[Stream]) -> bool:
    """Whether an identifier carries the J1939 source address that the node sends from."""
    addresses = {s.key.identifier & 0xFF for s in own if s.message.j1939 is not None}
    return key.extended and key.identifier & 0xFF in addresses


def _unknown_finding(
    unknown: Unknown, vehicle: Vehicle, network: str, node: str, others: int
) -> Finding:
    """An identifier nobody defines; where ``others`` are heard it may be one of theirs."""
    owner = next(
        (s for s in vehicle.on(network) if s.node != node and s.message.label == unknown.label),
        None,
    )
    planned = "" if owner is None else f"; in the plan {owner.node} sends it"
    every = f", every {plain(unknown.cycle.median_ns / 1e6)} ms" if unknown.cycle else ""
    action = "Ask the maker what it is; switch it off or add it to the definition."
    if owner is not None:
        action = f"Take {owner.node} off the bench and test again: if it still comes, they clash."
    elif others:
        planned = f"; {counted(others, 'message')} of other nodes came, too, so another may send it"
        action = f"Test {node} alone: if it still comes, ask the maker what it is."
    return Finding(
        "message-undefined",
        Weight.CAUTION if others else Weight.FAULT,
        Where(network, node, time_ns=unknown.first_ns),
        f"{unknown.label} is in no definition of this part "
        f"({counted(unknown.frames, 'frame')}{every})"
        f"{planned}",
        why="It takes room, may clash with another node's identifier, and nobody knows its "
        "meaning.",
        action=action,
        figures=(Figure("frames", unknown.frames),),
    )


def _times_of(table: FrameTable, own: list[Stream]) -> I64:
    """When the node sent anything, in order."""
    times = [table.time_ns[data_rows(table, s.key)] for s in own]
    return np.sort(np.concatenate(times)) if times else np.empty(0, np.int64)
