"""Figures and words out of half characters, as high as there is room for."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from busplan.frames.columns import Mask
from busplan.text.canvas import Canvas, role_number
from busplan.text.glyphs import glyph

Dots = Mask
LEAST = 5
"""Dots of the lowest figure."""


def stroke(high: int) -> int:
    """How thick a line is in figures so many dots high."""
    return max((high + 3) // 6, 1)


@lru_cache(maxsize=4096)
def letter(character: str, high: int) -> Dots:
    """One character; ``(high, wide)``. Dots are about square: a column wide, half a row high."""
    shape = glyph(character)
    thick = stroke(high)
    wide = len(shape[0])
    upper = (high - 3 * thick) // 2
    heights = [thick, upper, thick, high - 3 * thick - upper, thick]
    if wide == 1:
        widths = [thick]
    else:
        inner = max(round(high * 0.56) - 2 * thick, thick)
        if wide == 3:
            widths = [thick, inner, thick]
        else:
            middle = (wide - 2) * [max(inner // (wide - 2), 1)]
            if wide == 5:
                middle[1] = thick
            widths = [thick, *middle, thick]
    rows = [np.repeat([c == "#" for c in row], widths) for row in shape]
    dots: Dots = np.repeat(np.array(rows), heights, axis=0)
    dots.flags.writeable = False
    return dots


@lru_cache(maxsize=4096)
def width_of(text: str, high: int) -> int:
    """Columns of a text, a gap of a stroke between characters."""
    gaps = stroke(high) * max(len(text) - 1, 0)
    return int(sum(letter(c, high).shape[1] for c in text)) + gaps


@lru_cache(maxsize=4096)
def best_height(text: str, columns: int, rows: int) -> int:
    """Dots of the highest figure that fits; 0 when none does."""
    for high in range(2 * rows, LEAST - 1, -1):
        if width_of(text, high) <= columns:
            return high
    return 0


def draw_big(text: str, columns: int, rows: int, role: str) -> Canvas | None:
    """The text as high as it fits; ``None`` when it does not."""
    high = best_height(text, columns, rows)
    if not high or not text:
        return None
    thick = stroke(high)
    gap = np.zeros((high, thick), np.bool_)
    parts: list[Dots] = []
    for character in text:
        parts += [gap] if parts else []
        parts.append(letter(character, high))
    dots = np.concatenate(parts, axis=1)
    if high % 2:
        dots = np.concatenate([dots, np.zeros((1, dots.shape[1]), np.bool_)])
    top, bottom = dots[::2], dots[1::2]
    canvas = Canvas(len(top), dots.shape[1])
    canvas.piece = np.select([top & bottom, top, bottom], ["█", "▀", "▄"], " ").astype("<U1")
    canvas.ink[:] = role_number(role)
    return canvas
