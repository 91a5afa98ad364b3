"""The bits of one message, how often each moves, and the curve of a chosen field."""

from __future__ import annotations

from busplan.board.workbench import Bench
from busplan.text.chart import Chart, Curve, chart_lines, dot_columns, lead_of
from busplan.text.dots import Pen
from busplan.text.runs import FAINT, HEAD, PLAIN, Line
from busplan.text.ticks import round_scale
from busplan.traffic.workbench import Field

SHADES = " ·░▒▓█"
"""From never to in every frame."""


def draw_bits(bench: Bench, field: Field | None, columns: int) -> list[Line]:
    """A row a byte, bit 7 at the left; each bit by how often it moves, the field marked."""
    defined = bench.message
    head: Line = [
        (f"{bench.label}  ", HEAD),
        (defined.name if defined else "not defined", PLAIN),
        (f"  {len(bench.time_ns):,} frames of {bench.width} bytes", FAINT),
    ]
    if bench.left_out:
        head.append((f", {bench.left_out:,} of other lengths left out", FAINT))
    legend: Line = [("how often a bit moves: never ", FAINT)]
    legend += [(f"{shade} ", PLAIN) for shade in SHADES[1:]]
    legend.append(("every frame; [ ] the field", FAINT))
    lines: list[Line] = [head, legend, [("byte    7   6   5   4   3   2   1   0", HEAD)]]
    chosen = set() if field is None else set(field.bits())
    last = bench.sample[-1]
    for byte in range(bench.width):
        line: Line = [(f"{byte:>4}   ", HEAD)]
        for bit in range(7, -1, -1):
            place = 8 * byte + bit
            shade = shade_of(float(bench.moves[place]))
            inside = place in chosen
            line.append((f"[{shade}]" if inside else f" {shade} ", "chosen" if inside else PLAIN))
            line.append((" ", PLAIN))
        line.append((f"  {last[byte]:02X}", FAINT))
        lines.append(line)
    return lines


def shade_of(moves: float) -> str:
    """The shade of a bit that moves in this part of the frames."""
    if moves <= 0:
        return SHADES[0]
    return SHADES[min(1 + int(moves * 2 * (len(SHADES) - 2)), len(SHADES) - 1)]


def draw_field(bench: Bench, field: Field, columns: int, rows: int, pen: Pen = Pen()) -> list[Line]:
    """The field over time, on its own scale."""
    track = bench.track(field)
    scale = round_scale(*track.range, 1.0)
    lead = lead_of(scale, rows - 1)
    a_ns, b_ns = int(bench.time_ns[0]), int(bench.time_ns[-1])
    over = dot_columns(a_ns, max(b_ns, a_ns + 1), max(columns - lead, 8), pen)
    low, high = track.lowest_highest(over)
    chart = Chart([Curve(low, high, "trace")], over, scale, until_ns=b_ns, lead=lead, pen=pen)
    title: Line = [
        (f"{field}", "trace"),
        (f"  raw {track.range[0]:.0f} to {track.range[1]:.0f}", FAINT),
    ]
    return [title, *chart_lines(chart, rows - 1)]
