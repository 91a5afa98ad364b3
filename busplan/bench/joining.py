"""What a node, as measured on the bench, would do to the network it is meant for.

The rules of this file: pure. *Before* is the network without the node, *after* the same network
with what was really seen: measured cycle times and jitter, the longest payloads, and identifiers
that no definition knows.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from busplan.bench.node_report import BenchReport, MessageProof, Unknown
from busplan.checks import run_checks
from busplan.checks.planned_load import network_load
from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message, Origin, Stated
from busplan.findings import Finding, Weight
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.response import response_times
from busplan.traffic.cycles import MeasuredCycle
from busplan.wire.lengths import wire_length
from busplan.wording import percent


@dataclass(frozen=True, slots=True)
class Shift:
    """The proven response time [ns] of another node's message, before and after; ``None``: none."""

    stream: Stream
    before_ns: int | None
    after_ns: int | None
    deadline_ns: int | None

    @property
    def late(self) -> bool:
        """Whether the node pushes the message over its deadline."""
        if self.deadline_ns is None:
            return False
        in_time = self.before_ns is not None and self.before_ns <= self.deadline_ns
        return in_time and (self.after_ns is None or self.after_ns > self.deadline_ns)


@dataclass(frozen=True, slots=True)
class Joining:
    """Worst-case loads (fractions), new findings, and how much later the others arrive."""

    network: str
    limit: float
    load_before: float
    load_after: float
    findings: tuple[Finding, ...]
    shifts: tuple[Shift, ...]


def join(vehicle: Vehicle, report: BenchReport) -> Joining:
    """Put the node, as measured, on its network. Messages that never came count as defined."""
    network = report.network
    without = replace(vehicle, streams=tuple(s for s in vehicle.streams if not _own(s, report)))
    joined = as_measured(vehicle, report)
    before, after = response_times(without, network), response_times(joined, network)
    later = {r.stream.label: r.response_ns for r in after.responses}
    known = {_sense(f) for f in run_checks(without)}
    return Joining(
        network,
        vehicle.networks[network].load_limit,
        network_load(without, network).worst,
        network_load(joined, network).worst,
        tuple(
            f
            for f in run_checks(joined)
            if f.where.network == network and f.weight > Weight.NOTE and _sense(f) not in known
        ),
        tuple(
            Shift(
                r.stream,
                r.response_ns,
                later.get(r.stream.label),
                None if r.deadline is None else r.deadline.ns,
            )
            for r in before.responses
        ),
    )


def as_measured(vehicle: Vehicle, report: BenchReport) -> Vehicle:
    """The vehicle with the node as it was measured: its real cycles, jitter, lengths, strangers.

    An event's cycle is its shortest distance. Messages that never came stay as defined.
    """
    others = [s for s in vehicle.streams if not _own(s, report)]
    own = [_as_measured(s, report.messages) for s in vehicle.streams if _own(s, report)]
    fd = vehicle.networks[report.network].fd
    strangers = [_stranger(u, report, fd) for u in report.unknown]
    return replace(vehicle, streams=(*others, *own, *strangers))


def _own(stream: Stream, report: BenchReport) -> bool:
    return (stream.network, stream.node) == (report.network, report.node) and stream.own


def _as_measured(stream: Stream, proofs: Iterable[MessageProof]) -> Stream:
    proof = next((p for p in proofs if p.message.name == stream.message.name), None)
    if proof is None or not proof.frames:
        return stream
    longest = max(proof.lengths)
    message = stream.message
    if longest > message.length:
        message = replace(message, length=longest)
    return replace(_paced(stream, proof.cycle), message=message)


def _paced(stream: Stream, cycle: MeasuredCycle | None) -> Stream:
    """The stream with the measured period; an event's is its shortest distance."""
    if cycle is None or cycle.median_ns <= 0:
        return stream
    ns = cycle.shortest_ns if stream.event else cycle.median_ns
    period = Stated(max(ns, 1), Origin.MEASURED)
    jitter = 0 if stream.event else cycle.jitter_ns
    deadline = stream.deadline
    if deadline is not None and deadline == stream.cycle:
        deadline = period
    return replace(stream, cycle=period, deadline=deadline, jitter_ns=jitter)


def _stranger(unknown: Unknown, report: BenchReport, fd_network: bool) -> Stream:
    digits = unknown.label.removeprefix("0x")
    longest = max(unknown.lengths)
    extended = len(digits) > 3
    # Only a frame of a CAN FD network is longer than 8 bytes; else a J1939 session carried it.
    fd = fd_network and 8 < longest <= 64
    session = longest > 8 and not fd
    identifier = int(digits, 16)
    message = Message(
        f"unknown {unknown.label}",
        identifier,
        extended=extended,
        length=longest if session else wire_length(longest, fd=fd),
        fd=fd,
        j1939=split_identifier(identifier) if session and extended else None,
    )
    return _paced(Stream(report.network, report.node, message, None, None), unknown.cycle)


def _sense(finding: Finding) -> tuple[str, str | None, str | None, str | None]:
    """What makes two findings the same complaint, whatever the figures."""
    where = finding.where
    return finding.code, where.network, where.node, where.message


def joining_lines(vehicle: Vehicle, report: BenchReport, *, most: int = 5) -> tuple[str, ...]:
    """What joining means, as sentences; none when the node is alone in its plan or was not heard.

    What never came is named, because it counts as defined.
    """
    if not any(p.frames for p in report.messages):
        return ()
    if not any(s.network == report.network and s.node != report.node for s in vehicle.streams):
        return ()
    joining = join(vehicle, report)
    lines = [
        f"{joining.network} would go from {percent(joining.load_before)} to "
        f"{percent(joining.load_after)} worst-case load (limit {percent(joining.limit, 0)})"
    ]
    never = [p.message.name for p in report.messages if not p.frames]
    if never:
        lines.append(f"never came, so counted as defined: {', '.join(never)}")
    late = [s for s in joining.shifts if s.late]
    lines += [f"{s.stream.label} would miss its deadline: {_change(s)}" for s in late]
    moved = sorted((s for s in joining.shifts if not s.late), key=lambda s: -_growth(s))
    lines += [
        f"{s.stream.label} would arrive within {_change(s)}" for s in moved[:most] if _growth(s)
    ]
    lines += [f"new {f.weight.word} {f.code}: {f.summary}" for f in joining.findings]
    return tuple(lines)


def _growth(shift: Shift) -> int:
    if shift.before_ns is None or shift.after_ns is None:
        return 0
    return shift.after_ns - shift.before_ns


def _change(shift: Shift) -> str:
    before, after, deadline = (
        "no bound" if ns is None else f"{ns / 1e6:.2f} ms"
        for ns in (shift.before_ns, shift.after_ns, shift.deadline_ns)
    )
    return f"{after} instead of {before} (deadline {deadline})"
