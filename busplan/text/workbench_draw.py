"""The bits of one message, how often each moves, the curve of a chosen field, a known signal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.board.workbench import Bench, Offer
from busplan.replay.track import Track
from busplan.text.chart import Chart, Curve, chart_lines, dot_columns, lead_of
from busplan.text.dots import Pen
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, beside, clip, width, wrap
from busplan.text.ticks import round_scale
from busplan.traffic.workbench import Field, Fit, HeldAgainst
from busplan.wording import counted

SHADES = " ·░▒▓█"
"""From never to in every frame."""
GRID = 46
"""Columns of the grid of bits with what stands beside it."""
HEAD_ROWS, LEAST_BITS, LEAST_CURVE = 3, 4, 6


@dataclass(frozen=True, eq=False)
class Known:
    """A signal that is known, what came of holding all fields against it (``None``: not yet), and
    the chosen field alone against it.
    """

    name: str
    track: Track
    held: HeldAgainst | None = None
    fit: Fit | None = None


@dataclass(frozen=True, eq=False)
class BenchPage:
    """What the workbench shows."""

    bench: Bench
    field: Field
    offers: Sequence[Offer]
    known: Known | None = None
    t_ns: int | None = None


def draw_bits(bench: Bench, field: Field | None, columns: int) -> list[Line]:
    """A row a byte, bit 7 at the left; each bit by how often it moves, the field marked."""
    defined = bench.message
    head: Line = [
        (f"{bench.label}  ", HEAD),
        (defined.name if defined else "not defined", PLAIN),
        (f"  {len(bench.time_ns):,} frames of {counted(bench.width, 'byte')}", FAINT),
    ]
    if bench.left_out:
        head.append((f", {bench.left_out:,} of other lengths left out", FAINT))
    if bench.beyond:
        head.append((f", {bench.beyond:,} later ones not looked at", FAINT))
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


def draw_field(
    bench: Bench,
    field: Field,
    columns: int,
    rows: int,
    pen: Pen = Pen(),
    known: Known | None = None,
    t_ns: int | None = None,
) -> list[Line]:
    """The field over time on its own scale; with a known signal both on the scale of that."""
    track = bench.track(field)
    a_ns, b_ns = int(bench.time_ns[0]), int(bench.time_ns[-1])
    raw = f"  raw {track.range[0]:.0f} to {track.range[1]:.0f}"
    title: Line = [(f"{field}" if known is None else short(field), "trace")]
    fit = None if known is None else known.fit
    factor, offset = (1.0, 0.0) if fit is None else (fit.scale, fit.offset)
    ends = sorted(factor * end + offset for end in track.range)
    if known is not None:
        if fit is None:
            title.append(("  rests, or the known signal does", "caution"))
        else:
            title.append((f"  {fit_text(fit)}", "strong"))
            title += [("  against ", FAINT), (known.name, "trace-2")]
            ends = [min(ends[0], known.track.range[0]), max(ends[1], known.track.range[1])]
    title.append((raw, FAINT))
    scale = round_scale(ends[0], ends[1], 1.0 if fit is None else 0.0)
    lead = lead_of(scale, rows - 1)
    over = dot_columns(a_ns, max(b_ns, a_ns + 1), max(columns - lead, 8), pen)
    low, high = (factor * side + offset for side in track.lowest_highest(over))
    curves = [Curve(np.fmin(low, high), np.fmax(low, high), "trace")]
    unit = ""
    if known is not None and fit is not None:
        curves = [Curve(*known.track.lowest_highest(over, b_ns), "trace-2"), *curves]
        unit = known.track.unit
    chart = Chart(curves, over, scale, until_ns=b_ns, lead=lead, unit=unit, cursor_ns=t_ns, pen=pen)
    return [clip(title, columns), *chart_lines(chart, rows - 1)]


def draw_held(held: HeldAgainst, name: str, most: int, field: Field | None = None) -> list[Line]:
    """What came of holding all fields against a known signal; ``field`` is the chosen one."""
    lines: list[Line] = [
        [
            (f"held against {name}: {held.frames:,} frames, {held.fields:,} fields tried, ", FAINT),
            (f"it turned {counted(held.turns, 'time')}", FAINT),
        ]
    ]
    if held.found:
        lines.append([("found; a second capture agrees", "good")])
    else:
        lines.append([(f"not found: {'; '.join(held.doubts)}", "caution")])
    for fit in held.fits[:most]:
        role = "chosen" if fit.field == field else PLAIN
        lines.append([(f"  {fit.field}: {fit_text(fit)}", role)])
    if len(held.fits) > most:
        lines.append([(f"  and {len(held.fits) - most} more that are equally good", FAINT)])
    return lines


def draw_workbench(page: BenchPage, columns: int, rows: int, pen: Pen = Pen()) -> list[Line]:
    """Bits, what is offered or found beside them, and the curve of the chosen field below."""
    bench, field, known = page.bench, page.field, page.known
    grid = draw_bits(bench, field, columns)
    most = max(min(bench.width, rows - HEAD_ROWS - LEAST_CURVE), min(bench.width, LEAST_BITS))
    first = min(max(min(field.bits()) // 8 - most // 2, 0), bench.width - most)
    body = grid[HEAD_ROWS - 1 : HEAD_ROWS] + grid[HEAD_ROWS + first :][:most]
    told = [clip(line, columns - GRID) for line in _told(page, columns - GRID, len(body))]
    lines = [clip(line, columns) for line in grid[: HEAD_ROWS - 1]]
    lines += beside(body, told, GRID, 0)
    rest = max(rows - len(lines), LEAST_CURVE)
    return [*lines, *draw_field(bench, field, columns, rest, pen, known, page.t_ns)]


def _told(page: BenchPage, columns: int, rows: int) -> list[Line]:
    """What stands beside the bits: equally good fields, else what is offered."""
    known = page.known
    if known is not None and known.held is None:
        return wrap(f"holding every field against {known.name} ...", columns, FAINT)
    if known is not None and known.held is not None:
        head = draw_held(known.held, known.name, 0)[:2]
        lines = [part for line in head for part in wrap(line_text(line), columns, line[0][1])]
        offers = [Offer(f.field, fit_text(f)) for f in known.held.fits]
    else:
        defined = page.bench.message is not None
        head_text = "signals of the definition" if defined else "fields that look like a number"
        lines = [[(head_text if page.offers else "no field looks like a number", HEAD)]]
        offers = list(page.offers)
    room = max(rows - len(lines), 1)
    here = next((n for n, offer in enumerate(offers) if offer.field == page.field), 0)
    first = min(max(here - room // 2, 0), max(len(offers) - room, 0))
    for offer in offers[first : first + room]:
        mark = ">" if offer.field == page.field else " "
        role = "strong" if offer.field == page.field else PLAIN
        told: Line = [(f"{mark} {offer.field}", role), (f"  {offer.told}", FAINT)]
        if width(told) > columns:
            told = [(f"{mark} {short(offer.field)}", role), (f"  {offer.told}", FAINT)]
        lines.append(told)
    return lines


def fit_text(fit: Fit) -> str:
    """How well a field follows the known signal, and the line between them."""
    offset = 0.0 if abs(fit.offset) < 1e-6 * abs(fit.scale) else fit.offset
    return f"r = {fit.r:.4f}, × {fit.scale:.4g} {offset:+.4g}"


def line_text(line: Line) -> str:
    """The line without roles."""
    return "".join(piece for piece, _ in line)


def short(field: Field) -> str:
    """A field in few characters, as ``--bits`` takes it: first bit, length, order, sign."""
    big, signed = ":big" * field.big_endian, ":signed" * field.signed
    return f"{field.start}:{field.length}{big}{signed}"
