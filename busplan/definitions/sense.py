"""Well-formed DBC statements that cannot be meant, told before cantools meets them.

cantools stops at the first of these; here each is refused alone, with the reason.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from busplan.definitions.model import WIDEST_NUMBER
from busplan.definitions.statements import Refusal, Statement, blocks

LONGEST_J1939 = 1785
"""Bytes in the longest message of a J1939 transport session (SAE J1939-21)."""

LONGEST_MESSAGE = 65_535
"""Bytes that a definition may give a message: ISO 15765-2 and extended J1939 sessions go beyond the
4,095 of a first frame's 12 bits; more is taken for a mistake."""

LONGEST_COMMENT = 65_536
"""Characters of a comment; cantools takes 200 bytes of memory for each."""

MOST_REACH = 1 << 26
"""Signals of a message times the bytes they reach: looking for shared bits takes so much memory."""

MOST_TEXT = 1 << 20
"""Bytes of text in a message, the pages of a multiplexed one taken together."""

MOST_ALIKE = 64
"""Messages with one identifier, each of which is read apart from the others."""

FLOAT_WIDTHS = (16, 32, 64)
"""Widths of IEEE 754 numbers [bit]."""

_UNASSIGNED = re.compile(r"\s*BO_\s+\d+\s+VECTOR__INDEPENDENT_SIG_MSG\b")
_MESSAGE = re.compile(r"\s*BO_\s+(\d+)\s+\w+\s*:\s*(\d+)\s")
_SIGNAL = re.compile(
    r"\s*SG_\s+\w+(?:\s+(\w+))?\s*:"
    r"\s*(\d{1,9})\s*\|\s*(\d{1,9})\s*@\s*(\d{1,9})\s*[+-]\s*\(\s*([^,\s]+)\s*,"
)
_MARK = re.compile(r"M|m\d+M?")


def is_unassigned(head: Statement) -> bool:
    """Whether a ``BO_`` line is the pseudo message in which DBC writers keep unused signals."""
    return _UNASSIGNED.match(head.text) is not None


def refuse_impossible(statements: Sequence[Statement], refused: list[Refusal]) -> list[Statement]:
    """The statements whose figures can be; the others go to ``refused``.

    A message set aside takes its signals with it.
    """
    kept: list[Statement] = []
    attributes = {s.attribute for s in statements if s.keyword == "BA_DEF_"}
    loose = [s for s in statements if s.keyword not in {"BO_", "SG_"}]
    for statement in loose:
        if statement.keyword == "BA_" and statement.attribute not in attributes:
            undefined = f"attribute {statement.attribute!r} is not defined in the file"
            refused.append(Refusal(statement, undefined))
        else:
            kept.append(statement)
    owned: set[Statement] = set()
    often: Counter[int | None] = Counter()
    for block in blocks(statements):
        owned.update(block.signals)
        often[block.head.identifier] += 1
        why = _wrong_message(block.head)
        if why is None and often[block.head.identifier] > MOST_ALIKE:
            why = f"more than {MOST_ALIKE} messages have its identifier"
        if why is not None:
            refused.append(Refusal(block.head, why).with_signals(len(block.signals)))
            continue
        kept.append(block.head)
        kept += _possible_signals(block.signals, refused)
    stray = [s for s in statements if s.keyword == "SG_" and s not in owned]
    refused.extend(Refusal(s, "it belongs to no message") for s in stray)
    return _without_odd_floats(sorted(kept, key=lambda s: s.start), refused)


def _possible_signals(lines: Iterable[Statement], refused: list[Refusal]) -> Iterator[Statement]:
    """The signals of one message that can be, and that it can hold together."""
    seen: set[str] = set()
    reach = text = 0
    for line in lines:
        why = _wrong_signal(line, seen)
        figures = _SIGNAL.match(line.text)
        if why is None and figures is not None:
            start, length = int(figures[2]), int(figures[3])
            reach = max(reach, (start + length) // 8 + 1)
            text += length // 8 if length > WIDEST_NUMBER else 0
            if (len(seen) + 1) * reach > MOST_REACH:
                why = f"more signals than a message that reaches byte {reach} can have"
            elif text > MOST_TEXT:
                why = f"more than {MOST_TEXT:,} bytes of text in one message"
        if why is None:
            seen.add(line.signal or "")
            yield line
        else:
            refused.append(Refusal(line, why))


def without_long_comments(
    statements: Sequence[Statement], refused: list[Refusal]
) -> list[Statement]:
    """The statements without comments longer than can be meant; those go to ``refused``."""
    why = f"a comment longer than {LONGEST_COMMENT:,} characters"
    kept = []
    for statement in statements:
        if statement.keyword == "CM_" and len(statement.text) > LONGEST_COMMENT:
            refused.append(Refusal(statement, why))
        else:
            kept.append(statement)
    return kept


def without_orphans(
    statements: Sequence[Statement],
) -> tuple[list[Statement], list[Statement]]:
    """Apart: statements that describe a signal the file does not define."""
    known = {(b.head.identifier, s.signal) for b in blocks(statements) for s in b.signals}
    kept: list[Statement] = []
    orphans: list[Statement] = []
    for s in statements:
        describes = s.keyword in {"VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_"}
        orphan = describes and s.identifier is not None and (s.identifier, s.signal) not in known
        (orphans if orphan else kept).append(s)
    return kept, orphans


def _without_odd_floats(statements: Sequence[Statement], refused: list[Refusal]) -> list[Statement]:
    """Without ``SIG_VALTYPE_`` for signals that are as wide as no IEEE 754 number."""
    odd = {
        (block.head.identifier, line.signal)
        for block in blocks(statements)
        for line in block.signals
        if (figures := _SIGNAL.match(line.text)) and int(figures[3]) not in FLOAT_WIDTHS
    }
    wrong = {
        s: None
        for s in statements
        if s.keyword == "SIG_VALTYPE_" and (s.identifier, s.signal) in odd
    }
    why = "a number of that type has 16, 32 or 64 bits, so the signal is read as an integer"
    refused.extend(Refusal(s, why) for s in wrong)
    return [s for s in statements if s not in wrong]


def _wrong_message(head: Statement) -> str | None:
    if is_unassigned(head):
        return None
    figures = _MESSAGE.match(head.text)
    if figures is None:
        return "its identifier and length are not whole numbers"
    number, length = int(figures[1]), int(figures[2])
    if length > LONGEST_MESSAGE:
        return f"a length of {length} bytes; a definition may have {LONGEST_MESSAGE}"
    bits = 29 if number >> 31 else 11
    value = number & 0x7FFF_FFFF if number < 1 << 32 else number
    return None if value < 1 << bits else f"identifier 0x{value:X} has more than {bits} bits"


def _wrong_signal(line: Statement, seen: set[str]) -> str | None:
    figures = _SIGNAL.match(line.text)
    if figures is None:
        return "its start and length are not whole numbers"
    mark, start, length, order, scale = figures.groups()
    if line.signal in seen:
        return f"the message already has a signal {line.signal}"
    if mark is not None and not _MARK.fullmatch(mark):
        return f"multiplexer mark {mark!r}; M, m<value> or m<value>M can be"
    if int(length) < 1:
        return f"a signal of {length} bits"
    if int(start) + int(length) > 8 * LONGEST_MESSAGE:
        return f"start bit {start} with {length} bits lies beyond the longest message there is"
    if order not in {"0", "1"}:
        return f"byte order {order}; 0 (big-endian) or 1 (little-endian) can be"
    if int(length) > WIDEST_NUMBER:
        return _wrong_text(int(start), int(length), order, mark)
    return _wrong_scale(scale)


def _wrong_text(start: int, length: int, order: str, mark: str | None) -> str | None:
    """What keeps a signal that is too wide for a number from being text."""
    if start % 8 != (7 if order == "0" else 0) or length % 8:
        return (
            f"a signal of {length} bits that does not fill whole bytes; a number has 1 to "
            f"{WIDEST_NUMBER}, text fills bytes"
        )
    selects = mark is not None and mark.endswith("M")
    return f"a selector of {length} bits; 1 to {WIDEST_NUMBER} can be" if selects else None


def _wrong_scale(written: str) -> str | None:
    try:
        scale = float(written)
    except ValueError:
        return f"scale {written!r} is not a number"
    if scale == 0:
        return "a scale of zero"
    return None if math.isfinite(scale) else f"a scale of {written}"
