"""Small pieces of sentences, the same in findings, tables and screens."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from unicodedata import normalize

CAUTION = (
    "High voltage can kill. Not a safety device: follow local codes, leave pack work to licensed "
    "people."
)
CAUTIONS = (
    CAUTION,
    "High voltage can kill. Not a safety device. Pack work: licensed people only.",
    "High voltage can kill. Not a safety device.",
    "High voltage can kill.",
)
"""The same from long to short: the first that fits is shown."""


def plural(number: int, one: str, many: str | None = None) -> str:
    """``frame`` or ``frames``, by their number; ``many`` where an s at the end does not do."""
    if number == 1:
        return one
    return f"{one}s" if many is None else many


def counted(number: int, one: str, many: str | None = None) -> str:
    """``1 node``, ``3 nodes``."""
    return f"{number} {plural(number, one, many)}"


def listing(names: Iterable[str], most: int = 4) -> str:
    """``a, b and c``; beyond ``most`` names, how many more there are."""
    items = list(dict.fromkeys(names))
    if len(items) > most:
        return f"{', '.join(items[:most])} and {len(items) - most} more"
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def quoted(texts: Iterable[str], most: int = 4) -> str:
    """Texts as something sent them, ``"a", "b" and 3 more``; long ones are cut."""
    items = list(dict.fromkeys(texts))
    shown = ", ".join(f'"{one_line(text)}"' if text else "empty" for text in items[:most])
    return shown + (f" and {len(items) - most} more" if len(items) > most else "")


def plain(value: float, most: int = 4, *, sign: bool = False) -> str:
    """A number by its first digits, the others 0, and never by powers of ten: ``20000``, not
    ``2e+04``; very small ones excepted. No zero has a minus."""
    return f"{float(f'{value:.{most}g}') + 0.0:{'+' if sign else ''}.15g}"


def percent(fraction: float, digits: int = 1, *, sign: bool = False) -> str:
    """A fraction as ``47.3 %``, with ``sign`` as ``+47.3 %``; ``-`` when it is not known.

    A space parts the number from its sign (The International System of Units, 9th edition, 5.4.7).
    """
    if not math.isfinite(fraction):
        return "-"
    return f"{100 * fraction:{'+z' if sign else ''}.{digits}f} %"


def moment_text(time_ns: int, *, epoch: bool) -> str:
    """A recorded time for people: UTC when it counts from 1970, else seconds."""
    if not epoch:
        return f"{time_ns / 1e9:.3f} s"
    seconds, rest = divmod(time_ns, 10**9)
    try:
        day = datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        return f"{seconds} s"
    return f"{day:%Y-%m-%d %H:%M:%S}.{rest // 10**6:03d} UTC"


_CLOCK = re.compile(r"(?:(?:(\d{1,6}):)?(\d{1,6}):)?(\d{1,12}(?:[.,]\d*)?) ?s?", re.ASCII)


def clock_seconds(text: str) -> float | None:
    """A moment or length of time as people write it, ``90``, ``1:30`` or ``0:01:30.5`` [s].

    ``None`` when it is neither seconds, nor minutes and seconds, nor hours too.
    """
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        return None
    hours, minutes, seconds = found.groups()
    return float(seconds.replace(",", ".")) + 60 * int(minutes or 0) + 3600 * int(hours or 0)


def one_line(text: str, width: int = 100) -> str:
    """Text of a file as one harmless line, cut at ``width``."""
    plain = disarmed(text)
    return plain if len(plain) <= width else f"{plain[: width - 1]}…"


_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Characters that count as letters or marks but show nothing (Unicode, default ignorable)."""
_BLANKS = "\N{NO-BREAK SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}\N{FIGURE SPACE}"
_SPACES = "\t\n\r"


def disarmed(text: str) -> str:
    """Text of a file, a name or an argument as one line that can only be read.

    What a terminal, a browser or a log would obey or hide (control characters, escape sequences,
    changes of direction, invisible characters, halves of characters) becomes ``�``, tabs and line
    ends become blanks. The length stays. Every door out of busplan calls this, or
    :func:`escaped`; whoever makes a sentence need not.
    """
    if text.isprintable() and not _UNSEEN.search(text):
        return text
    return "".join(
        c if _is_seen(c) else " " if c in _SPACES else "\N{REPLACEMENT CHARACTER}" for c in text
    )


_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""First characters that make a spreadsheet take a text for a formula (OWASP, "CSV Injection"; the
last four are the full-width forms of the first)."""
_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")
"""Texts that begin like a formula but are only a number, as value tables have them."""


def cell_text(text: str) -> str:
    """A text for a cell of a table that a spreadsheet may open: disarmed, and no formula.

    What would be taken for one gets an apostrophe in front.
    """
    harmless = not text.startswith(_FORMULA) or _NUMBER.fullmatch(text)
    return disarmed(text if harmless else f"'{text}")


def escaped(document: str) -> str:
    """A JSON or TOML text in which the same characters stand as escapes that mean the same.

    Line ends of the document itself stay; those in its strings have been escaped by its maker.
    """
    if document.isascii() and document.replace("\n", "").isprintable():
        return document
    return "".join(c if c == "\n" or _is_seen(c) else _escape(c) for c in document)


_SIGNS = {
    "ß": "ss",
    "æ": "ae",
    "ø": "oe",
    "Ω": "ohm",
    "°": "deg",
    "µ": "u",
    "μ": "u",
    "·": ".",
    "−": "-",
    "–": "-",
    "…": "...",
    "→": "->",
    "←": "<-",
    "▸": ">",
    "●": "*",
    "↑": "up",
    "↓": "down",
    "×": "x",
    "±": "+-",
    "≤": "<=",
    "≥": ">=",
    "²": "^2",
    "½": "1/2",
    "√": "sqrt",
    "Σ": "sum",
    "Δ": "delta ",
    "∆": "delta ",
    "τ": "tau",
    "ρ": "rho",
    "θ": "theta",
    "η": "eta",
    "δ": "delta",
    "«": "{",
    "»": "}",
    "│": "|",
    "─": "-",
    "░": "~",
    "▒": "+",
    "▓": "%",
    "π": "pi",
    "┃": "|",
    "▏": "|",
    "╎": ":",
    "╌": "-",
    "╱": "/",
    "◢": "/",
    "▼": "v",
    **{"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "æ": "ae", "ø": "oe"},
    **{"Ä": "Ae", "Ö": "Oe", "Ü": "Ue", "ẞ": "SS", "Æ": "Ae", "Ø": "Oe"},
    **dict.fromkeys("⌈⌊", "["),
    **dict.fromkeys("⌉⌋", "]"),
    **dict.fromkeys("▁▂▃▄▅▆▇█▀▌▐▖▗▘▙▚▛▜▝▞▟", "#"),
    **dict.fromkeys(_BLANKS, " "),
}
"""What stands for a sign that a console's code page does not have, in ASCII.

Signs that one legend sets apart stay apart: grades of cells, shades, a load and its peak.
"""


def spelled(text: str) -> str:
    """``text`` in ASCII: signs by one table, letters without their marks, the rest ``?``.

    For consoles whose code page lacks a sign, and for names that must be ASCII: ``120 Ω`` is ``120
    ohm``, ``Lüfter`` is ``Luefter`` (DIN 5007-2). It may be longer.
    """
    text = normalize("NFC", text)
    return "".join(c if c.isascii() else _SIGNS.get(c) or _bare(c) for c in text)


def _bare(character: str) -> str:
    if 0x2800 <= ord(character) <= 0x28FF:  # braille, of which curves are drawn
        return "#" if ord(character) & 0xFF else " "
    parts = normalize("NFKD", character)
    return _SIGNS.get(parts) or parts.encode("ascii", "ignore").decode() or "?"


def _is_seen(character: str) -> bool:
    return (character.isprintable() and not _UNSEEN.match(character)) or character in _BLANKS


def _escape(character: str) -> str:
    number = ord(character)
    if number < 0x10000:
        return f"\\u{number:04x}"
    high, low = divmod(number - 0x10000, 0x400)
    return f"\\u{0xD800 + high:04x}\\u{0xDC00 + low:04x}"
