"""Reading a DBC text as far as it can be read: what cannot is set aside, each line reported.

cantools refuses a file whole when one statement is wrong. Here the wrong statements are found by
halving: a run of statements that parses is kept, one that does not is split until single ones are
left. First for the form of each statement, then for its meaning with all others around it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from busplan.definitions.multiplexing import narrowed
from busplan.definitions.statements import Statement, blocks
from busplan.errors import PlanError, Problem
from busplan.findings import Figure, Finding, Weight, Where

MOST_ATTEMPTS = 400
"""Bound on whole readings of a file while looking for statements that make no sense."""

_SIGNAL_PARENT = "BO_ 0 Parent: 8 Parent\n"
_TAIL = "BS_:\n"
"""The list after ``NS_`` ends only where another statement with a colon begins."""

_FORM = re.compile(
    r"\s*SG_\s+\w+(?:\s+\w+)?\s*:\s*(\d+)\s*\|\s*(\d+)\s*@\s*(\d+)\s*[+-]\s*\(\s*([^,\s]+)\s*,"
)
_UNASSIGNED = re.compile(r"\s*BO_\s+\d+\s+VECTOR__INDEPENDENT_SIG_MSG\b")


@dataclass(frozen=True, eq=False)
class Salvaged:
    """What cantools read from the usable statements, those statements, and what was set aside.

    ``database`` is ``None`` when no statement is left.
    """

    database: Any | None
    statements: tuple[Statement, ...]
    findings: tuple[Finding, ...]


def salvage(statements: Sequence[Statement], file: str) -> Salvaged:
    """Read what can be read. ``PlanError`` when the file is too odd to take apart."""
    refused: list[tuple[Statement, str, int]] = []
    kept = _well_formed(statements, refused)
    kept = _sensible(kept, refused)
    kept, orphans = _without_orphans(kept)
    database = _load(kept)
    if isinstance(database, Exception):
        kept = _halve_by_meaning(kept, refused, file)
        kept, more = _without_orphans(kept)
        orphans += more
        database = _load(kept)
    findings = [_set_aside(file, s, why, offset) for s, why, offset in refused]
    findings += _orphan_finding(file, orphans)
    if isinstance(database, Exception):
        problem = Problem(file, None, "", f"cannot be read: {_reason(database)}")
        raise PlanError([problem]) from database
    findings.sort(key=lambda f: f.where.line or 0)
    return Salvaged(database if kept else None, tuple(kept), tuple(findings))


def is_unassigned(head: Statement) -> bool:
    """Whether a ``BO_`` line is the pseudo message in which DBC writers keep unused signals."""
    return _UNASSIGNED.match(head.text) is not None


def read_alone(statements: Iterable[Statement]) -> Any:
    """What cantools reads from ``statements``, which are known to be usable together."""
    database = _load(list(statements))
    if isinstance(database, Exception):
        raise database
    return database


def _well_formed(
    statements: Sequence[Statement], refused: list[tuple[Statement, str, int]]
) -> list[Statement]:
    """Statements that the DBC grammar admits; what trails after one on later lines goes alone."""
    from textparser import Error

    def problem(run: Sequence[Statement]) -> Error | None:
        lead = _SIGNAL_PARENT if run[0].keyword == "SG_" else ""
        try:
            _parser().parse(lead + "".join(s.text for s in run) + _TAIL)
        except Error as error:
            return error
        return None

    def keep(run: Sequence[Statement]) -> list[Statement]:
        error = problem(run)
        if error is None:
            return list(run)
        if len(run) > 1:
            middle = len(run) // 2
            return keep(run[:middle]) + keep(run[middle:])
        statement = run[0]
        lead = len(_SIGNAL_PARENT) if statement.keyword == "SG_" else 0
        offset = getattr(error, "offset", lead) - lead
        line, _, rest = statement.text.partition("\n")
        first = Statement(statement.keyword, line + "\n", statement.line, statement.start)
        if rest.strip() and problem([first]) is None:
            extra = Statement("", rest, statement.line + 1, statement.start + len(line) + 1)
            refused.append((extra, "not a DBC statement", len(rest) - len(rest.lstrip())))
            return [first]
        refused.append((statement, "not well formed", offset))
        return []

    return keep(statements) if statements else []


def _sensible(
    statements: Sequence[Statement], refused: list[tuple[Statement, str, int]]
) -> list[Statement]:
    """Statements whose figures can be; a message set aside takes its signals with it."""
    kept: list[Statement] = []
    dropped = False
    parent: Statement | None = None
    seen: set[str] = set()
    attributes = {s.attribute for s in statements if s.keyword == "BA_DEF_"}
    for statement in statements:
        why = None
        if statement.keyword == "BO_":
            why = _wrong_message(statement)
            dropped, parent, seen = why is not None, statement, set()
        elif statement.keyword == "SG_":
            if dropped and parent is not None:
                why = f"its message at line {parent.line} was set aside"
            elif parent is None:
                why = "it belongs to no message"
            else:
                why = _wrong_signal(statement, seen)
            seen.add(statement.signal or "")
        elif statement.keyword == "BA_" and statement.attribute not in attributes:
            why = f"attribute {statement.attribute!r} is not defined in the file"
        if why is None:
            kept.append(statement)
        else:
            refused.append((statement, why, 0))
    return kept


def _wrong_message(statement: Statement) -> str | None:
    number = statement.identifier or 0
    if is_unassigned(statement):
        return None
    if number < 1 << 31:
        return None if number < 1 << 11 else f"identifier 0x{number:X} has more than 11 bits"
    value = number - (1 << 31)
    return None if value < 1 << 29 else f"identifier 0x{value:X} has more than 29 bits"


def _wrong_signal(statement: Statement, seen: set[str]) -> str | None:
    figures = _FORM.match(statement.text)
    if figures is None:
        return "its start, length and byte order are not whole numbers"
    start, length, order, scale = figures.groups()
    if statement.signal in seen:
        return f"the message already has a signal {statement.signal}"
    if not 1 <= int(length) <= 64:
        return f"a signal of {length} bits; 1 to 64 can be"
    if int(start) > 8 * 1785:
        return f"start bit {start} lies beyond the longest possible message"
    if order not in {"0", "1"}:
        return f"byte order {order}; 0 (big-endian) or 1 (little-endian) can be"
    if float(scale) == 0:
        return "a scale of zero"
    return None


def _without_orphans(statements: Sequence[Statement]) -> tuple[list[Statement], list[Statement]]:
    """Apart: statements that speak of a signal the file does not define."""
    known = {
        (b.head.identifier, s.signal) for b in blocks(statements) for s in (b.head, *b.signals)
    }
    kept: list[Statement] = []
    orphans: list[Statement] = []
    for s in statements:
        speaks = s.keyword in {"VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_"} and s.identifier is not None
        (orphans if speaks and (s.identifier, s.signal) not in known else kept).append(s)
    return kept, orphans


def _halve_by_meaning(
    statements: Sequence[Statement], refused: list[tuple[Statement, str, int]], file: str
) -> list[Statement]:
    """The greatest set of statements (taken message by message) that cantools can read."""
    attempts = 0
    units: list[list[Statement]] = []
    for s in statements:
        if s.keyword == "SG_" and units and units[-1][0].keyword == "BO_":
            units[-1].append(s)
        else:
            units.append([s])
    rank = {"BU_": 0, "BA_DEF_": 0, "BA_DEF_DEF_": 1, "BO_": 2}
    units.sort(key=lambda u: (rank.get(u[0].keyword, 3), u[0].start))
    kept: list[Statement] = []

    def keep(run: Sequence[list[Statement]]) -> None:
        nonlocal attempts
        attempts += 1
        if attempts > MOST_ATTEMPTS:
            line = run[0][0].line
            problem = Problem(file, line, "", "too many statements that make no sense to go on")
            raise PlanError([problem])
        trial = kept + [s for unit in run for s in unit]
        error = _load(_without_orphans(trial)[0])
        if not isinstance(error, Exception):
            kept[:] = trial
        elif len(run) > 1:
            keep(run[: len(run) // 2])
            keep(run[len(run) // 2 :])
        elif len(run[0]) > 1:
            head, *signals = run[0]
            keep([[head]])
            if head in kept:
                for signal in signals:
                    keep([[signal]])
            else:
                refused.extend((s, f"its message at line {head.line}", 0) for s in signals)
        else:
            refused.append((run[0][0], _reason(error), 0))

    keep(units)
    return sorted(kept, key=lambda s: s.start)


def _load(statements: Sequence[Statement]) -> Any:
    """The database cantools makes of the statements, or the exception it raised."""
    from cantools.database.can.formats import dbc

    ordered = sorted(statements, key=lambda s: s.start)
    text = "".join(narrowed(s) for s in ordered)
    if not text.strip():
        return None
    try:
        return dbc.load_string(text, strict=False, sort_signals=None)
    except Exception as error:  # cantools raises what its helpers raise, of any type
        return error


@cache
def _parser() -> Any:
    """cantools' DBC parser with its grammar built once."""
    from cantools.database.can.formats.dbc.dbc_loader import DbcParser

    class Parser(DbcParser):  # type: ignore[misc]
        @cache  # noqa: B019
        def grammar(self) -> Any:
            return super().grammar()

    return Parser()


def _reason(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text if isinstance(error, ValueError) and text else f"{type(error).__name__}: {text}"


def _set_aside(file: str, statement: Statement, why: str, offset: int) -> Finding:
    line, column = statement.place(offset)
    excerpt = " ".join(statement.text.split())
    excerpt = excerpt if len(excerpt) <= 60 else excerpt[:57] + "..."
    heavy = statement.keyword in {"BO_", "SG_", "SG_MUL_VAL_", "SIG_VALTYPE_", ""}
    return Finding(
        "definition-line-set-aside",
        Weight.CAUTION if heavy else Weight.NOTE,
        Where(file=file, line=line),
        f"Line {line}, column {column} was set aside ({why}): {excerpt}",
        why="What the line says is missing from the definitions; all else was read.",
        action="Mend the line in the file, or ask its maker.",
        figures=(Figure("line", line), Figure("column", column)),
    )


def _orphan_finding(file: str, orphans: Sequence[Statement]) -> list[Finding]:
    if not orphans:
        return []
    kinds = Counter(s.keyword for s in orphans)
    lines = sorted({s.line for s in orphans})
    shown = ", ".join(map(str, lines[:8])) + (", ..." if len(lines) > 8 else "")
    what = ", ".join(f"{count} {kind}" for kind, count in kinds.items())
    return [
        Finding(
            "definition-line-set-aside",
            Weight.NOTE,
            Where(file=file, line=lines[0]),
            f"{what} speak of signals that the file does not define (lines {shown}).",
            why="They have nothing to apply to; all else was read.",
            action="Look whether a signal was renamed or its line set aside.",
            figures=(Figure("lines", len(orphans)),),
        )
    ]
