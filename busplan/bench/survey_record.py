"""The record of a part without a definition: what it sends, on paper.

The rules of this file: values and pages only. Nothing of it is a verdict: without a definition
there is nothing to hold the part against.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from busplan.bench.page import grid, plain
from busplan.bench.record import CAUTIONS, for_file
from busplan.traffic.survey import SurveyedIdentifier
from busplan.traffic.survey_report import Survey
from busplan.version import __version__
from busplan.wording import counted, disarmed
from busplan.wording import plain as plain_number

HEAD = ("identifier", "frames", "bytes", "period ms", "likely")


@dataclass(frozen=True, eq=False)
class SurveyRecord:
    """A survey with who, when and what; ``draft`` is the name of the draft definition's file."""

    node: str
    survey: Survey
    span_s: float
    bit_rate: int
    date: datetime | None = None
    tester: str = ""
    serial: str = ""
    capture: str = ""
    capture_sha256: str = ""
    details: tuple[tuple[str, str], ...] = ()
    photos: tuple[tuple[str, str], ...] = ()
    identity: tuple[tuple[str, str], ...] = ()
    draft: str = ""

    @property
    def stem(self) -> str:
        """File name without ending."""
        date = "" if self.date is None else f"{self.date:%Y%m%d-%H%M%S}"
        names = (for_file(self.node), for_file(self.serial), date)
        return "-".join(p for p in ("survey", *names) if p)

    @property
    def headline(self) -> str:
        """What was seen, in one sentence."""
        found = counted(len(self.survey.identifiers), "identifier")
        return f"{self.node}: {found} in {self.span_s:.1f} s, no definition to hold them against"

    @property
    def facts(self) -> list[tuple[str, str]]:
        """Who, when, what."""
        date = self.date.isoformat(timespec="seconds", sep=" ") if self.date else "not stated"
        return [
            ("node", self.node),
            ("serial number", self.serial or "not stated"),
            *self.details,
            *((f"photograph {name}", f"SHA-256 {sha256}") for name, sha256 in self.photos),
            ("date", date),
            ("tester", self.tester or "not stated"),
            ("bit rate", f"{self.bit_rate} bit/s"),
            ("capture", self.capture or "not stated"),
            ("SHA-256", self.capture_sha256 or "not worked out"),
            *((f"tells: {name}", text) for name, text in self.identity),
            ("draft", self.draft or "not kept"),
            ("busplan", __version__),
        ]

    @property
    def rows(self) -> list[list[str]]:
        """One row an identifier."""
        return [_row(s) for s in (*self.survey.identifiers, *self.survey.messages)]

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "busplan": __version__,
            "node": self.node,
            "serial": self.serial,
            "tester": self.tester,
            "date": None if self.date is None else self.date.isoformat(timespec="seconds"),
            "bit_rate": self.bit_rate,
            "span_s": self.span_s,
            "capture": self.capture,
            "capture_sha256": self.capture_sha256,
            "details": [{"name": n, "text": t} for n, t in self.details],
            "photos": [{"name": n, "sha256": h} for n, h in self.photos],
            "identity": [{"name": n, "text": t} for n, t in self.identity],
            "draft": self.draft,
            "survey": self.survey.as_dict(),
            "cautions": CAUTIONS,
        }

    def to_markdown(self) -> str:
        """The record as Markdown."""
        lines = [f"# Survey of a part: {plain(self.headline)}", "", f"> {CAUTIONS}", ""]
        lines += [f"- {name}: {plain(value)}" for name, value in self.facts]
        lines += ["", "## What it sends", "", *grid(HEAD, self.rows)]
        return "\n".join(lines) + "\n"

    def to_html(self) -> str:
        """One self-contained page."""
        from jinja2 import Environment

        def harmless(value: object) -> str:
            return disarmed(str(value))

        page = Environment(autoescape=True, finalize=harmless).from_string(_PAGE)
        return page.render(record=self, cautions=CAUTIONS, head=HEAD)


def _row(one: SurveyedIdentifier) -> list[str]:
    return [
        one.label,
        str(one.frames),
        " ".join(map(str, one.lengths)),
        "-" if one.cycle is None else plain_number(one.cycle.median_ns / 1e6),
        "; ".join(one.likely) or "-",
    ]


_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Survey of a part: {{ record.node }}</title>
<style>
body { font: 16px/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 62rem; padding: 0 1rem;
  color: #1b1b1b; background: #fff; }
.caution { border: 2px solid #1b1b1b; padding: .5rem 1rem; }
table { border-collapse: collapse; font-size: .9rem; }
th, td { text-align: left; padding: .2rem .6rem; border-bottom: 1px solid #ccc; }
td, dd { overflow-wrap: anywhere; } tr { break-inside: avoid; }
dl { display: grid; grid-template-columns: minmax(6rem, 10rem) 1fr; gap: .1rem .8rem; }
dt { color: #555; } dd { margin: 0; }
</style>
</head>
<body>
<h1>Survey of a part</h1>
<p><strong>{{ record.headline }}</strong></p>
<p class="caution">{{ cautions }}</p>
<dl>{% for name, value in record.facts %}<dt>{{ name }}</dt><dd>{{ value }}</dd>
{% endfor %}</dl>
<h2>What it sends</h2>
<table><tr>{% for h in head %}<th>{{ h }}</th>{% endfor %}</tr>
{% for row in record.rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</table>
</body>
</html>
"""
