"""The record of a bench test: the report with who, when and what, as values and as a document."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from busplan.bench.evidence import hidden_share
from busplan.bench.node_report import UNPROVEN, BenchReport, MessageProof, SentFrame, verdict_of
from busplan.bench.power_cycles import cycle_lines
from busplan.bench.rhythm import DRIFT_GAPS
from busplan.findings import Finding, by_weight
from busplan.version import __version__
from busplan.wording import counted, listing, percent, plain

CAUTIONS = (
    "High voltage can kill. This record says what a node sent on one network during one test. It "
    "is no proof of safety, and replaces neither the maker's instructions nor local codes nor the "
    "judgement of a licensed person."
)


_IN_FILE_NAME = 24
"""Most characters of a name in a file name: systems hold 255 bytes, a character takes up to 4."""


def for_file(name: str) -> str:
    """A name as part of a file name."""
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in name)[:_IN_FILE_NAME]


@dataclass(frozen=True, slots=True)
class BenchRecord:
    """A report with who, when and what: enough to find the test again.

    What nobody stated stays empty and is shown so. ``capture_sha256`` is the hash of the recorded
    file. ``joining`` holds the lines that say what the node would do to its network, when that was
    worked out. ``sent`` is what busplan transmitted during a live test; ``None`` when it judged a
    file. ``acknowledged``: the adapter was told to give acknowledge bits. ``details`` is what the
    tester typed (hardware, firmware, supply, notes), ``photos`` are names of pictures and their
    SHA-256.
    """

    report: BenchReport
    date: datetime | None = None
    tester: str = ""
    serial: str = ""
    capture: str = ""
    capture_sha256: str = ""
    joining: tuple[str, ...] = ()
    sent: tuple[SentFrame, ...] | None = None
    acknowledged: bool = False
    details: tuple[tuple[str, str], ...] = ()
    photos: tuple[tuple[str, str], ...] = ()

    @property
    def stem(self) -> str:
        """File name without ending."""
        date = "" if self.date is None else f"{self.date:%Y%m%d-%H%M%S}"
        names = (for_file(name) for name in (self.report.node, self.serial))
        return "-".join(p for p in ("bench", *names, date) if p)

    def with_findings(self, more: Iterable[Finding]) -> BenchRecord:
        """The record with further findings, which are part of its verdict."""
        findings = tuple(by_weight((*self.report.findings, *more)))
        report = replace(self.report, findings=findings, verdict=verdict_of(findings))
        return replace(self, report=report)

    def as_dict(self) -> dict[str, Any]:
        """The report's document with who, when and what; see :meth:`BenchReport.as_dict`."""
        return {
            "date": None if self.date is None else self.date.isoformat(timespec="seconds"),
            "tester": self.tester,
            "serial": self.serial,
            "capture": self.capture,
            "capture_sha256": self.capture_sha256,
            **report_dict(self.report),
            "sent": None if self.sent is None else [asdict(s) for s in self.sent],
            "acknowledged": self.acknowledged,
            "details": [{"name": name, "text": text} for name, text in self.details],
            "photos": [{"name": name, "sha256": sha256} for name, sha256 in self.photos],
            "joining": list(self.joining),
        }

    def to_markdown(self) -> str:
        """The record as Markdown."""
        from busplan.bench.page import to_markdown

        return to_markdown(self)

    def to_html(self) -> str:
        """The record as one self-contained HTML page."""
        from busplan.bench.page import to_html

        return to_html(self)


def report_dict(report: BenchReport) -> dict[str, Any]:
    """What was found out, as plain values for JSON; times in the units their names end with."""
    limits = report.limits
    return {
        "busplan": __version__,
        "invented": report.invented,
        "node": report.node,
        "part": report.part,
        "maker": report.maker,
        "network": report.network,
        "verdict": report.verdict.value,
        "unproven": [f.summary for f in report.findings if f.code in UNPROVEN],
        "span_s": report.span_ns / 1e9,
        "frames": report.frames,
        "errors": report.errors,
        "start_up_s": None if report.start is None else report.start.most_ns / 1e9,
        "start_up_least_s": None if report.start is None else report.start.least_ns / 1e9,
        "power_on_known": None if report.start is None else report.start.known,
        "allowed": {
            "cycle_share": limits.cycle_tolerance,
            "gap_cycles": limits.gap_cycles,
            "jitter_cycles": limits.jitter_cycles,
            "quiet_cycles": limits.quiet_cycles,
            "hand_s": limits.hand_ns / 1e9,
            "start_s": None if limits.start_within_ns is None else limits.start_within_ns / 1e9,
        },
        "messages": [_message(m) for m in report.messages],
        "unknown": [
            {
                "identifier": u.label,
                "frames": u.frames,
                "lengths": list(u.lengths),
                "cycle_ms": None if u.cycle is None else u.cycle.median_ns / 1e6,
                "first_s": u.first_ns / 1e9,
            }
            for u in report.unknown
        ],
        "others": list(report.others),
        "identity": [{"name": name, "text": text} for name, text in report.identity],
        "definition_versions": list(report.versions),
        "power_cycles": None if report.starts is None else report.starts.as_dict(),
        "hand_faults": [f.as_dict() for f in report.faults],
        "findings": [f.as_dict() for f in report.findings],
        "cautions": CAUTIONS,
    }


def _message(proof: MessageProof) -> dict[str, Any]:
    cycle = proof.cycle
    return {
        "name": proof.message.name,
        "identifier": proof.message.label,
        "verdict": proof.verdict.value,
        "frames": proof.frames,
        "hidden_share": hidden_share(proof.frames),
        "drift_shown": proof.drift_shown,
        "stated_cycle_ms": None if proof.expected is None else proof.expected.ms,
        "stated_by": None if proof.expected is None else str(proof.expected.origin),
        "median_cycle_ms": None if cycle is None else cycle.median_ns / 1e6,
        "jitter_ms": None if cycle is None else cycle.jitter_ns / 1e6,
        "longest_gap_ms": None if cycle is None else cycle.longest_ns / 1e6,
        "defined_length": proof.message.length,
        "lengths": {str(k): v for k, v in proof.lengths.items()},
        "signals": [asdict(s) for s in proof.signals],
    }


def facts(record: BenchRecord) -> list[tuple[str, str]]:
    """Who, when, what: the head of the record."""
    report = record.report
    limits = report.limits
    start = (
        report.start.told
        if report.start is not None
        else "after each power-on, see power cycles"
        if limits.power_cycles
        else "not measured: the moment of power-on is not known"
        if limits.power_on_ns is None
        else "not measured: it was sending before power-on"
        if any(f.code == "on-before-power" for f in report.findings)
        else "none came after power-on"
    )
    date = record.date.isoformat(timespec="seconds", sep=" ") if record.date else "not stated"
    allowed = (
        f"median cycle time ±{percent(limits.cycle_tolerance, 0)}, "
        f"jitter {limits.jitter_cycles:g} cycles, gap {limits.gap_cycles:g} cycles"
    )
    if limits.start_within_ns is not None:
        allowed += f", first frame within {limits.start_within_ns / 1e9:g} s"
    return [
        ("node", f"{report.node} ({report.part}, {report.maker or 'maker not stated'})"),
        ("serial number", record.serial or "not stated"),
        *record.details,
        *((f"photograph {name}", f"SHA-256 {sha256}") for name, sha256 in record.photos),
        ("network", report.network),
        ("date", date),
        ("tester", record.tester or "not stated"),
        ("capture", record.capture or "not stated"),
        ("SHA-256", record.capture_sha256 or "not worked out"),
        (
            "span",
            f"{report.span_ns / 1e9:.3f} s, {counted(report.frames, 'frame')}, "
            f"{counted(report.errors, 'error')}",
        ),
        ("first frame", start),
        *([] if report.starts is None else cycle_lines(report.starts)),
        *((f"fault {f.kind}", f"{f.answer.value}: {f.words}") for f in report.faults),
        *((f"tells: {name}", text) for name, text in report.identity),
        *((("definition", f"version {listing(report.versions)}"),) if report.versions else ()),
        ("allowed", allowed),
        ("would have shown", _would_show(report)),
        *(() if record.sent is None else (("sent by busplan", _sent(record.sent)),)),
        *((("acknowledged", "by the adapter, as told"),) if record.acknowledged else ()),
        ("busplan", __version__),
    ]


def _would_show(report: BenchReport) -> str:
    """How rare a fault the test would have found, by the message with the fewest frames."""
    seen = [m for m in report.messages if m.frames]
    if not seen:
        return "nothing: no message came"
    least = min(seen, key=lambda m: m.frames)
    return (
        f"a fault in more than {percent(hidden_share(least.frames), 2)} of the frames of any "
        f"message that came, in 95 of 100 such tests (fewest: {counted(least.frames, 'frame')} of "
        f"{least.message.name}); {_would_show_drift(report, seen)}"
    )


def _would_show_drift(report: BenchReport, seen: Sequence[MessageProof]) -> str:
    """What a cycle that becomes slowly longer or shorter had to do to be seen."""
    shown = [m.drift_shown for m in seen if m.drift_shown is not None]
    if not shown:
        return f"no drift of a cycle: that takes {DRIFT_GAPS + 1} frames of a message"
    words = (
        f"a cycle that drifts by {percent(max(shown), 0)} within these "
        f"{plain(report.span_ns / 1e9, 3)} s; a slower drift takes a longer test"
    )
    short = [m.message for m in seen if m.drift_shown is None and m.expected is not None]
    named = listing(m.name for m in short if not m.event)
    return f"{words}; of {named} none, with too few frames for it" if named else words


def _sent(frames: tuple[SentFrame, ...]) -> str:
    return "; ".join(map(_sent_once, frames)) or "nothing"


def _sent_once(sent: SentFrame) -> str:
    often = "" if sent.times == 1 else f" {sent.times} times"
    if sent.fed:
        return f"{sent.frame}{often} ({sent.purpose})"
    text = f"{sent.frame}{often} ({sent.purpose}), "
    if sent.answer_ms is None:
        return text + "no answer"
    if sent.refused:
        return text + f"refused: {sent.refused}"
    counts = "" if sent.times == 1 else f" {sent.answered} times"
    bytes_told = f": {sent.answer}" if sent.answer else ""
    return text + f"answered{counts} after {sent.answer_ms:.1f} ms{bytes_told}"
