"""The judgement over the pack: verdict by topic, modules and the most conspicuous cells."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from busplan.answers import Answer, Interval
from busplan.findings import Finding, Weight
from busplan.text.runs import FAINT, HEAD, OF_WEIGHT, PLAIN, Line, clip, fold, width, wrap, wrapped
from busplan.text.table import between, number_text
from busplan.wording import counted, percent

if TYPE_CHECKING:
    from busplan.pack.report import PackReport
    from busplan.pack.tables import CellRow

MOST_CELLS = 6
NARROW = 100
ROOM, WIDE, EXCHANGE = 9, 16, 20
"""Columns of a figure, of an interval, and of the exchange with its own."""
ROLES = {Answer.GOOD: "good", Answer.BAD: "caution", Answer.NOT_SHOWN: "note"}
"""The role each answer plays, beside its mark."""


def draw_verdict(report: PackReport, findings: Sequence[Finding], columns: int) -> list[Line]:
    """Everything the evaluation of the whole capture says.

    ``findings`` are all of the capture: those that are not of the pack are counted below.
    """
    from busplan.pack.tables import CAUTIONS
    from busplan.pack.whole import judge_whole
    from busplan.text.pack_text import STEP, warm_up_notes

    whole = judge_whole(report)
    asked = f"  {report.test} {'as asked' if report.asked else 'by its signals'}"
    lines: list[Line] = fold([(whole.headline, ROLES[whole.answer]), (asked, FAINT)], columns, 2)
    others = [f for f in findings if f.weight > Weight.NOTE and f not in report.findings]
    if others:
        worst = max(f.weight for f in others)
        told = f"{counted(len(others), 'finding')} besides the pack: see the Findings screen"
        lines.append([(f"{worst.mark} {told}", OF_WEIGHT[worst])])
    lines.append([])
    for section in whole.ordered:
        lead = section.lead
        words = wrapped(section.words, columns - len(lead), figures=True)
        leads = [(lead, ROLES[section.answer]), *[(" " * len(lead), PLAIN)] * len(words)]
        lines += [[first, (line, PLAIN)] for first, line in zip(leads, words, strict=False)]
    for step in whole.steps:
        lines += wrap(f"{STEP}{step}", columns, FAINT, len(STEP))
    tables = [t] if (t := _cells(report)) else []
    if report.warm_up is not None:
        notes = [
            line for told in warm_up_notes(report.warm_up) for line in wrap(told, columns, FAINT)
        ]
        tables.insert(0, [*_modules(report, columns), *notes])
    for table in tables:
        lines += [[], *table]
    lines.append([])
    for caution in CAUTIONS:
        lines += wrap(caution, columns, "danger")
    return [clip(line, columns) for line in lines]


def _modules(report: PackReport, columns: int) -> list[Line]:
    from busplan.pack.tables import module_rows
    from busplan.pack.warm_up_result import ModuleVerdict
    from busplan.pack.warm_up_text import exchange_text

    narrow = columns < NARROW
    heads = ("from °C", "to °C", *(() if narrow else ("K/min",)), "lag K", "lag s")
    rows = module_rows(report)
    lead = max(len("module"), *(len(row.module) for row in rows))
    head = "".join(f"{h:>{ROOM - narrow}}" for h in heads)
    lines: list[Line] = [[(f"{'module':<{lead}}{head}{'exchange (95 %)':>{EXCHANGE}}", HEAD)]]
    for row in rows:
        figures = (
            (row.start_c, 1),
            (row.end_c, 1),
            *(() if narrow else ((row.rate_k_min, 2),)),
            (row.lag_k, 1),
            (row.lag_s, 0),
        )
        exchange = exchange_text(row.exchange, Interval(row.exchange_low, row.exchange_high))
        line: Line = [
            (f"{row.module:<{lead}}", HEAD),
            ("".join(_number(v, d, ROOM - narrow) for v, d in figures), PLAIN),
            (f"{exchange:>{EXCHANGE}}  ", PLAIN),
        ]
        if row.verdict == ModuleVerdict.FOLLOWS:
            words = f"+ {row.verdict}"
            line.append((words if width(line) + len(words) <= columns else "+", FAINT))
        elif row.verdict:
            mark = ModuleVerdict(row.verdict).answer.mark
            line.append((f"{mark} {row.verdict}", "caution"))
        lines.append(line)
    return lines


def _cells(report: PackReport) -> list[Line]:
    """The cells that lead in what was told: resistance, else capacity, else slope, else distance.

    Nothing when none of these is known of any; a column that holds nothing is left out.
    """
    from busplan.pack.tables import cell_rows

    rows = cell_rows(report)
    orders: tuple[tuple[str, Callable[[CellRow], float]], ...] = (
        ("highest resistance", lambda r: -r.resistance_mohm),
        ("least capacity", lambda r: r.capacity_low + r.capacity_high),
        ("fastest falling", lambda r: r.slope_low_mv_h + r.slope_high_mv_h),
        # Medians of readings in steps: of equals the one that is out most often comes first.
        (
            "furthest off",
            lambda r: -abs(r.deviation_mv) - 0.01 * (r.lowest_share + r.highest_share),
        ),
    )
    told = [o for o in orders if any(math.isfinite(o[1](r)) for r in rows)]
    if not told:
        return []
    what, key = told[0]
    rows.sort(key=lambda r: key(r) if math.isfinite(key(r)) else math.inf)
    columns = (
        ("off mV", ROOM, [number_text(r.deviation_mv) for r in rows]),
        ("mΩ", ROOM, [number_text(r.resistance_mohm, 3) for r in rows]),
        ("peers %", ROOM, [number_text(100 * r.against_peers) for r in rows]),
        ("sag mV", ROOM, [number_text(r.extra_sag_mv, 0) for r in rows]),
        (
            "capacity %",
            WIDE,
            [between(100 * r.capacity_low, 100 * r.capacity_high) for r in rows],
        ),
        ("mV/h at rest", WIDE, [between(r.slope_low_mv_h, r.slope_high_mv_h, 2) for r in rows]),
        ("°C", ROOM, [number_text(r.temperature_c) for r in rows]),
        ("lowest", ROOM, [percent(r.lowest_share, 0) for r in rows]),
        ("highest", ROOM, [percent(r.highest_share, 0) for r in rows]),
    )
    shown = [c for c in columns if any(text != "-" for text in c[2])]
    lines: list[Line] = [
        [(f"cells, {what} first", HEAD)],
        [(f"{'cell':<12}" + "".join(f"{head:>{room}}" for head, room, _ in shown), HEAD)],
    ]
    for i, row in enumerate(rows[:MOST_CELLS]):
        text = "".join(f"{each[i]:>{room}}" for _, room, each in shown)
        lines.append([(f"{row.cell} {row.module}".ljust(12), HEAD), (text, PLAIN)])
    return lines


def _number(value: float, digits: int, room: int = ROOM) -> str:
    return f"{number_text(value, digits):>{room}}"
