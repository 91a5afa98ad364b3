"""The report as one HTML file: no request, no script, A4 when printed, light and dark."""

from __future__ import annotations

from base64 import b64encode

from busplan.behaviour.words import sentence
from busplan.commission.entry import Entry, Result
from busplan.commission.state import FAILED, NOT_SHOWN, OPEN, PROVEN, TestState
from busplan.report.contents import CAUTIONS, Report
from busplan.report.figures import Plot
from busplan.report.tables import baseline_rows
from busplan.report.template import PAGE, STYLE
from busplan.sheets.drawing import drawing
from busplan.version import __version__
from busplan.wording import CAUTION, disarmed

MOST_FAILURES = 20
"""Moments of a failed behaviour that are listed; the JSON file holds more."""


def page_of(report: Report, plots: tuple[Plot, ...] | None) -> str:
    """The report as one HTML file."""
    from jinja2 import Environment
    from markupsafe import Markup

    environment = Environment(autoescape=True, finalize=_harmless)
    # Drawn here by our own code, with every name in it escaped; nothing else is trusted.
    environment.filters["safe_svg"] = lambda svg: Markup(svg)
    networks = ", ".join(report.vehicle.networks)
    return environment.from_string(PAGE).render(
        r=report,
        style=Markup(STYLE),
        version=__version__,
        cautions=CAUTIONS,
        caution=CAUTION,
        drawing=b64encode(drawing(report.vehicle).encode()).decode(),
        drawing_text=f"The networks {networks} with their nodes, terminators and lengths",
        plots=plots,
        groups=[
            (FAILED, "Failed", report.of(FAILED)),
            (NOT_SHOWN, "Not shown", report.of(NOT_SHOWN)),
            (OPEN, "Open", report.of(OPEN)),
            (PROVEN, "Proven", report.of(PROVEN)),
        ],
        behaviours=_behaviours(report),
        unseen=(*report.of(NOT_SHOWN), *report.of(OPEN)),
        baseline=baseline_rows(report),
        who=_who,
    )


def _harmless(value: object) -> object:
    from markupsafe import Markup

    return value if isinstance(value, Markup) else disarmed(str(value))


def _who(entry: Entry) -> str:
    captures = ", ".join(str(c["name"]) for c in entry.captures)
    moment = entry.time[:16].replace("T", " ")
    parts = [entry.who, captures, moment, f"entry {entry.number}"]
    return "; ".join(p for p in parts if p)


def _behaviours(
    report: Report,
) -> list[tuple[TestState, list[tuple[str, str, str, str]], str]]:
    """Behaviours that a capture told of: the test, its failures and what it requires."""
    says = {b.name: sentence(b) for b in report.vehicle.behaviours}
    return [
        (t, _failures(t.proof[1]), says.get(t.test.subject, ""))
        for t in report.commissioning.tests
        if t.test.kind == "behaviour" and t.proof is not None
    ]


def _failures(result: Result) -> list[tuple[str, str, str, str]]:
    figures = result.figures or {}
    unit = str(figures.get("unit") or "")
    rows = figures.get("failures")
    return [
        (
            _number(row.get("at_s"), ".3f"),
            _number(row.get("until_s"), ".3f"),
            f"{_number(row.get('margin'), '+.4g')} {unit}".strip(),
            _number(row.get("margin_s"), "+.3f"),
        )
        for row in (rows if isinstance(rows, list) else [])[:MOST_FAILURES]
        if isinstance(row, dict)
    ]


def _number(value: object, form: str) -> str:
    return format(value, form) if isinstance(value, int | float) else "-"
