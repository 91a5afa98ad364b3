"""Answers of a fleet as PNG or SVG, with the caution on each."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplan.errors import UsageError
from busplan.wording import CAUTION, disarmed

if TYPE_CHECKING:
    from busplan.fleet.reply import Curve, Reply

# Okabe and Ito's palette: stays apart for colour-blind eyes.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
MARKS = "osD^vPX"
MOST_CURVES = 7
MOST_BARS = 40


def write_plot(reply: Reply, path: Path) -> None:
    """Draw an answer; :class:`UsageError` without matplotlib or where it cannot be written."""
    try:
        from matplotlib.figure import Figure
        from matplotlib.text import Text
    except ImportError:
        raise UsageError("plots need matplotlib: pip install matplotlib") from None
    drawing = reply.drawing
    assert drawing is not None
    figure = Figure(figsize=(9.6, 5.4), layout="constrained")
    axes = figure.add_subplot()
    if drawing.kind == "bars":
        bars = dict(list(drawing.bars.items())[:MOST_BARS])
        places = range(len(bars))
        axes.barh(places, list(bars.values()), color=COLOURS[0])
        axes.set_yticks(places, list(bars))
        axes.invert_yaxis()
        axes.set_xlabel(drawing.label)
    else:
        for number, curve in enumerate(drawing.curves[:MOST_CURVES]):
            _curve(axes, curve, number)
        if drawing.limit is not None:
            axes.axhline(drawing.limit, color=COLOURS[1], linestyle="--", label="limit")
        axes.set_ylabel(drawing.label)
        axes.grid(alpha=0.3)
        figure.autofmt_xdate()
        axes.legend()
    says = "\n".join(reply.says[:MOST_CURVES])
    axes.set_title(f"{reply.title}\n{says}", fontsize=8)
    figure.supxlabel(CAUTION, fontsize=6.5)
    for one in figure.findobj(Text):
        one.set(text=_harmless(one.get_text()), parse_math=False)
    kind = path.suffix.lower().removeprefix(".")
    try:
        figure.savefig(
            path, format=kind, dpi=120, metadata={"Date": None} if kind == "svg" else None
        )
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from error


def _harmless(text: str) -> str:
    return "\n".join(disarmed(line) for line in text.split("\n"))


def _curve(axes: Any, curve: Curve, number: int) -> None:
    colour, mark = COLOURS[number % len(COLOURS)], MARKS[number % len(MARKS)]
    when = [datetime.fromtimestamp(t / 1e9, UTC) for t in curve.time_ns.tolist()]
    axes.plot(when, curve.value, mark, color=colour, markersize=4, label=curve.name)
    if curve.low is not None and curve.high is not None:
        axes.vlines(when, curve.low, curve.high, color=colour, alpha=0.4, linewidth=1)
    if curve.line is not None:
        axes.plot(when, curve.line, "-", color=colour, linewidth=1.5)
