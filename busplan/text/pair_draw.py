"""Two captures side by side and what is different."""

from __future__ import annotations

import math

from busplan.replay.pair import Difference, differences, shift
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.text.draw import pack_table, state_lines
from busplan.text.packmap import PackMap
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, beside, clip, clock_text, fold

WIDE = 112
"""From this width on the map of what moved stands beside the figures."""
TABLE = 54
"""Columns of the figures then."""


def draw_pair(
    replays: tuple[Replay, Replay], shots: tuple[Snapshot, Snapshot], columns: int
) -> list[Line]:
    """Both states, the figures with their change, and how each cell moved against its peers."""
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
        return [*lines, [], *beside(table, moved, TABLE)]
    return [*lines, [], *table, *([[]] if moved else []), *moved]


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
