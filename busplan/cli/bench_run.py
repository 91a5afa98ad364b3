"""Running a bench test for ``busplan bench``: from a capture, or listening live."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from datetime import datetime

    from busplan.bench.node_report import BenchLimits, SentFrame
    from busplan.bench.record import BenchRecord
    from busplan.findings import Finding
    from busplan.frames.table import FrameTable
    from busplan.live.asking import Question
    from busplan.live.interface_spec import InterfaceSpec
    from busplan.live.journal import Journal
    from busplan.plan.vehicle import Vehicle

TRANSMIT_CAUTION = (
    "Transmitting as asked. Requests can make a node act: keep hands, tools and people clear of "
    "everything it drives, and have the high-voltage side disconnected."
)
CLOCK_SLACK_NS = 1_000_000_000
"""How far an interface's time stamps may lie outside the test and still follow our clock."""


@dataclass(frozen=True)
class BenchTest:
    """One node on one network, with how exact it has to be."""

    vehicle: Vehicle
    node: str
    network: str
    limits: BenchLimits
    folder: Path | None
    """Where a live test leaves its log; ``None``: the current folder."""
    cache: bool = True
    """Whether reading a capture may use the store of captures read before."""

    def from_file(self, path: Path, channel: str | None) -> BenchRecord:
        """Judge a capture. With one channel, or a named one, that is the bench's network."""
        from busplan.capture.capture import apply_plan
        from busplan.cli.captures import open_capture
        from busplan.cli.output import print_findings
        from busplan.errors import UsageError

        read = open_capture([path], cache=self.cache)
        names = [c.name for c in read.channels]
        if channel is not None and channel not in names:
            raise UsageError(f"{path} has no channel {channel!r}; it has {', '.join(names)}")
        if channel is None and len(names) == 1:
            channel = names[0]
        if channel is not None:
            # Another channel may carry the network's name: nothing but the chosen one counts.
            table = read.frames.relabel({n: f"channel {n}" for n in names if n != channel})
            table, findings = table.relabel({channel: self.network}), read.findings
        elif not self.vehicle.networks[self.network].channels and self.network not in names:
            raise UsageError(
                f"{path} holds {len(names)} channels: say with --channel which is the bench's "
                f"({', '.join(names)})"
            )
        else:
            applied = apply_plan(read, self.vehicle)
            table, findings = applied.frames, applied.findings
        print_findings(findings, details=False, err=True)
        return self._judge(table, path, self.limits)

    def live(self, interface: str, seconds: float, asking: list[str] | None) -> BenchRecord:
        """Listen for a while; then, when the user said so, ask and wait for the answers.

        ``asking`` are the user's own questions; ``None``: nothing may be sent.
        """
        from busplan.capture.read import read_capture
        from busplan.cli.recording import Display, say_how_silent, stop_on_signals
        from busplan.frames.table import FrameTable
        from busplan.live.journal import Journal
        from busplan.live.log_writer import LogWriter
        from busplan.live.recorder import Recorder

        spec = self._spec(interface)
        questions = None if asking is None else self._questions(asking)
        start = _now()
        target = (self.folder or Path()) / f"bench-{self.node}-{start:%Y%m%d-%H%M%S}.log"
        _make_folder(target.parent)
        typer.echo(f"listening for {seconds:g} s into {target}", err=True)
        journal = Journal(target.with_name(target.name + ".journal"))
        with Display(self._cue()) as display:
            recorder = Recorder([spec], LogWriter(target), journal, on_status=display.update)
            recorder.open()
            say_how_silent(recorder)
            begin_ns = time.time_ns()
            with stop_on_signals() as stop:
                status = recorder.run(stop, seconds=seconds)
            end_ns = time.time_ns()
        table = FrameTable.empty([spec.network])
        if status.written:
            table = read_capture(target).frames
        limits = self._timed(table, begin_ns, end_ns)
        sent: tuple[SentFrame, ...] = ()
        findings: tuple[Finding, ...] = ()
        if questions is not None:
            sent, findings = self._ask(spec, questions, journal)
        return self._judge(table, target, limits, findings, sent, start)

    def _spec(self, interface: str) -> InterfaceSpec:
        from busplan.live.interface_spec import parse_single_interface

        where = self.vehicle.networks[self.network]
        return replace(
            parse_single_interface(interface, self.network),
            bit_rate=where.bit_rate,
            data_bit_rate=where.data_bit_rate,
        )

    def _cue(self) -> tuple[float, str] | None:
        """When to tell the tester to switch the node on [s]."""
        if not self.limits.power_on_ns:
            return None
        return self.limits.power_on_ns / 1e9, f"Switch {self.node} on NOW."

    def _timed(self, table: FrameTable, begin_ns: int, end_ns: int) -> BenchLimits:
        """The limits with power-on and end counted from the first frame.

        Interfaces whose time stamps do not follow this computer's clock leave both unknown.
        """
        first, last = table.origin_ns, table.origin_ns + table.span_ns
        if not len(table):
            return self.limits
        if not begin_ns - CLOCK_SLACK_NS <= first <= last <= end_ns + CLOCK_SLACK_NS:
            if self.limits.power_on_ns is not None:
                typer.echo(
                    "the interface has a clock of its own: start-up time not measured", err=True
                )
            return replace(self.limits, power_on_ns=None, start_within_ns=None)
        power_on = self.limits.power_on_ns
        return replace(
            self.limits,
            power_on_ns=None if power_on is None else begin_ns + power_on - first,
            end_ns=max(end_ns, last) - first,
        )

    def _questions(self, texts: list[str]) -> list[Question]:
        from busplan.live.asking import j1939_questions, own_address, parse_question

        own = [s.message for s in self.vehicle.on(self.network) if s.node == self.node]
        wanted = [parse_question(text) for text in texts]
        address = own_address(own)
        if address is not None:
            wanted += j1939_questions(own, address)
        return wanted

    def _ask(
        self, spec: InterfaceSpec, questions: list[Question], journal: Journal
    ) -> tuple[tuple[SentFrame, ...], tuple[Finding, ...]]:
        from busplan.bench.node_report import SentFrame
        from busplan.cli.output import print_text
        from busplan.live.asking import ANSWER_WITHIN_S, answer_findings, ask
        from busplan.live.interfaces import open_sender
        from busplan.live.journal import JournalKind

        if not questions:
            typer.echo("nothing to ask: this network has no J1939 layout; use --ask", err=True)
            return (), ()
        print_text(TRANSMIT_CAUTION, err=True)
        sender = open_sender(spec)
        answers = []
        try:
            for question in questions:
                journal.note(JournalKind.SENDING, frame=question.frame, purpose=question.name)
                answers.append(ask(sender, question, ANSWER_WITHIN_S))
                journal.note(JournalKind.ANSWER, after_s=answers[-1].after_s)
        finally:
            sender.close()
        sent = tuple(
            SentFrame(
                a.question.frame,
                a.question.name,
                None if a.after_s is None else round(a.after_s * 1e3, 3),
            )
            for a in answers
        )
        return sent, answer_findings(answers, spec.network, self.node, ANSWER_WITHIN_S)

    def _judge(
        self,
        table: FrameTable,
        file: Path,
        limits: BenchLimits,
        more: tuple[Finding, ...] = (),
        sent: tuple[SentFrame, ...] | None = None,
        date: datetime | None = None,
    ) -> BenchRecord:
        from busplan.bench.joining import joining_lines
        from busplan.bench.node_report import verdict_of
        from busplan.bench.prove import prove_node
        from busplan.bench.record import BenchRecord
        from busplan.findings import by_weight

        report = prove_node(table, self.vehicle, self.node, self.network, limits)
        findings = tuple(by_weight((*report.findings, *more)))
        report = replace(report, findings=findings, verdict=verdict_of(findings))
        return BenchRecord(
            report,
            date or _now(),
            tester="",
            serial="",
            capture=file.name,
            capture_sha256=_sha256(file),
            joining=joining_lines(self.vehicle, report),
            sent=sent,
        )


def _now() -> datetime:
    """The time of a record, in the zone of this computer."""
    from datetime import datetime

    return datetime.now().astimezone()


def _make_folder(folder: Path) -> None:
    from busplan.errors import UsageError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made: {error.strerror}") from error


def _sha256(path: Path) -> str:
    import hashlib

    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
