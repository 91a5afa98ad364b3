"""The judgement over a pack as text: the verdict, a line a topic, tables of modules and cells."""

from __future__ import annotations

import math
from collections.abc import Sequence

from busplan.answers import Interval
from busplan.findings import Finding
from busplan.pack.electrical import SenseFigure
from busplan.pack.labels import clock, sentence
from busplan.pack.report import PackReport
from busplan.pack.tables import CAUTIONS, cell_rows, module_rows
from busplan.pack.warm_up_result import WarmUp
from busplan.pack.warm_up_text import cautions, exchange_text
from busplan.pack.whole import judge_whole
from busplan.text.runs import wrapped
from busplan.text.table import between, number_text, parted_lines
from busplan.wording import plain

STEP = "> "
"""Before each thing to do next."""


def verdict_lines(
    report: PackReport, findings: Sequence[Finding], whose: str, columns: int
) -> list[str]:
    """What was judged, the cautions, the verdict over all ``findings``, the topics, what to do."""
    layout = report.layout
    lines = wrapped(
        f"{whose}, {layout.chemistry} pack of {len(layout.cells)} cells: "
        f"{report.test} {'as asked' if report.asked else 'by its signals'}, "
        f"{clock(report.span_s)} long",
        columns,
    )
    lines += wrapped(" ".join(CAUTIONS), columns)
    whole = judge_whole(report, findings)
    lines += ["", *wrapped(whole.headline, columns, figures=True)]
    for section in whole.ordered:
        lines += _led(section.lead, section.words, columns)
    for step in whole.steps:
        lines += _led(STEP, step, columns)
    return lines


def pack_tables(report: PackReport, columns: int, room: int) -> list[str]:
    """All modules, all cells and the electrical checks; tables may be ``room`` wide."""
    lines = ["", *_modules(report, room)]
    if report.warm_up is not None:
        for told in warm_up_notes(report.warm_up):
            lines += wrapped(told, columns, figures=True)
    if report.layout.cells:
        lines += ["", *_cells(report, room)]
    lines.append("")
    for check in report.checks:
        words = f"{check.answer}: {check.text}"
        if check.missing:
            words += f"; {check.missing}"
        lines += _led(f"{check.name:<21} ", words, columns)
        for figure in check.figures:
            lines += _led(" " * 23, _figure(figure), columns)
    return lines


def _figure(figure: SenseFigure) -> str:
    """``link share at closing 99 % (98 … 100, 95 %), closing at 0:07``."""
    interval = figure.interval
    value, span = plain(figure.value), ""
    if interval.known and interval.high > interval.low:
        # No digit finer than a hundredth of the interval.
        digits = max(2 - math.ceil(math.log10(interval.high - interval.low)), 0)
        value = number_text(figure.value, digits)
        span = f" ({between(interval.low, interval.high, digits)}, 95 %)"
    told = f", {figure.conditions}" if figure.conditions else ""
    return f"{figure.name} {value} {figure.unit}{span}{told}"


def _led(lead: str, text: str, columns: int) -> list[str]:
    return wrapped(text, columns, first=lead, rest=" " * len(lead), figures=True)


def _modules(report: PackReport, room: int) -> list[str]:
    head = ("module", "from °C", "to °C", "K/min", "lag K", "lag s", "exchange", "off K", "verdict")
    rows = [
        (
            r.module,
            number_text(r.start_c),
            number_text(r.end_c),
            number_text(r.rate_k_min, 2),
            number_text(r.lag_k),
            number_text(r.lag_s, 0),
            exchange_text(r.exchange, Interval(r.exchange_low, r.exchange_high)),
            number_text(r.deviation_k, sign=True),
            r.verdict,
        )
        for r in module_rows(report)
    ]
    return parted_lines(head, rows, room, right=range(1, 8))


def warm_up_notes(warm_up: WarmUp) -> list[str]:
    """How the table's columns are read, what the test would have shown, and what it never does."""
    told = (
        "exchange: of that of the peers, and where it lies in 95 of 100 tests; lag s: by how much "
        "the cells trail the liquid longer than the peers' do."
    )
    chances = warm_up.would_have_shown
    return [told, *([sentence(chances) + "."] if chances else []), *cautions(warm_up)]


def _part(share: float, deviation: float) -> str:
    """Part of the time in per cent; of a cell that was never heard nothing."""
    return number_text(share * 100, 0) if math.isfinite(deviation) else "-"


def _cells(report: PackReport, room: int) -> list[str]:
    rows = cell_rows(report)
    columns = [
        ("cell", [str(r.cell) for r in rows]),
        ("module", [r.module for r in rows]),
        ("off mV", [number_text(r.deviation_mv, sign=True) for r in rows]),
        ("lowest %", [_part(r.lowest_share, r.deviation_mv) for r in rows]),
        ("highest %", [_part(r.highest_share, r.deviation_mv) for r in rows]),
        ("mΩ", [number_text(r.resistance_mohm, 3) for r in rows]),
        ("95 %", [between(r.resistance_low_mohm, r.resistance_high_mohm, 3) for r in rows]),
        ("peers %", [number_text(r.against_peers * 100, sign=True) for r in rows]),
        ("95 % ", [between(r.against_peers_low * 100, r.against_peers_high * 100) for r in rows]),
        (
            "10 s mΩ",
            [between(r.resistance_10s_low_mohm, r.resistance_10s_high_mohm, 3) for r in rows],
        ),
        ("sag mV", [number_text(r.extra_sag_mv, 0, sign=True) for r in rows]),
        ("°C", [number_text(r.temperature_c) for r in rows]),
        ("top mV", [number_text(r.ahead_top_mv, 0, sign=True) for r in rows]),
        ("bottom mV", [number_text(r.ahead_bottom_mv, 0, sign=True) for r in rows]),
        ("capacity %", [between(r.capacity_low * 100, r.capacity_high * 100) for r in rows]),
        ("slope mV/h", [between(r.slope_low_mv_h, r.slope_high_mv_h, 2) for r in rows]),
        ("ahead Ah", [between(r.ahead_low_ah, r.ahead_high_ah, 2) for r in rows]),
    ]
    shown = [(head, cells) for head, cells in columns if any(c != "-" for c in cells)]
    return parted_lines(
        [head for head, _ in shown],
        zip(*(cells for _, cells in shown), strict=True),
        room,
        right={i for i in range(len(shown)) if i != 1},
        kept=2,
        glued={i for i, (head, _) in enumerate(shown) if head.startswith("95 %")},
    )
