"""What many DBC files write that the format does not allow, mended before it is read.

The rules of this file: only what can be meant in one way is mended, each kind with one finding that
names what was read instead; places in the file stay those of the file, by line.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from busplan.definitions.statements import Statement
from busplan.findings import Figure, Finding, Weight, Where
from busplan.wording import counted, listing

_FLAG = 1 << 31
"""Added to an identifier in the file, it says that the identifier has 29 bits."""
_MOST_STANDARD, _MOST_EXTENDED = 0x7FF, 0x1FFF_FFFF

_MESSAGE = re.compile(r"\s*BO_\s+(\d+)\s")
_NUMBERED = re.compile(
    r"(\s*(?:BO_|VAL_|SIG_VALTYPE_|SG_MUL_VAL_|BO_TX_BU_|SIG_GROUP_|"
    r'(?:CM_|BA_\s+"[^"]*")\s+(?:BO_|SG_))\s+)(\d+)(?=\s)'
)
_HEAD_NAME = re.compile(r"(\s*(?:BO_\s+\d+|SG_)\s+)(\d\w*[A-Za-z_]\w*)")
_SAID_NAME = re.compile(
    r'(\s*(?:VAL_|SIG_VALTYPE_|(?:CM_|BA_\s+"[^"]*")\s+SG_)\s+\d+\s+)(\d\w*[A-Za-z_]\w*)'
)
_MULTIPLEXED = re.compile(r"(\s*SG_MUL_VAL_\s+\d+\s+)(\w+)(\s+)(\w+)")
_BARE_POINT = re.compile(r"(?<![\w.])([+-]?)\.(\d)")
_LOST_POINT = re.compile(r"(?<![\w.])([+-]?\d+)\.(?=[\s,)\]|])")


def mend(
    statements: Sequence[Statement], file: str
) -> tuple[tuple[Statement, ...], tuple[Finding, ...]]:
    """The statements with what can be meant in one way written so, and what was mended."""
    result, findings = tuple(statements), []
    for step in (_identifiers, _names, _numbers):
        result, found = step(result, file)
        findings += found
    return result, tuple(findings)


def _identifiers(
    statements: Sequence[Statement], file: str
) -> tuple[tuple[Statement, ...], list[Finding]]:
    """Identifiers that only fit 29 bits, without the flag that says so."""
    lines: dict[int, int] = {}
    for statement in statements:
        match = _MESSAGE.match(statement.text)
        if match and _MOST_STANDARD < int(match[1]) <= _MOST_EXTENDED:
            lines.setdefault(int(match[1]), statement.line)
    if not lines:
        return tuple(statements), []

    def flagged(match: re.Match[str]) -> str:
        number = int(match[2])
        return match[1] + str(number | _FLAG if number in lines else number)

    mended = tuple(
        _rewritten(s, lambda text: _NUMBERED.sub(flagged, text, count=1)) for s in statements
    )
    shown = listing((f"0x{n:08X} (line {line})" for n, line in lines.items()), 8)
    first, line = next(iter(lines.items()))
    return mended, [
        Finding(
            "definition-flag-missing",
            Weight.CAUTION,
            Where(file=file, line=line),
            f"{counted(len(lines), 'identifier')} above 0x7FF without the 29-bit flag, read as 29 "
            f"bits: {shown}.",
            "An 11-bit identifier cannot be that high; if it was a slip of the pen, the frames "
            "have another one.",
            f"Compare with a capture; if right, write {first | _FLAG} instead of {first} in the "
            "file, and so on.",
            (Figure("identifiers", len(lines)),),
        )
    ]


def _names(
    statements: Sequence[Statement], file: str
) -> tuple[tuple[Statement, ...], list[Finding]]:
    """Names that begin with a digit, an underscore put before them."""
    lines: dict[str, int] = {}
    for statement in statements:
        match = _HEAD_NAME.match(statement.text)
        if match:
            lines.setdefault(match[2], statement.line)
    if not lines:
        return tuple(statements), []

    def named(name: str) -> str:
        return f"_{name}" if name in lines else name

    def rewrite(text: str) -> str:
        text = _HEAD_NAME.sub(lambda m: m[1] + named(m[2]), text, count=1)
        text = _SAID_NAME.sub(lambda m: m[1] + named(m[2]), text, count=1)
        return _MULTIPLEXED.sub(lambda m: m[1] + named(m[2]) + m[3] + named(m[4]), text, count=1)

    shown = listing((f"_{name} (line {line})" for name, line in lines.items()), 8)
    return tuple(_rewritten(s, rewrite) for s in statements), [
        _mended(
            file,
            next(iter(lines.values())),
            f"{counted(len(lines), 'name')} beginning with a digit, read as: {shown}.",
            "Names in a DBC file begin with a letter or an underscore.",
        )
    ]


def _numbers(
    statements: Sequence[Statement], file: str
) -> tuple[tuple[Statement, ...], list[Finding]]:
    """Numbers such as ``.25`` and ``25.`` on lines of signals."""
    lines = []
    result = []
    for statement in statements:
        changed = statement
        if statement.keyword == "SG_":
            changed = _rewritten(statement, _outside_texts(_with_digits))
        if changed is not statement:
            lines.append(statement.line)
        result.append(changed)
    if not lines:
        return tuple(statements), []
    return tuple(result), [
        _mended(
            file,
            lines[0],
            f"Numbers without a digit before or after their point, read with a zero there (lines "
            f"{listing(map(str, lines), 8)}).",
            "A DBC file writes 0.25, not .25.",
        )
    ]


def _with_digits(text: str) -> str:
    return _LOST_POINT.sub(r"\g<1>.0", _BARE_POINT.sub(r"\g<1>0.\2", text))


def _outside_texts(change: Callable[[str], str]) -> Callable[[str], str]:
    def changed(text: str) -> str:
        parts = text.split('"')
        return '"'.join(part if i % 2 else change(part) for i, part in enumerate(parts))

    return changed


def _rewritten(statement: Statement, change: Callable[[str], str]) -> Statement:
    text = change(statement.text)
    return statement if text == statement.text else replace(statement, text=text)


def _mended(file: str, line: int, summary: str, why: str) -> Finding:
    return Finding(
        "definition-mended",
        Weight.NOTE,
        Where(file=file, line=line),
        summary,
        why,
        "Mend the file; other programs may refuse it.",
    )


def short_names(
    names: Sequence[str], long_names: Sequence[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Long names where they tell the signals of a message apart, short ones where they do not.

    Returns the names to use, and the long names that several signals share.
    """
    twice = {name for name in long_names if long_names.count(name) > 1}
    chosen = (
        short if long in twice else long for short, long in zip(names, long_names, strict=True)
    )
    return tuple(chosen), tuple(dict.fromkeys(n for n in long_names if n in twice))


def shared_name_findings(
    shared: Iterable[tuple[str, int | None, str, Sequence[str]]], file: str
) -> Iterator[Finding]:
    """One note a long name that several signals of a message share."""
    for message, line, long_name, shorts in shared:
        yield _mended(
            file,
            line or 1,
            f"{listing(shorts)} of {message} have the same long name {long_name}, so they keep "
            "their short names.",
            "Two signals of one name could not be told apart.",
        )
