"""Small pieces of sentences, the same in findings, tables and screens."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

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


def one_line(text: str, width: int = 100) -> str:
    """Text of a file as one line for a terminal: no control characters, cut at ``width``."""
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return plain if len(plain) <= width else f"{plain[: width - 1]}…"
