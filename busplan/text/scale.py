"""Bars, needles and dials: one value on a scale with its zones and limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from busplan.findings import Weight
from busplan.frames.columns import I64
from busplan.text.canvas import Canvas, role_number
from busplan.text.chart import LimitLine, zone_role
from busplan.text.runs import FAINT
from busplan.text.ticks import value_ticks

LIMIT_MARKS = {Weight.CAUTION: "╎", Weight.FAULT: "┃"}
DIAL_DEGREES = 240
LEAST_DIAL = (24, 9)
"""Columns and rows of the smallest dial."""


class Gauge(NamedTuple):
    """A value on a scale; NaN without one. ``low`` and ``high`` are its extremes so far."""

    value: float
    scale: tuple[float, float]
    limits: Sequence[LimitLine] = ()
    low: float = float("nan")
    high: float = float("nan")
    colour: bool = True


def zone_of(gauge: Gauge, value: float) -> Weight | None:
    """The heaviest zone in which a place of the scale lies."""
    inside = [
        limit.weight
        for limit in gauge.limits
        if (value > limit.value if limit.above else value < limit.value)
    ]
    return max(inside, default=None)


def draw_bar(gauge: Gauge, columns: int, rows: int) -> Canvas:
    """A bar in halves of a column, from zero where the scale has it, limits marked inside too."""
    canvas = Canvas(rows, columns)
    low, high = gauge.scale
    at = low + (np.arange(columns) + 0.5) / columns * (high - low)
    lit = zone_of(gauge, gauge.value) if gauge.value == gauge.value else None
    base = min(max(0.0, low), high)
    begin, end = sorted((_place(gauge, base, 2 * columns), _place(gauge, gauge.value, 2 * columns)))
    zones = np.full(columns, -1)
    for limit in gauge.limits:
        beyond = at > limit.value if limit.above else at < limit.value
        zones[beyond] = np.maximum(zones[beyond], limit.weight)
    for number in np.unique(zones).tolist():
        zone = None if number < 0 else Weight(number)
        ground = "bar-rest" if zone is None else zone_role(zone, lit is not None and lit >= zone)
        canvas.ground[:, zones == number] = role_number(ground)
        role = "bar-calm" if zone is None else f"bar-{zone.word}"
        canvas.ink[:, zones == number] = role_number(role)
    left, right = (
        (begin <= half) & (half < end) for half in (2 * np.arange(columns) + i for i in (0, 1))
    )
    canvas.piece[:] = np.array(list(" ▐▌█"))[2 * left + right]
    for limit in gauge.limits:
        x = min(max(_place(gauge, limit.value, columns), 0), columns - 1)
        if low <= limit.value <= high:
            for y in range(rows):
                full = canvas.piece[y, x] == "█"
                role = "bar-limit-in" if full else "bar-limit"
                canvas.write(y, x, LIMIT_MARKS[limit.weight], role)
    return canvas


def draw_needle(gauge: Gauge, columns: int, rows: int) -> Canvas:
    """A pointer over a scale of zones."""
    canvas = Canvas(rows, columns)
    band = draw_bar(gauge._replace(value=float("nan")), columns, max(rows - 1, 1))
    canvas.paste(rows - band.rows, 0, band)
    if gauge.value == gauge.value:
        x = min(max(_place(gauge, gauge.value, columns), 0), columns - 1)
        canvas.write(0, x, "▼", "figure")
        for y in range(1, rows):
            canvas.write(y, x, "█", "figure")
    return canvas


def draw_numbers(gauge: Gauge, columns: int) -> Canvas:
    """Round numbers below a scale, with ``^`` at the lowest and highest so far."""
    canvas = Canvas(1, columns)
    ticks, decimals = value_ticks(*gauge.scale, max(columns // 9, 2))
    free = 0
    for value in ticks:
        text = f"{value:z.{decimals}f}"
        x = min(max(_place(gauge, value, columns) - len(text) // 2, 0), columns - len(text))
        if x >= free:
            canvas.write(0, x, text, FAINT)
            free = x + len(text) + 1
    for extreme in (gauge.low, gauge.high):
        if extreme == extreme:
            x = min(max(_place(gauge, extreme, columns), 0), columns - 1)
            canvas.write(0, x, "^", "figure")
    return canvas


def _place(gauge: Gauge, value: float, steps: int) -> int:
    low, high = gauge.scale
    if value != value or high <= low:
        return 0
    return math.floor(min(max((value - low) / (high - low), 0.0), 1.0) * steps)


def draw_dial(gauge: Gauge, columns: int, rows: int) -> Canvas:
    """An arc of 240 degrees, filled up to the value, with zones and a hand."""
    high, wide = 2 * rows, columns
    # The arc reaches half a radius below its middle.
    radius = min((wide - 1) / 2, (high - 1) / 1.5)
    centre_x, centre_y = (wide - 1) / 2, radius + (high - 1.5 * radius - 1) / 2
    y, x = np.mgrid[0:high, 0:wide]
    dx, dy = x - centre_x, centre_y - y
    distance = np.hypot(dx, dy)
    thick = max(radius * 0.18, 1.6)
    ring = (distance <= radius + 0.2) & (distance > radius - thick)
    # 0 at the lower left end, 1 at the lower right one, clockwise over the top.
    degrees = (np.degrees(np.arctan2(dx, dy)) + DIAL_DEGREES / 2) / DIAL_DEGREES
    on = ring & (degrees >= 0) & (degrees <= 1)
    low, top = gauge.scale
    at = low + degrees * (top - low)
    role = np.full((high, wide), -1, np.int64)
    lit = zone_of(gauge, gauge.value) if gauge.value == gauge.value else None
    names = ["dial-rest", "dial-calm", "dial-mark"]
    role[on] = 0
    for limit in sorted(gauge.limits, key=lambda each: each.weight):
        beyond = on & ((at > limit.value) if limit.above else (at < limit.value))
        name = (
            f"dial-{limit.weight.word}{'-lit' if lit is not None and lit >= limit.weight else ''}"
        )
        if name not in names:
            names.append(name)
        role[beyond] = names.index(name)
    if gauge.value == gauge.value:
        share = min(max((gauge.value - low) / (top - low), 0.0), 1.0)
        base = min(max((0.0 - low) / (top - low), 0.0), 1.0)
        first, last = sorted((base, share))
        filled = on & (degrees >= first) & (degrees <= last) & (role == 0)
        role[filled] = 1
        angle = math.radians(share * DIAL_DEGREES - DIAL_DEGREES / 2)
        along = dx * math.sin(angle) + dy * math.cos(angle)
        across = np.abs(dx * math.cos(angle) - dy * math.sin(angle))
        hand = (across <= 0.9) & (along <= radius + 0.2) & (along > radius - 1.7 * thick)
        role[hand] = 2
    return _halves(role, names)


def _halves(role: I64, names: Sequence[str]) -> Canvas:
    """Dots of two colours in a character: the upper as ink, the lower as ground."""
    top, bottom = role[::2], role[1::2]
    canvas = Canvas(len(top), role.shape[1])
    inks = np.array([role_number(n) for n in names])
    grounds = np.array([role_number(f"{n}-ground") for n in names])
    same = (top == bottom) & (top >= 0)
    upper, lower = (top >= 0) & ~same, (bottom >= 0) & ~same
    canvas.piece = np.select([same, upper, lower], ["█", "▀", "▄"], " ").astype("<U1")
    canvas.ink = np.where(upper | same, inks[top], np.where(lower, inks[bottom], 0))
    both = upper & lower
    canvas.ground[both] = grounds[bottom][both]
    return canvas


LARGE = ("Ω", "W", "ohm")
"""Units whose large values are shown in thousands or millions."""


def is_large(value: float, unit: str) -> bool:
    """Whether a value has more digits than one reads at a glance."""
    return unit in LARGE and abs(value) >= 1e4


def large_text(value: float, unit: str) -> tuple[str, str]:
    """A large value with few digits and its unit; the messages have them all."""
    thousands = 2 if abs(value) >= 1e6 and unit == "Ω" else 1
    value /= 1e3**thousands
    decimals = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{value:z.{decimals}f}", f"{' kM'[thousands]}{unit}"
