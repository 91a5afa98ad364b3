"""Two captures side by side and what is different."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

from busplan.replay.differing import differing
from busplan.replay.pair import Difference, differences, shift
from busplan.replay.peers_over import addresses, peers_over
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.track import AT_ONCE, at_hand
from busplan.text.chart import Chart, Curve, chart_lines, dot_columns, scale_of
from busplan.text.dots import Pen
from busplan.text.draw import pack_table, state_lines
from busplan.text.pack_trend import AXIS
from busplan.text.packmap import PackMap
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, beside, clip, clock_text, fold
from busplan.text.ticks import round_scale

WIDE = 112
"""From this width on the map of what moved stands beside the figures."""
PLOT_ROWS = 8
MOST_DIFFERING = 40
"""Identifiers that are listed."""
TABLE = 53
"""Columns of the figures then."""


def draw_pair(
    replays: tuple[Replay, Replay],
    shots: tuple[Snapshot, Snapshot],
    columns: int,
    pen: Pen = Pen(),
) -> list[Line]:
    """Both states, figures with their change, how each cell moved against its peers; curves."""
    half = (columns - 2) // 2
    blocks: list[list[Line]] = []
    for letter, replay, shot in zip("12", replays, shots, strict=True):
        end = "  its end" if shot.t_ns >= replay.span_ns else ""
        moment = (f"  {clock_text(shot.t_ns)}{end}", FAINT)
        block: list[Line] = [
            *fold([(f"{letter} {replay.source}", HEAD), moment], half, 2),
            *state_lines(shot, half, 6),
        ]
        if shot.pack and shot.pack.any_value and half >= 44:
            block += [clip(line, half) for line in pack_table(shot.pack)]
        blocks.append(block)
    lines = beside(blocks[0], blocks[1], half)
    table = difference_table(differences(*shots))
    wide = columns >= WIDE
    moved = moved_map(shots, columns - TABLE - 2 if wide else columns)
    if wide:
        lines += [[], *beside(table, moved, TABLE)]
    else:
        lines += [[], *table, *([[]] if moved else []), *moved]
    for sensors in (False, True):
        lines += both_over_time(replays, shots, sensors, columns, pen)
    return [*lines, *draw_differing(replays, columns)]


def draw_differing(replays: tuple[Replay, Replay], columns: int) -> list[Line]:
    """Which identifiers are not the same over the whole of both captures, and in what."""
    first, second = replays
    if max(len(r.table) for r in replays) > AT_ONCE and not first.has(("differing", second.table)):
        return []
    found = first.keep(("differing", second.table), lambda: differing(first, second))
    lines: list[Line] = [[], [("identifiers that differ over both captures", HEAD)]]
    if not found:
        lines.append([("none in what was compared: lengths, periods, bytes, values", FAINT)])
    for one in found[:MOST_DIFFERING]:
        head: Line = [(f"{one.label} {one.name}  ".rstrip() + "  ", PLAIN)]
        lines += fold([*head, ("; ".join(one.what), "strong")], columns, 4)
    if len(found) > MOST_DIFFERING:
        lines.append([(f"and {len(found) - MOST_DIFFERING} more: --json has all", FAINT)])
    return lines


def both_over_time(
    replays: tuple[Replay, Replay],
    shots: tuple[Snapshot, Snapshot],
    sensors: bool,
    columns: int,
    pen: Pen,
) -> list[Line]:
    """The lowest cell, or the highest sensor, of both captures on one axis of time."""
    if not all(addresses(replay, sensors) for replay in replays):
        return []
    wide = max(columns - AXIS, 8)
    shift_ns = shots[1].t_ns - shots[0].t_ns
    curves, until_ns = [], 0
    over = dot_columns(0, max(replays[0].span_ns, replays[1].span_ns - shift_ns), wide, pen)
    for replay, later_ns, role in zip(replays, (0, shift_ns), ("trace", "trace-2"), strict=True):
        own = replace(over, start_ns=over.start_ns + later_ns)
        ready = at_hand(replay, addresses(replay, sensors))
        found = replay.keep(
            (peers_over, sensors, own, ready),
            partial(peers_over, replay, sensors, own),
        )
        end = found.high if sensors else found.low
        curves.append(Curve(end, end, role))
        until_ns = max(until_ns, replay.span_ns - later_ns)
    what, unit, least = ("hottest sensor", "°C", 1.0) if sensors else ("lowest cell", "V", 0.01)
    title: Line = [(f"{what} ", HEAD), ("█ 1 ", "trace"), ("█ 2", "trace-2")]
    scale = round_scale(*scale_of(curves), least)
    chart = Chart(curves, over, scale, until_ns, AXIS, unit, cursor_ns=shots[0].t_ns, pen=pen)
    return [[], title, *chart_lines(chart, PLOT_ROWS)]


def moved_map(shots: tuple[Snapshot, Snapshot], columns: int) -> list[Line]:
    """How each cell and sensor moved against its peers; empty without two packs."""
    first, second = shots[0].pack, shots[1].pack
    if first is None or second is None or not (first.any_value and second.any_value):
        return []
    moved = shift(first, second)
    if moved is None:
        return [[("The two packs have different numbers of cells or sensors.", FAINT)]]
    title: Line = [("moved against the peers from 1 to 2: cells [mV], sensors [K]", HEAD)]
    drawn = PackMap.of(moved.layout, columns, "deviations").draw(moved, None)[1:]
    return [clip(title, columns), *drawn]


def difference_table(rows: tuple[Difference, ...]) -> list[Line]:
    """First, second and change of each figure."""
    lines: list[Line] = [[(f"{'':<20}{'1':>10}{'2':>10}{'change':>10}", HEAD)]]
    for row in rows:
        first, second = (
            "-" if math.isnan(v) else f"{v:.{row.decimals}f}" for v in (row.first, row.second)
        )
        change = "-" if math.isnan(row.change) else f"{row.change:+z.{row.decimals}f}"
        lines.append(
            [
                (f"{row.what:<20}", FAINT),
                (f"{first:>10}{second:>10}", PLAIN),
                (f"{change:>10}", "strong"),
                (f" {row.unit}", FAINT),
            ]
        )
    return lines
