"""The judgement over the pack: verdict by topic, modules and the most conspicuous cells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from busplan.answers import Answer, Interval
from busplan.findings import Finding, Weight
from busplan.text.runs import FAINT, HEAD, OF_WEIGHT, PLAIN, Line, clip, fold, width, wrap
from busplan.text.table import number_text
from busplan.wording import counted

if TYPE_CHECKING:
    from busplan.pack.report import PackReport

MOST_CELLS = 6
NARROW = 100
ROOM, EXCHANGE = 9, 20
"""Columns of a figure, and of the exchange with its interval."""
ROLES = {Answer.GOOD: "good", Answer.BAD: "caution", Answer.NOT_SHOWN: "note"}
"""The role each answer plays, beside its mark."""


def draw_verdict(report: PackReport, findings: Sequence[Finding], columns: int) -> list[Line]:
    """Everything the evaluation of the whole capture says.

    ``findings`` are all of the capture: those that are not of the pack are counted below.
    """
    from busplan.pack.tables import CAUTIONS
    from busplan.pack.whole import judge_whole
    from busplan.text.pack_text import STEP

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
        lines += fold([(lead, ROLES[section.answer]), (section.words, PLAIN)], columns, len(lead))
    for step in whole.steps:
        lines += wrap(f"{STEP}{step}", columns, FAINT, len(STEP))
    tables = [t] if (t := _cells(report)) else []
    if report.warm_up is not None:
        tables.insert(0, _modules(report, columns))
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
    heads = ("start °C", "end °C", *(() if narrow else ("K/min",)), "lag K", "lag s")
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
    """The cells with the highest resistance, or furthest off their peers when none is known.

    Nothing when neither is known of any.
    """
    from busplan.pack.tables import cell_rows

    rows = cell_rows(report)
    known = any(math.isfinite(r.resistance_mohm) for r in rows)
    if not known and not any(math.isfinite(r.deviation_mv) for r in rows):
        return []
    if known:
        rows.sort(key=lambda r: -r.resistance_mohm if math.isfinite(r.resistance_mohm) else 0.0)
    else:
        rows.sort(key=lambda r: -abs(r.deviation_mv) if math.isfinite(r.deviation_mv) else 0.0)
    heads = ("off mV", "mΩ", "peers %", "sag mV", "°C", "lowest", "highest")
    what = "highest resistance first" if known else "furthest off first"
    lines: list[Line] = [
        [(f"cells, {what}", HEAD)],
        [(f"{'cell':<12}" + "".join(f"{h:>9}" for h in heads), HEAD)],
    ]
    for row in rows[:MOST_CELLS]:
        figures = (
            (row.deviation_mv, 1),
            (row.resistance_mohm, 3),
            (100 * row.against_peers, 1),
            (row.extra_sag_mv, 0),
            (row.temperature_c, 1),
        )
        text = "".join(_number(v, d) for v, d in figures)
        text += "".join(_percent(v) for v in (row.lowest_share, row.highest_share))
        lines.append([(f"{row.cell} {row.module}".ljust(12), HEAD), (text, PLAIN)])
    return lines


def _number(value: float, digits: int, room: int = ROOM) -> str:
    return f"{number_text(value, digits):>{room}}"


def _percent(part: float) -> str:
    return f"{100 * part:>8.0f}%" if math.isfinite(part) else f"{'-':>9}"
