"""A batch of bench records as rows of tables and as one page of HTML."""

from __future__ import annotations

from busplan.bench.batch import Batch
from busplan.bench.record import CAUTIONS
from busplan.wording import disarmed, plain

RECORD_HEAD = ("serial", "node", "date", "verdict", "faults", "cautions")
SPREAD_HEAD = ("figure", "parts", "least", "middle", "most", "unit", "stand out")

_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Bench records side by side</title>
<style>
body { font: 16px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 62rem; padding: 0 1rem;
  color: #1b1b1b; background: #fff; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.15rem; margin-top: 2rem; }
.caution { border: 2px solid #1b1b1b; padding: .5rem 1rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: .9rem; }
th, td { text-align: left; padding: .2rem .6rem; border-bottom: 1px solid #ccc; }
li, td { overflow-wrap: anywhere; }
tr, li { break-inside: avoid; }
</style>
</head>
<body>
<h1>Bench records side by side</h1>
<p><strong>{{ batch.headline }}</strong></p>
<p class="caution">{{ cautions }}</p>
{% for title, head, rows in grids %}<h2>{{ title }}</h2>
<div class="wide"><table><tr>{% for h in head %}<th>{{ h }}</th>{% endfor %}</tr>
{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</table></div>
{% endfor %}<h2>Findings</h2>
<ul>{% for f in batch.findings %}<li><strong>{{ f.weight.word }}</strong> <code>{{ f.code }}</code>
{{ f.summary }}. {{ f.why }} <em>{{ f.action }}</em></li>
{% endfor %}</ul>
{% if batch.odd %}<p>No records: {% for name in batch.odd %}{{ name }} {% endfor %}</p>{% endif %}
</body>
</html>
"""


def record_rows(batch: Batch) -> list[list[str]]:
    """Serial number, node, date, verdict, faults and cautions of each record."""
    return [
        [r.serial or "-", r.node, r.date, r.verdict, str(r.faults), str(r.cautions)]
        for r in batch.rows
    ]


def spread_rows(batch: Batch) -> list[list[str]]:
    """Each figure with how many parts have it, least, middle and most, and who stands out."""
    return [
        [
            s.what,
            str(s.parts),
            plain(s.least),
            plain(s.middle),
            plain(s.most),
            s.unit,
            ", ".join(s.outliers) or "-",
        ]
        for s in batch.spreads
    ]


def _harmless(value: object) -> str:
    return disarmed(str(value))


def batch_html(batch: Batch) -> str:
    """One self-contained page."""
    from jinja2 import Environment

    page = Environment(autoescape=True, finalize=_harmless).from_string(_PAGE)
    return page.render(
        batch=batch,
        cautions=CAUTIONS,
        grids=(
            ("Records", RECORD_HEAD, record_rows(batch)),
            ("Spreads", SPREAD_HEAD, spread_rows(batch)),
        ),
    )
