"""Small pieces of SVG: lines, boxes and texts in black on white, and how wide a text is.

The rules of this file: coordinates in user units; every text of a plan passes :func:`safe`.
"""

from __future__ import annotations

from html import escape

from busplan.wording import disarmed

_NARROW = set("iljtfrI.,:;|!'()[]/ -")
_WIDE = set("mwMW@%")


def safe(text: str) -> str:
    """Text for an element or an attribute of SVG or HTML."""
    return escape(disarmed(text), quote=True)


def text_width(text: str, size: float) -> float:
    """About how wide a text is in a plain sans-serif face; never less for Latin letters."""
    units = 0.0
    for c in text:
        if c in _NARROW:
            units += 0.36
        elif c in _WIDE or ord(c) > 0x2E7F:
            units += 1.0
        else:
            units += 0.72 if c.isupper() else 0.6
    return units * size


def shortened(text: str, width: float, size: float) -> str:
    """The text, cut in its middle where it is wider than ``width``: names differ at their end."""
    if text_width(text, size) <= width:
        return text
    keep = len(text) - 1
    while keep > 2:
        tail = keep // 2
        cut = f"{text[: keep - tail]}…{text[len(text) - tail :]}"
        if text_width(cut, size) <= width:
            return cut
        keep -= 1
    return f"{text[:1]}…"


def in_lines(text: str, width: float, size: float, most: int) -> list[str]:
    """A name over up to ``most`` lines, broken after ``_``, ``-``, a dot or a blank."""
    if text_width(text, size) <= width:
        return [text]
    lines, line, start = [], "", 0
    for end in [i + 1 for i, c in enumerate(text) if c in "_-. "] + [len(text)]:
        piece = text[start:end]
        if line and text_width(line + piece.rstrip(), size) > width:
            lines.append(line)
            line = ""
        line += piece
        start = end
    lines.append(line)
    if len(lines) > most:
        lines = [*lines[: most - 1], "".join(lines[most - 1 :])]
    return [shortened(one.rstrip(), width, size) for one in lines]


def label(
    x: float, y: float, text: str, size: float, *, bold: bool = False, anchor: str = "start"
) -> str:
    """A text whose baseline is at ``y``."""
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"{weight} '
        'stroke="none">'
        f"{safe(text)}</text>"
    )


def upright(x: float, y: float, text: str, size: float) -> str:
    """A text that reads from ``y`` upwards."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" stroke="none" '
        f'transform="rotate(-90 {x:.1f} {y:.1f})">{safe(text)}</text>'
    )


def line(x1: float, y1: float, x2: float, y2: float, width: float = 1.0) -> str:
    """A straight line."""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke-width="{width:g}"/>'
    )


def box(x: float, y: float, width: float, height: float, stroke: float = 1.0) -> str:
    """A rectangle, white inside."""
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="white" '
        f'stroke-width="{stroke:g}"/>'
    )


def bar(x: float, y: float, width: float, height: float) -> str:
    """A rectangle, black inside."""
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="black" '
        'stroke="none"/>'
    )


def dot(x: float, y: float, radius: float = 3.5) -> str:
    """A joint: a black disc."""
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" fill="black" stroke="none"/>'


def group(title: str, parts: list[str]) -> str:
    """Elements that belong together; a browser shows the title under the pointer."""
    return f"<g><title>{safe(title)}</title>{''.join(parts)}</g>"
