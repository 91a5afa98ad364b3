"""The record of a bench test that goes into the file: JSON, Markdown and one HTML page."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import busplan
from busplan.bench.model import (
    ON_BEFORE,
    BenchReport,
    MessageProof,
    NodeVerdict,
    SentFrame,
    SignalProof,
)
from busplan.findings import summary_line
from busplan.wording import counted

CAUTIONS = (
    "High voltage can kill. This record says what a node sent on one network during one test. It "
    "is no proof of safety, and replaces neither the maker's instructions nor local codes nor the "
    "judgement of a licensed person."
)


@dataclass(frozen=True, slots=True)
class BenchRecord:
    """A report with who, when and what: enough to find the test again.

    ``capture_sha256`` is the hash of the recorded file. ``invented`` marks demo data. ``joining``
    holds the lines that say what the node would do to its network, when that was worked out.
    ``sent`` is what busplan transmitted during a live test; ``None`` when it judged a file.
    """

    report: BenchReport
    date: datetime
    tester: str
    serial: str
    capture: str
    capture_sha256: str
    invented: bool = False
    joining: tuple[str, ...] = ()
    sent: tuple[SentFrame, ...] | None = None

    @property
    def stem(self) -> str:
        """File name without ending."""
        serial = "".join(c if c.isalnum() or c in "-_" else "-" for c in self.serial)
        parts = ("bench", self.report.node, serial, self.date.strftime("%Y%m%d-%H%M%S"))
        return "-".join(p for p in parts if p)


def as_dict(record: BenchRecord) -> dict[str, Any]:
    """Plain values for JSON; times in the units their names end with."""
    report = record.report
    limits = report.limits
    return {
        "busplan": busplan.__version__,
        "date": record.date.isoformat(timespec="seconds"),
        "tester": record.tester,
        "serial": record.serial,
        "capture": record.capture,
        "capture_sha256": record.capture_sha256,
        "invented": record.invented,
        "node": report.node,
        "part": report.part,
        "maker": report.maker,
        "network": report.network,
        "verdict": report.verdict.value,
        "span_s": report.span_ns / 1e9,
        "frames": report.frames,
        "errors": report.errors,
        "start_up_s": None if report.start_up_ns is None else report.start_up_ns / 1e9,
        "allowed": {
            "cycle_share": limits.cycle_tolerance,
            "gap_cycles": limits.gap_cycles,
            "jitter_cycles": limits.jitter_cycles,
            "quiet_cycles": limits.quiet_cycles,
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
        "sent": None if record.sent is None else [asdict(s) for s in record.sent],
        "joining": list(record.joining),
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
        "stated_cycle_ms": None if proof.expected is None else proof.expected.ms,
        "stated_by": None if proof.expected is None else str(proof.expected.origin),
        "median_cycle_ms": None if cycle is None else cycle.median_ns / 1e6,
        "jitter_ms": None if cycle is None else cycle.jitter_ns / 1e6,
        "longest_gap_ms": None if cycle is None else cycle.longest_ns / 1e6,
        "defined_length": proof.message.length,
        "lengths": {str(k): v for k, v in proof.lengths.items()},
        "signals": [asdict(s) for s in proof.signals],
    }


def message_rows(report: BenchReport) -> list[list[str]]:
    """One row a message: name, identifier, frames, cycle stated and measured, lengths, verdict."""
    return [
        [
            m.message.name,
            m.message.label,
            str(m.frames),
            "-" if m.expected is None else f"{m.expected.ms:g}",
            "-" if m.cycle is None else f"{m.cycle.median_ns / 1e6:.4g}",
            "-" if m.cycle is None else f"{m.cycle.jitter_ns / 1e6:.2g}",
            "-" if m.cycle is None else f"{m.cycle.longest_ns / 1e6:.4g}",
            " ".join(f"{n}" if len(m.lengths) == 1 else f"{n}:{c}" for n, c in m.lengths.items()),
            m.verdict.value,
        ]
        for m in report.messages
    ]


MESSAGE_HEAD = (
    "message",
    "identifier",
    "frames",
    "stated ms",
    "median ms",
    "jitter ms",
    "gap ms",
    "bytes",
    "verdict",
)
MESSAGE_NUMBERS = frozenset(MESSAGE_HEAD[2:7])
SIGNAL_HEAD = ("message", "signal", "lowest", "highest", "unit", "outside", "role")
SIGNAL_NUMBERS = frozenset(("lowest", "highest", "outside"))


def signal_rows(report: BenchReport) -> list[list[str]]:
    """One row a signal: range seen, how often outside, what role it plays."""
    return [
        [
            m.message.name,
            s.name,
            _number(s.lowest),
            _number(s.highest),
            s.unit,
            str(s.out_of_range),
            _role(s),
        ]
        for m in report.messages
        for s in m.signals
    ]


def _number(value: float | int | None) -> str:
    if value is None:
        return "-"
    whole = float(value).is_integer() and abs(value) < 2**53
    return str(int(value)) if whole else f"{value:.6g}"


def _role(signal: SignalProof) -> str:
    words = f"{signal.role}: {signal.detail}" if signal.detail else signal.role
    return f"{words}, constant" if signal.constant else words


def facts(record: BenchRecord) -> list[tuple[str, str]]:
    """Who, when, what: the head of the record."""
    report = record.report
    limits = report.limits
    start = (
        "not measured: the moment of power-on was not told"
        if limits.power_on_ns is None
        else "not measured: it was sending before power-on"
        if any(f.code == ON_BEFORE for f in report.findings)
        else "none came"
        if report.start_up_ns is None
        else f"{report.start_up_ns / 1e9:.3f} s after power-on"
    )
    allowed = (
        f"median cycle time ±{limits.cycle_tolerance:.0%}, jitter {limits.jitter_cycles:g} cycles, "
        f"gap {limits.gap_cycles:g} cycles"
    )
    if limits.start_within_ns is not None:
        allowed += f", first frame within {limits.start_within_ns / 1e9:g} s"
    return [
        ("node", f"{report.node} ({report.part}, {report.maker or 'maker not stated'})"),
        ("serial number", record.serial or "not stated"),
        ("network", report.network),
        ("date", record.date.isoformat(timespec="seconds", sep=" ")),
        ("tester", record.tester or "not stated"),
        ("capture", record.capture),
        ("SHA-256", record.capture_sha256),
        (
            "span",
            f"{report.span_ns / 1e9:.3f} s, {counted(report.frames, 'frame')}, "
            f"{counted(report.errors, 'error')}",
        ),
        ("first frame", start),
        ("allowed", allowed),
        *(() if record.sent is None else (("sent by busplan", _sent(record.sent)),)),
        ("busplan", busplan.__version__),
    ]


def _sent(frames: tuple[SentFrame, ...]) -> str:
    return (
        "; ".join(
            f"{s.frame} ({s.purpose}), "
            + ("no answer" if s.answer_ms is None else f"answered after {s.answer_ms:.1f} ms")
            for s in frames
        )
        or "nothing"
    )


def headline(record: BenchRecord) -> str:
    """The verdict in one sentence."""
    words = {
        NodeVerdict.PASS: "pass: it sends what its definition says",
        NodeVerdict.DOUBTFUL: "doubtful: a person has to look at the cautions",
        NodeVerdict.FAIL: "fail: it differs from its definition",
        NodeVerdict.NOT_JUDGED: "not judged: nothing came",
    }
    return f"{record.report.node}: {words[record.report.verdict]}"


def counts(record: BenchRecord) -> str:
    """How many faults, cautions and notes; messages that nothing was found against."""
    report = record.report
    passed = sum(m.verdict is NodeVerdict.PASS for m in report.messages)
    return f"{summary_line(report.findings)}; {passed} of {len(report.messages)} messages pass"


def to_markdown(record: BenchRecord) -> str:
    """The record as Markdown."""
    lines = [f"# Bench record: {headline(record)}", ""]
    if record.invented:
        lines += ["*Invented demo data: no real part stands behind this record.*", ""]
    lines += [f"{counts(record)}.", "", f"> {CAUTIONS}", ""]
    lines += [f"- {name}: {_plain(value)}" for name, value in facts(record)]
    lines += ["", "## Findings", ""]
    lines += [
        f"- **{f.weight.word}** `{f.code}` {_plain(str(f.where))}: {_plain(f.summary)}"
        for f in record.report.findings
    ] or ["- none"]
    lines += ["", "## Messages", "", *_grid(MESSAGE_HEAD, message_rows(record.report))]
    lines += ["", "## Signals", "", *_grid(SIGNAL_HEAD, signal_rows(record.report))]
    if record.joining:
        lines += ["", "## On its network", "", *(f"- {_plain(t)}" for t in record.joining)]
    return "\n".join(lines) + "\n"


def _plain(text: str) -> str:
    """Text that Markdown shows as it is."""
    return "".join("\\" + c if c in "\\`*_{}[]<>|#" else c for c in text)


def _grid(head: tuple[str, ...], rows: list[list[str]]) -> list[str]:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    return lines + ["| " + " | ".join(map(_plain, row)) + " |" for row in rows]


_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Bench record: {{ record.report.node }}</title>
<style>
body { font: 16px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 62rem; padding: 0 1rem;
  color: #1b1b1b; background: #fff; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2rem; }
.verdict { border-left: .5rem solid; padding: .5rem 1rem; background: #f4f4f4; }
.pass { border-color: #0072b2; } .doubtful { border-color: #e69f00; }
.fail { border-color: #d55e00; }
.caution { border: 2px solid #1b1b1b; padding: .5rem 1rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: .9rem; }
th, td { text-align: left; padding: .2rem .6rem; border-bottom: 1px solid #ccc; }
th.n, td.n { text-align: right; font-variant-numeric: tabular-nums; }
dl { display: grid; grid-template-columns: minmax(6rem, 10rem) 1fr; gap: .1rem .8rem; }
dt { color: #555; } dd { margin: 0; } dd, li { overflow-wrap: anywhere; }
li { margin-bottom: .4rem; }
li, tr { break-inside: avoid; }
@media print { body { margin: 0; max-width: none; } }
</style>
</head>
<body>
<h1>Bench record</h1>
{% if record.invented %}<p><em>Invented demo data: no real part stands behind this record.</em></p>
{% endif %}<p class="verdict {{ record.report.verdict.value }}"><strong>{{ headline }}</strong><br>
{{ counts }}</p>
<p class="caution">{{ cautions }}</p>
<dl>{% for name, value in facts %}<dt>{{ name }}</dt><dd>{{ value }}</dd>
{% endfor %}</dl>
<h2>Findings</h2>
{% if not record.report.findings %}<p>None.</p>{% endif %}
<ul>{% for f in record.report.findings %}<li><strong>{{ f.weight.word }}</strong>
<code>{{ f.code }}</code> {{ f.where }}: {{ f.summary }}.
{% if f.why %}{{ f.why }}{% endif %} {% if f.action %}<em>{{ f.action }}</em>{% endif %}</li>
{% endfor %}</ul>
{% for title, head, rows, numbers in grids %}<h2>{{ title }}</h2>
<div class="wide"><table><tr>
{% for h in head %}<th{% if h in numbers %} class="n"{% endif %}>{{ h }}</th>{% endfor %}</tr>
{% for row in rows %}<tr>
{% for cell in row %}<td{% if head[loop.index0] in numbers %} class="n"{% endif %}>{{ cell }}</td>
{% endfor %}</tr>
{% endfor %}</table></div>
{% endfor %}{% if record.joining %}<h2>On its network</h2>
<ul>{% for line in record.joining %}<li>{{ line }}</li>
{% endfor %}</ul>{% endif %}
</body>
</html>
"""


def to_html(record: BenchRecord) -> str:
    """The record as one self-contained HTML page."""
    from jinja2 import Environment

    page = Environment(autoescape=True).from_string(_PAGE)
    return page.render(
        record=record,
        headline=headline(record),
        counts=counts(record),
        cautions=CAUTIONS,
        facts=facts(record),
        grids=(
            ("Messages", MESSAGE_HEAD, message_rows(record.report), MESSAGE_NUMBERS),
            ("Signals", SIGNAL_HEAD, signal_rows(record.report), SIGNAL_NUMBERS),
        ),
    )
