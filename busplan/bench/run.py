"""A bench test as its steps: which frames are the bench's, since when, and the record of it all.

The rules of this file: pure. Opening a capture, listening and asking are done by others, who hand
their results in: for a live node :func:`busplan.live.listening.test_live`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Self

from busplan.bench.expected import Heard, expected_findings, told_of_node
from busplan.bench.joining import joining_lines
from busplan.bench.node_report import NOTHING_ASKED, Asked, BenchLimits, SentFrame, verdict_of
from busplan.bench.prove import network_of, prove_node
from busplan.bench.record import BenchRecord
from busplan.bench.supply import supply_message
from busplan.bench.uptime import silent_once
from busplan.capture.capture import Capture, apply_plan
from busplan.definitions.model import Message
from busplan.errors import UsageError
from busplan.findings import Finding, Where, by_weight
from busplan.frames.table import FrameTable
from busplan.plan.expected import Expected
from busplan.plan.vehicle import Vehicle

CLOCK_SLACK_NS = 1_000_000_000
"""How far an interface's time stamps may lie outside the test and still follow our clock."""


@dataclass(frozen=True, slots=True)
class BenchTest:
    """One node of a vehicle on one network, with how exact it has to be."""

    vehicle: Vehicle
    node: str
    network: str
    limits: BenchLimits = field(default_factory=BenchLimits)

    @classmethod
    def of(
        cls,
        vehicle: Vehicle,
        node: str,
        network: str | None = None,
        limits: BenchLimits | None = None,
    ) -> Self:
        """A test of ``node``; ``network`` may be left out when it is on one network only.

        Raises :class:`UsageError` for an unknown node, network or supply signal.
        """
        on = network_of(vehicle, node, network)
        limits = limits or BenchLimits()
        if limits.supply is not None:
            supply_message(vehicle, node, on, limits.supply)
        return cls(vehicle, node, on, limits)

    @property
    def messages(self) -> tuple[Message, ...]:
        """What the node sends on its network."""
        return tuple(s.message for s in self.vehicle.on(self.network) if s.node == self.node)

    def of_bench(self, capture: Capture, channel: str | None = None) -> Capture:
        """The capture with the bench's channel under the network's name.

        ``channel`` is the bench's; it may be left out when there is only one, or when the plan
        gives the network a channel. Raises :class:`UsageError` when it cannot be told or is not
        there.
        """
        names = [c.name for c in capture.channels]
        files = ", ".join(source.path for source in capture.sources)
        if channel is not None and channel not in names:
            raise UsageError(f"{files} has no channel {channel!r}; it has {', '.join(names)}")
        if channel is None and len(names) == 1:
            channel = names[0]
        if channel is not None:
            # Another channel may carry the network's name: nothing but the chosen one counts.
            frames = capture.frames.relabel({n: f"channel {n}" for n in names if n != channel})
            told = (*capture.findings, *self.vehicle.cautions)
            return replace(capture, frames=frames.relabel({channel: self.network}), findings=told)
        if not self.vehicle.networks[self.network].channels and self.network not in names:
            raise UsageError(
                f"{files} holds {len(names)} channels: say with --channel which is the bench's "
                f"({', '.join(names)})"
            )
        return apply_plan(capture, self.vehicle)

    def concerning(self, told: Sequence[Finding]) -> tuple[Finding, ...]:
        """What of reading a capture and definitions concerns this node.

        Left out is what speaks of another network, or of a definition file the node has not.
        """
        files = {m.file for m in self.messages}
        others = {f.where.file for f in self.vehicle.findings} - files
        return tuple(
            f
            for f in told
            if f.where.network in (None, self.network) and f.where.file not in others - {None}
        )

    def limits_while(self, table: FrameTable, begin_ns: int, end_ns: int) -> BenchLimits | None:
        """The limits of listening from ``begin_ns`` to ``end_ns``, as this computer's clock counts.

        The test's power-on counts from ``begin_ns``, what was lost by that clock itself; in the
        result all count from the first frame of ``table``. ``None`` when the time stamps do not
        follow this computer's clock, so that neither is known.
        """
        if not len(table):
            return self.limits
        first, last = table.origin_ns, table.origin_ns + table.span_ns
        if not begin_ns - CLOCK_SLACK_NS <= first <= last <= end_ns + CLOCK_SLACK_NS:
            return None
        power_on = self.limits.power_on_ns
        return replace(
            self.limits,
            power_on_ns=None if power_on is None else begin_ns + power_on - first,
            begin_ns=min(begin_ns, first) - first,
            power_cycles=tuple(
                (begin_ns + off - first, begin_ns + on - first)
                for off, on in self.limits.power_cycles
            ),
            faults=tuple(s.moved(begin_ns - first) for s in self.limits.faults),
            lost=tuple((a - first, b - first, why) for a, b, why in self.limits.lost),
            end_ns=max(end_ns, last) - first,
        )

    def record(
        self,
        table: FrameTable,
        *,
        limits: BenchLimits | None = None,
        asked: Asked = NOTHING_ASKED,
        sent: tuple[SentFrame, ...] | None = None,
        more: Sequence[Finding] = (),
        read: Sequence[Finding] = (),
        date: datetime | None = None,
        acknowledged: bool = False,
        capture: str = "",
        capture_sha256: str = "",
        serial: str = "",
        tester: str = "",
    ) -> BenchRecord:
        """Judge the frames; ``table`` carries network names, as :meth:`of_bench` gives them.

        ``limits`` replace the test's own, where listening has moved them. ``asked`` is what came
        because busplan asked, ``sent`` what went
        out during a live test, ``None`` when a file is judged, and ``more`` what the answers amount
        to; ``read`` is what reading the capture had to tolerate, which with the definitions' own is
        part of the verdict. What is not stated stays empty in the record.
        """
        expected = self.vehicle.expected.get(self.node)
        answers = None if expected is None else expected.answers
        if answers is not None:
            asked = replace(asked, answers=asked.answers | {answers.key})
        report = prove_node(
            table, self.vehicle, self.node, self.network, limits or self.limits, asked
        )
        if expected is not None:
            more = (*more, *self._told(expected, table))
        told = self.concerning((*read, *(f for f in self.vehicle.cautions if f not in read)))
        findings = tuple(by_weight((*silent_once((*report.findings, *more)), *told)))
        report = replace(report, findings=findings, verdict=verdict_of(findings))
        return BenchRecord(
            report,
            date=date,
            tester=tester,
            serial=serial,
            capture=capture,
            capture_sha256=capture_sha256,
            joining=joining_lines(self.vehicle, report),
            sent=sent,
            acknowledged=acknowledged,
        )

    def _told(self, expected: Expected, table: FrameTable) -> Iterator[Finding]:
        """What it tells of itself on this network, against what the plan expects."""
        told = told_of_node(Heard(self.vehicle, table), expected.on(self.network))
        if told is not None:
            yield from expected_findings(told, Where(self.network))
