"""Plots of a pack report as PNG or SVG, with the cautions on each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from busplan.answers import Answer
from busplan.errors import UsageError
from busplan.pack.labels import clock
from busplan.pack.tables import CAUTIONS, cell_rows, module_rows
from busplan.pack.whole import headline
from busplan.wording import disarmed

if TYPE_CHECKING:
    from busplan.pack.report import PackReport
    from busplan.pack.series import PackSeries
    from busplan.plan.vehicle import Vehicle

# Okabe and Ito's palette: stays apart for colour-blind eyes.
PEER, SHOWN, WARN = "#999999", "#0072B2", "#D55E00"
MOST_POINTS = 3000
NAME_WIDE, NAME_HIGH = 0.15, 0.05
"""Room for a name in a plot, as parts of it."""


def write_plots(
    report: PackReport, series: PackSeries, vehicle: Vehicle, folder: Path, form: str
) -> list[Path]:
    """Write each plot that the capture allows into ``folder``; the files written.

    :class:`UsageError` when matplotlib is not installed or the folder cannot be written.
    """
    try:
        from matplotlib.figure import Figure
        from matplotlib.text import Text
    except ImportError:
        raise UsageError("plots need matplotlib: pip install matplotlib") from None
    makers: dict[str, Callable[[Any, PackReport, PackSeries], bool]] = {
        "modules": _modules,
        "exchange": _exchange,
        "resistance": _resistance,
        "cells": _cells,
    }
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, make in makers.items():
            figure = Figure(figsize=(9.6, 5.4), layout="constrained")
            if not make(figure, report, series):
                continue
            figure.suptitle(f"{vehicle.label}, {report.test}: {headline(report)}")
            figure.supxlabel(" ".join(CAUTIONS), fontsize=6.5)
            for text in figure.findobj(Text):
                text.set(text=disarmed(text.get_text()), parse_math=False)
            path = folder / f"pack_{report.test.value.replace('-', '_')}_{name}.{form}"
            figure.savefig(path, dpi=120, metadata={"Date": None} if form == "svg" else None)
            written.append(path)
    except OSError as error:
        raise UsageError(f"{folder}: cannot write plots: {error.strerror}") from None
    return written


def _thin(count: int) -> slice:
    return slice(None, None, max(count // MOST_POINTS, 1))


def _modules(figure: Any, report: PackReport, series: PackSeries) -> bool:
    """Every module's temperature over time; modules with a verdict against them stand out."""
    even = report.temperature
    if not len(even.time_s):
        return False
    behind: dict[str, str] = {}
    if report.warm_up is not None:
        behind = {
            m.module: m.verdict.value for m in report.warm_up.modules if m.answer is Answer.BAD
        }
    axes = figure.subplots()
    rows = _thin(len(even.time_s))
    minutes = even.time_s[rows] / 60
    for index, module in enumerate(report.layout.modules):
        value = even.value[rows, index]
        if module in behind:
            axes.plot(
                minutes, value, color=WARN, lw=2, label=f"{module}: {behind[module]}", zorder=3
            )
        else:
            axes.plot(minutes, value, color=PEER, lw=1)
    inlet = series.quantity("inlet_temperature")
    if inlet is not None:
        part = _thin(len(inlet))
        axes.plot(
            inlet.time_s[part] / 60, inlet.value[part], color=SHOWN, ls="--", label="liquid, inlet"
        )
    axes.plot([], [], color=PEER, label="modules")
    axes.set(xlabel="time [min]", ylabel="module temperature [°C]")
    axes.legend()
    return True


def _exchange(figure: Any, report: PackReport, _: PackSeries) -> bool:
    """Heat exchange of each module relative to its peers, with its 95 % interval.

    Of a module whose flow changed the lesser exchange, without an interval.
    """
    if report.warm_up is None:
        return False
    rows = [r for r in module_rows(report) if np.isfinite(r.exchange)]
    if not rows:
        return False
    axes = figure.subplots()
    behind = {m.module: m.change for m in report.warm_up.behind}
    bad = [r.module in behind for r in rows]
    changes = [behind.get(r.module) for r in rows]
    axes.bar(
        [r.module for r in rows],
        [
            100 * (r.exchange if c is None else min(c.before, c.after))
            for r, c in zip(rows, changes, strict=True)
        ],
        yerr=np.maximum(
            [
                [100 * (r.exchange - r.exchange_low) for r in rows],
                [100 * (r.exchange_high - r.exchange) for r in rows],
            ],
            0.0,
        ),
        color=[WARN if b else SHOWN for b in bad],
        capsize=3,
    )
    for index, row in enumerate(rows):
        if not bad[index]:
            continue
        change, word, top = changes[index], row.verdict, 100 * row.exchange_high
        if change is not None:
            top = 100 * min(change.before, change.after)
            word = f"{word} at {clock(change.time_s)}"
        axes.annotate(word, (index, top + 2), ha="center", va="bottom", rotation=90)
    axes.set(ylabel="heat exchange relative to peers [%], bars: 95 %")
    axes.tick_params(axis="x", rotation=90 if len(rows) > 24 else 0)
    return True


def _resistance(figure: Any, report: PackReport, _: PackSeries) -> bool:
    """Resistance of each cell with its uncertainty; raised ones stand out."""
    fit = report.resistance
    if fit is None or not fit.judged:
        return False
    axes = figure.subplots()
    numbers = np.array([c.number for c in report.layout.cells])
    raised = fit.raised(report.layout.limits.voltage_spread_v)
    scale = fit.best
    half = 1e3 * scale.factor * scale.relative_uncertainty * fit.middle
    axes.errorbar(numbers, fit.value * 1e3, yerr=half, fmt="o", ms=3, color=SHOWN)
    axes.plot(numbers[raised], fit.value[raised] * 1e3, "s", color=WARN, ms=8, fillstyle="none")
    _names(axes, [(f"cell {numbers[i]}", numbers[i], fit.value[i] * 1e3) for i in raised])
    axes.axhline(fit.middle * 1e3, color=PEER, lw=1)
    axes.set(
        xlabel="cell", ylabel=f"resistance after {scale.after_s:g} s [mΩ], bars: 95 % against peers"
    )
    axes.set_ylim(bottom=0)
    return True


def _cells(figure: Any, report: PackReport, _: PackSeries) -> bool:
    """How far each cell lies from the median cell, and its lead near the top or bottom."""
    rows = cell_rows(report)
    if not rows or not np.isfinite([r.deviation_mv for r in rows]).any():
        return False
    axes = figure.subplots()
    numbers = [r.cell for r in rows]
    without = " without load" if report.voltage.quiet else ""
    axes.bar(numbers, [r.deviation_mv for r in rows], color=SHOWN, label=f"off the median{without}")
    first = []
    for order, values, word in (
        (report.top, [r.ahead_top_mv for r in rows], "top of charge"),
        (report.bottom, [r.ahead_bottom_mv for r in rows], "bottom"),
    ):
        if order is None:
            continue
        axes.plot(numbers, values, ".", color="#000000", label=f"ahead to the {word}")
        if order.first is not None:
            first.append(
                (f"cell {numbers[order.first]} first", numbers[order.first], values[order.first])
            )
    axes.axhline(0.0, color=PEER, lw=1)
    axes.set(xlabel="cell", ylabel="deviation [mV]")
    axes.legend()
    _names(axes, first)
    return True


def _names(axes: Any, named: Sequence[tuple[str, float, float]]) -> None:
    """Names beside their points, on the side with room, and clear of each other."""
    left, right = axes.get_xlim()
    bottom, top = axes.get_ylim()
    taken: list[tuple[float, float]] = []
    for text, x, y in sorted(named, key=lambda n: n[1:]):
        end = x > (left + right) / 2.0
        height = y
        while any(
            abs(x - a) < NAME_WIDE * (right - left) and abs(height - b) < NAME_HIGH * (top - bottom)
            for a, b in taken
        ):
            height += NAME_HIGH * (top - bottom)
        taken.append((x, height))
        side = -1 if end else 1
        at = (x + side * 0.01 * (right - left), height)
        axes.annotate(text, at, color=WARN, ha="right" if end else "left", va="center")
