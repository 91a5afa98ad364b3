"""The judgement over the pack: verdict by topic, modules and the most conspicuous cells."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from busplan.screens.runs import FAINT, HEAD, PLAIN, Line, clip, wrap

if TYPE_CHECKING:
    from busplan.pack.report import PackReport

MOST_CELLS = 6


def draw_verdict(report: PackReport, columns: int) -> list[Line]:
    """Everything the evaluation of the whole capture says."""
    from busplan.pack.sections import Answer, headline, sections
    from busplan.pack.tables import CAUTIONS

    good = headline(report).startswith("All right")
    lines: list[Line] = [
        [
            (headline(report), "good" if good else "caution"),
            (f"  {report.test} {'as asked' if report.asked else 'by its signals'}", FAINT),
        ],
        [],
    ]
    roles = {Answer.GOOD: "good", Answer.NOT_GOOD: "caution", Answer.OPEN: "note"}
    for section in sections(report):
        lead = f"{section.answer.mark} {section.name:<19} "
        wrapped = wrap(lead + section.text, columns, PLAIN, len(lead))
        if wrapped and wrapped[0][0][0].startswith(section.answer.mark):
            first = wrapped[0][0][0]
            wrapped[0] = [
                (lead, roles[section.answer]),
                (first[len(lead.rstrip()) :].lstrip(), PLAIN),
            ]
        lines += wrapped
    tables = [_cells(report)]
    if report.warm_up is not None:
        tables.insert(0, _modules(report))
    for table in tables:
        lines += [[], *table]
    lines.append([])
    for caution in CAUTIONS:
        lines += wrap(caution, columns, "danger")
    return [clip(line, columns) for line in lines]


def _modules(report: PackReport) -> list[Line]:
    from busplan.pack.tables import module_rows

    heads = ("start °C", "end °C", "K/min", "lag K", "lag s", "exchange")
    lines: list[Line] = [[(f"{'module':<8}" + "".join(f"{h:>9}" for h in heads), HEAD)]]
    for row in module_rows(report):
        figures = (
            (row.start_c, 1),
            (row.end_c, 1),
            (row.rate_k_min, 2),
            (row.lag_k, 1),
            (row.lag_s, 0),
            (100 * row.exchange, 0),
        )
        odd = row.verdict not in ("", "comes up with the others")
        lines.append(
            [
                (f"{row.module:<8}", HEAD),
                ("".join(_number(v, d) for v, d in figures), PLAIN),
                (" %  " if math.isfinite(row.exchange) else "    ", FAINT),
                (row.verdict, "caution" if odd else FAINT),
            ]
        )
    return lines


def _cells(report: PackReport) -> list[Line]:
    """The cells with the highest resistance, or furthest off their peers when none is known."""
    from busplan.pack.tables import cell_rows

    rows = cell_rows(report)
    known = any(math.isfinite(r.resistance_mohm) for r in rows)
    if known:
        rows.sort(key=lambda r: -r.resistance_mohm if math.isfinite(r.resistance_mohm) else 0.0)
    else:
        rows.sort(key=lambda r: -abs(r.deviation_mv) if math.isfinite(r.deviation_mv) else 0.0)
    heads = ("off mV", "mΩ", "± mΩ", "sag mV", "°C", "lowest", "highest")
    what = "highest resistance first" if known else "furthest off first"
    lines: list[Line] = [
        [(f"cells, {what}", HEAD)],
        [(f"{'cell':<12}" + "".join(f"{h:>9}" for h in heads), HEAD)],
    ]
    for row in rows[:MOST_CELLS]:
        figures = (
            (row.deviation_mv, 1),
            (row.resistance_mohm, 3),
            (row.resistance_uncertainty_mohm, 3),
            (row.extra_sag_mv, 0),
            (row.temperature_c, 1),
        )
        text = "".join(_number(v, d) for v, d in figures)
        text += "".join(_percent(v) for v in (row.lowest_share, row.highest_share))
        lines.append([(f"{row.cell} {row.module}".ljust(12), HEAD), (text, PLAIN)])
    return lines


def _number(value: float, digits: int) -> str:
    return f"{value:>9.{digits}f}" if math.isfinite(value) else f"{'-':>9}"


def _percent(part: float) -> str:
    return f"{100 * part:>8.0f}%" if math.isfinite(part) else f"{'-':>9}"
