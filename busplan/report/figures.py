"""Plots of a report as SVG text, drawn by matplotlib in the project's colours.

The rules of this file: every plot has a text that says what it shows; text stays text; black is the
colour of the page's text, so that plots can be read on dark pages too.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from busplan.report.contents import Report, rows_of
from busplan.wording import counted, disarmed, listing, percent

# Okabe and Ito's palette: stays apart for colour-blind eyes.
PEER, SHOWN, WARN = "#999999", "#0072B2", "#D55E00"
_INK = "#010203"
"""Stands for the colour of the page's text until the picture is done."""


@dataclass(frozen=True, slots=True)
class Plot:
    """A plot: its title, the text that says what it shows, and the SVG element."""

    title: str
    text: str
    svg: str


def plots_of(report: Report) -> tuple[Plot, ...] | None:
    """Every plot that the journal has figures for; ``None`` when matplotlib is not installed."""
    try:
        import matplotlib
    except ImportError:
        return None
    found = []
    style: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": "busplan",
        "font.family": "sans-serif",
        "text.color": _INK,
        "axes.edgecolor": _INK,
        "axes.labelcolor": _INK,
        "xtick.color": _INK,
        "ytick.color": _INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "text.parse_math": False,
    }
    with matplotlib.rc_context(style):
        for make in (_loads, _margins, _exchange, _resistances):
            found += make(report)
    return tuple(found)


def _drawn(draw: Callable[[Any], None], size: tuple[float, float], text: str) -> str:
    """An SVG element with its text for those who cannot see it."""
    from html import escape

    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, layout="constrained")
    draw(figure.subplots())
    figure.patch.set_alpha(0.0)
    for axes in figure.axes:
        axes.patch.set_alpha(0.0)
    buffer = io.StringIO()
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = svg.replace(_INK, "currentColor")
    label = escape(disarmed(text), quote=True)
    return svg.replace("<svg", f'<svg role="img" aria-label="{label}"', 1)


def _loads(report: Report) -> list[Plot]:
    """Mean and highest load of each network against its limit."""
    rows = [
        (t.test.subject, dict(t.proof[1].figures or {}))
        for t in report.commissioning.tests
        if t.test.kind == "load" and t.proof is not None and _number(t.proof[1].figures, "mean")
    ]
    if not rows:
        return []
    names = [disarmed(n) for n, _ in rows]
    mean = [100 * (f.get("mean") or 0.0) for _, f in rows]
    peak = [100 * (f.get("peak") or 0.0) for _, f in rows]
    limits = [100 * (f.get("limit") or 0.0) for _, f in rows]
    told = listing(
        [
            f"{n} {percent(f.get('mean') or 0.0, 0)} of {percent(f.get('limit') or 0.0, 0)}"
            for n, (_, f) in zip(names, rows, strict=True)
        ],
        12,
    )

    def draw(axes: Any) -> None:
        places = range(len(names))
        axes.barh(places, peak, color=PEER, height=0.6, label="highest second")
        axes.barh(places, mean, color=SHOWN, height=0.35, label="mean")
        axes.scatter(limits, places, marker="|", s=500, color=WARN, label="limit", zorder=3)
        axes.set(xlabel="load [%]", xlim=(0, 100), yticks=list(places), yticklabels=names)
        axes.invert_yaxis()
        axes.legend(loc="lower right", frameon=False)

    text = f"Measured load of each network against its limit: {told}."
    return [Plot("Loads", text, _drawn(draw, (7.2, 0.9 + 0.45 * len(names)), text))]


def _margins(report: Report) -> list[Plot]:
    """Margins in time of the behaviours."""
    rows = []
    for t in report.commissioning.tests:
        if t.test.kind == "behaviour" and t.proof is not None:
            margin = _number(t.proof[1].figures, "margin_s")
            if margin is not None:
                rows.append((disarmed(t.test.subject), margin))
    if not rows:
        return []
    told = listing([f"{n} {m:+.1f} s" for n, m in rows], 12)

    def draw(axes: Any) -> None:
        places = range(len(rows))
        colours = [SHOWN if m >= 0 else WARN for _, m in rows]
        axes.barh(places, [m for _, m in rows], color=colours, height=0.6)
        for place, (_, margin) in enumerate(rows):
            side = "left" if margin >= 0 else "right"
            told = f"{margin:+.1f} s" if margin >= 0 else f"{-margin:.1f} s late"
            axes.annotate(f" {told} ", (margin, place), ha=side, va="center")
        axes.axvline(0.0, color=_INK, lw=1)
        axes.margins(x=0.25)
        axes.set(xlabel="margin [s]", yticks=list(places), yticklabels=[n for n, _ in rows])
        axes.invert_yaxis()

    text = f"By how much each behaviour was in time (below 0: too late): {told}."
    return [Plot("Behaviours in time", text, _drawn(draw, (7.2, 0.9 + 0.4 * len(rows)), text))]


def _exchange(report: Report) -> list[Plot]:
    """Heat exchange of each module, when the test failed and as it is."""
    found = []
    for state, _, pack in report.packs():
        now = _exchanges(pack)
        if not now:
            continue
        before: Mapping[str, tuple[float, float, float]] = {}
        failed = report.failed_before(state)
        if failed is not None and isinstance((failed.figures or {}).get("pack"), Mapping):
            before = _exchanges((failed.figures or {})["pack"])
        found.append(_exchange_plot(now, before))
    return found


def _exchanges(pack: Mapping[str, Any]) -> dict[str, tuple[float, float, float]]:
    """Relative exchange of each module with its interval, as parts of 1."""
    found = {}
    for row in rows_of(pack, "modules"):
        value, low, high = (_number(row, k) for k in ("exchange", "exchange_low", "exchange_high"))
        if value is not None:
            found[str(row.get("module"))] = (
                value,
                value if low is None else low,
                value if high is None else high,
            )
    return found


def _exchange_plot(
    now: Mapping[str, tuple[float, float, float]],
    before: Mapping[str, tuple[float, float, float]],
) -> Plot:
    names = list(now)

    def draw(axes: Any) -> None:
        places = range(len(names))
        if before:
            old = [100 * before[n][0] if n in before else float("nan") for n in names]
            axes.scatter(places, old, marker="x", color=WARN, label="when it failed", zorder=3)
        value = [100 * now[n][0] for n in names]
        low = [max(100 * (now[n][0] - now[n][1]), 0.0) for n in names]
        high = [max(100 * (now[n][2] - now[n][0]), 0.0) for n in names]
        axes.errorbar(
            places, value, yerr=[low, high], fmt="o", color=SHOWN, capsize=3, label="as it is, 95 %"
        )
        axes.axhline(100.0, color=PEER, lw=1)
        axes.set(ylabel="heat exchange over peers [%]", xticks=list(places))
        axes.set_xticklabels([disarmed(n) for n in names], rotation=90 if len(names) > 24 else 0)
        axes.set_ylim(bottom=0)
        axes.legend(frameon=False)

    text = "Heat exchange of each module against its peers: " + listing(
        [f"{n} {percent(now[n][0], 0)}" for n in names], 40
    )
    moved = [n for n in names if n in before and before[n][0] < 0.8 * now[n][0]]
    if moved:
        text += "; when it failed " + listing([f"{n} {percent(before[n][0], 0)}" for n in moved])
    return Plot("Modules in the warm-up", f"{text}.", _drawn(draw, (7.2, 3.2), f"{text}."))


def _resistances(report: Report) -> list[Plot]:
    """Resistance of each cell with its interval."""
    for _, _, pack in report.packs():
        rows = [
            _Cell(r["cell"], value, *_interval(r, value), bad=r.get("answer") == "bad")
            for r in rows_of(pack, "cells")
            if isinstance(r.get("cell"), int)
            and (value := _number(r, "resistance_mohm")) is not None
        ]
        if rows:
            return [_resistance_plot(rows)]
    return []


class _Cell(NamedTuple):
    number: int
    value: float
    low: float
    high: float
    bad: bool


def _interval(row: Mapping[str, Any], value: float) -> tuple[float, float]:
    low, high = _number(row, "resistance_low_mohm"), _number(row, "resistance_high_mohm")
    return value if low is None else low, value if high is None else high


def _resistance_plot(rows: Sequence[_Cell]) -> Plot:
    highest = max(rows, key=lambda r: r.value)
    middle = sorted(r.value for r in rows)[len(rows) // 2]

    def draw(axes: Any) -> None:
        for bad, colour in ((False, SHOWN), (True, WARN)):
            of = [r for r in rows if r.bad is bad]
            sides = [[max(r.value - r.low, 0) for r in of], [max(r.high - r.value, 0) for r in of]]
            axes.errorbar(
                [r.number for r in of],
                [r.value for r in of],
                yerr=sides,
                fmt="o",
                ms=3.5,
                lw=0.8,
                color=colour,
            )
        word = " (bad)" if highest.bad else ""
        axes.annotate(
            f"cell {highest.number}{word}",
            (highest.number, highest.value),
            xytext=(7, 0),
            textcoords="offset points",
            va="center",
            color=WARN if highest.bad else _INK,
        )
        axes.axhline(middle, color=PEER, lw=1)
        axes.set(xlabel="cell", ylabel="resistance [mΩ]")
        axes.set_ylim(bottom=0)

    text = (
        f"Resistance of {counted(len(rows), 'cell')}, each with its interval of 95 %: the middle "
        f"one {middle:.2f} mΩ, the highest is cell {highest.number} with {highest.value:.2f} mΩ "
        f"({highest.low:.2f} to {highest.high:.2f})."
    )
    return Plot("Cells", text, _drawn(draw, (7.2, 3.0), text))


def _number(figures: Mapping[str, Any] | None, name: str) -> float | None:
    value = (figures or {}).get(name)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
