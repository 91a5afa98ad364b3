"""One tile of a board: header, and the value as figure, bar, needle, dial or word.

The rules of this file: area says how heavy it is, colour repeats it, and a mark is always there. A
fault fills the whole tile, a caution its header alone; calm is dull. What has no value is hatched
and never shows the last one as if it were there. A tile too small for its kind falls to the next
simpler one.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from busplan.board.quantities import taken
from busplan.board.state import Reading, TileState
from busplan.findings import Weight
from busplan.pack.labels import clock
from busplan.text.big import draw_big
from busplan.text.canvas import Canvas, role_number
from busplan.text.chart import HATCH, Flag, LimitLine
from busplan.text.dots import Pen
from busplan.text.runs import FAINT, PLAIN, span_text
from busplan.text.scale import (
    LEAST_DIAL,
    Gauge,
    draw_bar,
    draw_dial,
    draw_needle,
    draw_numbers,
    is_large,
    large_text,
)
from busplan.text.ticks import round_scale

NO_VALUE = "--"
NEVER_CAME = "no frame of it"
"""Of a signal that a capture, or a bus so far, has not brought."""
UNKNOWN = "no such signal here"
"""Of what neither the plan nor what came defines."""


class Kept:
    """Drawings to go on from: what each place showed last, and what that was made of."""

    def __init__(self) -> None:
        self._last: dict[Hashable, tuple[object, Any]] = {}

    def get(self, place: Hashable, made_of: object) -> Any:
        """The drawing of a place; ``None`` when it was made of something else."""
        found = self._last.get(place)
        return found[1] if found is not None and found[0] == made_of else None

    def put(self, place: Hashable, made_of: object, drawing: object) -> None:
        """Keep a drawing until the next one of that place."""
        if len(self._last) >= MOST_KEPT:
            self._last.clear()
        self._last[place] = made_of, drawing


MOST_KEPT = 500
"""Places; while a board is edited each change of a tile is another place."""


@dataclass(frozen=True)
class Look:
    """How tiles are drawn at a moment: the pen, whether unseen alarms are white now, flags.

    ``kept`` spares what has not changed since the last drawing; it never changes what is drawn.
    """

    t_ns: int
    pen: Pen = field(default_factory=Pen)
    white: bool = False
    flags: Sequence[Flag] = ()
    kept: Kept = field(default_factory=Kept)

    @property
    def colour(self) -> bool:
        """Whether there are colours."""
        return self.pen.colour


def begin(state: TileState, look: Look, columns: int, rows: int) -> tuple[Canvas, str]:
    """The empty tile with its grounds, and the role of what is written on it."""
    fault = state.weight == Weight.FAULT
    canvas = Canvas(rows, columns, "plate-fault" if fault else "tile")
    return canvas, PLAIN if fault else "figure"


def mark_of(state: TileState) -> str:
    """One character before the title, so that nothing is told by colour alone."""
    if state.weight is not None:
        return f"{state.weight.mark} "
    if state.readings and all(r.aside for r in state.readings):
        return "x "
    if state.missing:
        return "? "
    gone = state.gone
    return f"{gone.weight.mark} " if gone is not None else ""


def head_role(state: TileState, look: Look) -> str:
    """The ground of the header."""
    if state.weight is not None and state.fresh_alarm and look.white:
        return "head-white"
    if state.weight == Weight.FAULT:
        return "head-fault"
    if state.weight is not None:
        return f"plate-{state.weight.word}"
    gone = state.gone
    if gone is not None:
        return f"plate-{gone.weight.word}"
    return "tile-head"


def draw_head(canvas: Canvas, state: TileState, look: Look, right: str = "") -> None:
    """The header row: mark, title, and the limits or values at its end."""
    role = head_role(state, look)
    canvas.fill(0, 0, 1, canvas.columns, role)
    title = f" {mark_of(state)}{state.title}"
    room = canvas.columns - len(title) - 2
    shown = right if len(right) <= room else ""
    if len(title) > canvas.columns:
        title = f"{title[: canvas.columns - 1]}…"
    canvas.write(0, 0, title, "title-text" if role == "tile-head" else PLAIN)
    if shown:
        canvas.write(
            0, canvas.columns - len(shown) - 1, shown, FAINT if role == "tile-head" else PLAIN
        )


def limits_text(reading: Reading) -> str:
    """What is allowed, the narrowest first: ``3.2–4.15``, ``≤400``; what is passed, when it is."""
    limits = [x for x in reading.limits if x.when is None or reading.passed(x)]
    passed = [x for x in limits if x.weight == reading.weight and reading.passed(x)]
    limits = passed or limits
    low = max((x.value for x in limits if not x.above), default=None)
    high = min((x.value for x in limits if x.above), default=None)
    if low is not None and high is not None:
        return f"{low:.6g}–{high:.6g}"
    if low is not None:
        return f"≥{low:.6g}"
    return f"≤{high:.6g}" if high is not None else ""


def scale_of(state: TileState, reading: Reading) -> tuple[float, float]:
    """The user's range; else round ends around all values of the capture and the limits near it."""
    if state.tile.range is not None:
        return state.tile.range
    track = reading.track
    if track is None:
        return 0.0, 1.0
    low, high = track.range
    if low != low:
        low, high = (track.lowest or 0.0), (track.highest or 1.0)
    if track.unit == "%" and low >= 0 and high <= 100:
        return 0.0, 100.0
    near = max(high - low, 4 * track.step)
    for limit in reading.limits:
        if low - near <= limit.value <= high + near:
            beyond = 0.15 * near if limit.above else -0.15 * near
            low, high = min(low, limit.value + beyond), max(high, limit.value + beyond)
    return round_scale(low, high, 4 * track.step)


def limit_lines(reading: Reading) -> list[LimitLine]:
    """The limits of a reading for a drawing, lit where the value lies beyond."""
    return [
        LimitLine(x.value, x.weight, x.above, reading.passed(x))
        for x in reading.limits
        if x.when is None or reading.passed(x)
    ]


def gauge_of(state: TileState, reading: Reading, look: Look) -> Gauge:
    """The value on its scale."""
    low = high = float("nan")
    track = reading.track
    if track is not None and len(track.time_ns):
        end = int(np.searchsorted(track.time_ns, look.t_ns, "right"))
        lows, highs = track.pyramid.extremes(np.zeros(1, np.int64), np.array([end]))
        low, high = float(lows[0]), float(highs[0])
    value = reading.held.value if reading.held.fresh else float("nan")
    return Gauge(value, scale_of(state, reading), limit_lines(reading), low, high, look.colour)


def value_text(state: TileState, reading: Reading) -> tuple[str, str]:
    """The value and its unit; ``--`` without one."""
    track = reading.track
    if track is None or not reading.held.fresh:
        return NO_VALUE, "" if track is None else track.unit
    value = reading.held.value
    if track.named(value):
        return track.named(value), ""
    decimals, unit = track.decimals, track.unit
    if state.tile.decimals is not None:
        decimals = state.tile.decimals
    elif is_large(value, unit):
        return large_text(value, unit)
    return f"{value:z.{decimals}f}", unit


def why_missing(reading: Reading) -> str:
    """Why there is no value, in words."""
    if reading.track is None or not len(reading.track.time_ns):
        return NEVER_CAME
    if reading.held.age_ns < 0:
        return "no value yet"
    if reading.held.value != reading.held.value and not reading.held.stale:
        # What is made of many signals has none when none of them is fresh; nobody told a code.
        return "none has a value" if taken(reading.subject) else "told as not available"
    return f"no value for {span_text(reading.held.age_ns)}"


def hatch(canvas: Canvas, top: int) -> None:
    """Hatch what has no value, below the header."""
    for y in range(top, canvas.rows):
        for x in range((-y) % 4, canvas.columns, 4):
            if canvas.piece[y, x] == " ":
                canvas.write(y, x, HATCH, "hatch")


def draw_value(state: TileState, look: Look, columns: int, rows: int) -> Canvas:
    """A tile of one value: as its kind where there is room, else as the next simpler one."""
    canvas, ink = begin(state, look, columns, rows)
    if not state.readings:
        return _unknown(canvas, state, look)
    reading = state.readings[0]
    text, unit = value_text(state, reading)
    if rows < 3 and (rows < 2 or state.tile.show != "bar"):
        _one_line(canvas, state, look, f"{text} {unit}".rstrip())
        return canvas
    kind = _fitting(state, columns, rows, reading)
    flat = kind == "bar" and rows < 6 and not reading.missing
    shown = f"{text} {unit}".rstrip()
    draw_head(canvas, state, look, shown if flat else limits_text(reading))
    if flat:
        canvas.paste(1, 1, draw_bar(gauge_of(state, reading, look), columns - 2, rows - 1))
        return canvas
    below = _scale_rows(kind, rows)
    body = rows - 1 - below
    gauge = gauge_of(state, reading, look)
    named = bool(reading.track and reading.held.fresh and reading.track.named(reading.held.value))
    if kind == "dial":
        _dial(canvas, gauge, _short(text), unit, ink)
    elif kind == "word" or named:
        _word(canvas, text, ink, rows - 1)
        below = 0
    else:
        _figure(canvas, text, unit, ink, body)
    if reading.missing or reading.aside:
        hatch(canvas, 1)
        said = "set aside: not believed" if reading.aside else why_missing(reading)
        _centred(canvas, rows - 1, f" {said} ", "tile-head+title-text")
    elif below and not named:
        _scale(canvas, kind, gauge, columns, rows, below)
    if (gone := state.gone) is not None and state.weight is None:
        _centred(
            canvas,
            rows - 1,
            f" was {gone.peak_text} at {clock(gone.peak_ns / 1e9)} ",
            "tile-head+title-text",
        )
    _dark_on_plate(canvas)
    return canvas


def _dark_on_plate(canvas: Canvas) -> None:
    """On the plate of a fault everything that is to be read is dark, whatever it is elsewhere."""
    plate = canvas.ground == role_number("plate-fault")
    for name in (FAINT, "dial-calm", "dial-caution-lit", "dial-fault-lit"):
        canvas.ink[plate & (canvas.ink == role_number(name))] = role_number(PLAIN)


def _fitting(state: TileState, columns: int, rows: int, reading: Reading) -> str:
    """The kind, or the next simpler one."""
    kind = state.tile.show
    if kind == "dial" and (columns < LEAST_DIAL[0] or rows - 1 < LEAST_DIAL[1]):
        kind = "needle"
    if kind == "needle" and (columns < 14 or rows < 7):
        kind = "bar"
    return kind


def _scale_rows(kind: str, rows: int) -> int:
    """Rows that the scale below a figure takes."""
    if kind == "needle":
        return 4 if rows >= 10 else 3
    if kind == "bar":
        return 1 if rows < 5 else 2 if rows < 9 else 3
    if kind == "figure":
        return 1 if rows >= 7 else 0
    return 0


def _scale(canvas: Canvas, kind: str, gauge: Gauge, columns: int, rows: int, below: int) -> None:
    wide = columns - 2
    numbers = below >= 2
    high = below - numbers
    draw = draw_needle if kind == "needle" else draw_bar
    _stamp(canvas, rows - below, 1, draw(gauge, wide, high))
    if numbers:
        drawn = draw_numbers(gauge, wide)
        for x in range(wide):
            if drawn.piece[0, x] != " ":
                canvas.piece[rows - 1, x + 1] = drawn.piece[0, x]
                canvas.ink[rows - 1, x + 1] = drawn.ink[0, x]


def _figure(canvas: Canvas, text: str, unit: str, ink: str, body: int) -> None:
    """The figure with its unit beside it, half a row of air above and below where there is room."""
    room = canvas.columns - 2 - (len(unit) + 1 if unit else 0)
    high = body - 1 if body >= 5 else body
    drawn = draw_big(text, room, high, ink)
    if drawn is None:
        _centred(
            canvas,
            1 + max(body - 1, 0) // 2,
            f"{text} {unit}".rstrip(),
            f"{ink}+strong" if ink != PLAIN else "strong",
        )
        return
    y = 1 + (body - drawn.rows + 1) // 2
    x = 1 + max((room - drawn.columns) // 2, 0)
    _stamp(canvas, y, x, drawn)
    canvas.write(y + drawn.rows - 1, x + drawn.columns + 1, unit, FAINT if ink != PLAIN else ink)


def _stamp(canvas: Canvas, y: int, x: int, drawn: Canvas) -> None:
    """Put a drawing on the tile, whose grounds stay."""
    rows, columns = min(drawn.rows, canvas.rows - y), min(drawn.columns, canvas.columns - x)
    if rows <= 0 or columns <= 0:
        return
    part = drawn.piece[:rows, :columns] != " "
    canvas.piece[y : y + rows, x : x + columns][part] = drawn.piece[:rows, :columns][part]
    canvas.ink[y : y + rows, x : x + columns][part] = drawn.ink[:rows, :columns][part]
    own = drawn.ground[:rows, :columns] != 0
    canvas.ground[y : y + rows, x : x + columns][own] = drawn.ground[:rows, :columns][own]


def _word(canvas: Canvas, text: str, ink: str, body: int) -> None:
    """A state, as large as it fits."""
    drawn = draw_big(text.upper(), canvas.columns - 2, max(body - 1, 1), ink)
    if drawn is None:
        role = "strong" if ink == PLAIN else f"{ink}+strong"
        _centred(canvas, 1 + max(body - 1, 0) // 2, text[: canvas.columns], role)
        return
    _stamp(canvas, 1 + (body - drawn.rows + 1) // 2, (canvas.columns - drawn.columns) // 2, drawn)


def _short(text: str) -> str:
    """A number with four digits at most before and after its point."""
    whole, point, _ = text.partition(".")
    return whole if point and len(whole.lstrip("-")) >= 3 else text


def _dial(canvas: Canvas, gauge: Gauge, text: str, unit: str, ink: str) -> None:
    rows, columns = canvas.rows - 1, canvas.columns
    drawn = draw_dial(gauge, columns, rows)
    _stamp(canvas, 1, 0, drawn)
    inside = draw_big(text, columns // 2 - 2, max(rows // 3, 3), ink)
    if inside is not None:
        _stamp(canvas, 1 + rows // 2, (columns - inside.columns) // 2, inside)
    else:
        _centred(canvas, 1 + rows // 2, text, ink)
    _centred(canvas, canvas.rows - 1, unit, FAINT if ink != PLAIN else ink)


def _centred(canvas: Canvas, y: int, text: str, role: str) -> None:
    text = text[: canvas.columns]
    canvas.write(y, (canvas.columns - len(text)) // 2, text, role)


def _one_line(canvas: Canvas, state: TileState, look: Look, value: str) -> None:
    draw_head(canvas, state, look)
    if canvas.rows > 1:
        _centred(canvas, 1, value, PLAIN if state.weight == Weight.FAULT else "figure")
        return
    text = f" {value} "
    role = head_role(state, look)
    canvas.write(
        0, max(canvas.columns - len(text), 0), text, "figure" if role == "tile-head" else PLAIN
    )


def _unknown(canvas: Canvas, state: TileState, look: Look) -> Canvas:
    """A tile whose signals the vehicle does not have."""
    draw_head(canvas, state, look)
    hatch(canvas, 1)
    _centred(canvas, canvas.rows // 2, f" {UNKNOWN} ", "tile-head+title-text")
    return canvas
