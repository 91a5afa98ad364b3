"""The record of a bench test as text that people keep: Markdown, and one page of HTML."""

from __future__ import annotations

from busplan.bench.record import CAUTIONS, BenchRecord, facts
from busplan.bench.report_tables import (
    MESSAGE_HEAD,
    MESSAGE_NUMBERS,
    SIGNAL_HEAD,
    SIGNAL_NUMBERS,
    message_rows,
    signal_rows,
)
from busplan.wording import disarmed


def to_markdown(record: BenchRecord) -> str:
    """The record as Markdown."""
    lines = [f"# Bench record: {plain(record.report.headline)}", ""]
    if record.report.invented:
        lines += ["*Invented demo data: no real part stands behind this record.*", ""]
    lines += [f"{record.report.counts}.", "", f"> {CAUTIONS}", ""]
    lines += [f"- {name}: {plain(value)}" for name, value in facts(record)]
    lines += ["", "## Findings", ""]
    lines += [
        f"- **{f.weight.word}** `{f.code}` {plain(str(f.where))}: {plain(f.summary)}"
        for f in record.report.findings
    ] or ["- none"]
    lines += ["", "## Messages", "", *grid(MESSAGE_HEAD, message_rows(record.report))]
    lines += ["", "## Signals", "", *grid(SIGNAL_HEAD, signal_rows(record.report))]
    if record.joining:
        lines += ["", "## On its network", "", *(f"- {plain(t)}" for t in record.joining)]
    return "\n".join(lines) + "\n"


def plain(text: str) -> str:
    """Text as one line that Markdown shows as it is."""
    return "".join("\\" + c if c in "\\`*_{}[]<>|#&~!$" else c for c in disarmed(text))


def grid(head: tuple[str, ...], rows: list[list[str]]) -> list[str]:
    """A table of Markdown, line by line."""
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    return lines + ["| " + " | ".join(map(plain, row)) + " |" for row in rows]


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
.pass { border-color: #0072b2; } .doubtful, .not { border-color: #e69f00; }
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
{% if invented %}<p><em>Invented demo data: no real part stands behind this record.</em></p>
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


def _harmless(value: object) -> str:
    return disarmed(str(value))


def to_html(record: BenchRecord) -> str:
    """The record as one self-contained HTML page."""
    from jinja2 import Environment

    page = Environment(autoescape=True, finalize=_harmless).from_string(_PAGE)
    return page.render(
        record=record,
        invented=record.report.invented,
        headline=record.report.headline,
        counts=record.report.counts,
        cautions=CAUTIONS,
        facts=facts(record),
        grids=(
            ("Messages", MESSAGE_HEAD, message_rows(record.report), MESSAGE_NUMBERS),
            ("Signals", SIGNAL_HEAD, signal_rows(record.report), SIGNAL_NUMBERS),
        ),
    )
