"""Reading a DBC text as far as it can be read: what cannot is set aside, each line reported.

cantools refuses a file whole when one statement is wrong. Here the wrong statements are found by
halving: a run of statements that parses is kept, one that does not is split until single ones are
left. First for the form of each statement, then for its meaning with all others around it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from busplan.definitions.door import dbc_format
from busplan.definitions.multiplexing import plain_text
from busplan.definitions.sense import (
    refuse_impossible,
    without_long_comments,
    without_orphans,
)
from busplan.definitions.statements import Refusal, Statement, blocks
from busplan.errors import PlanError, Problem
from busplan.findings import Figure, Finding, Weight, Where
from busplan.wording import one_line

MOST_ATTEMPTS = 400
"""Bound on whole readings of a file while looking for statements that make no sense."""

MOST_TOLD = 1_000
"""Lines set aside that are told one by one."""
_SIGNAL_PARENT = "BO_ 0 Parent: 8 Parent\n"
_TAIL = "BS_:\n"
"""The list after ``NS_`` ends only where another statement with a colon begins, and a statement
that is cut short at the end of a text would be dropped without a word."""


@dataclass(frozen=True, eq=False)
class Salvaged:
    """What cantools read from the usable statements, those statements, and what was set aside.

    ``database`` is ``None`` when no statement is left.
    """

    database: Any | None
    statements: tuple[Statement, ...]
    findings: tuple[Finding, ...]


def salvage(statements: Sequence[Statement], file: str) -> Salvaged:
    """Read what can be read. ``PlanError`` when the file is too odd to take apart.

    A file without blemish is read at once; only one with some is taken apart.
    """
    refused: list[Refusal] = []
    long: list[Refusal] = []
    statements = without_long_comments(statements, long)
    kept, orphans = without_orphans(refuse_impossible(statements, refused))
    if not refused and not orphans:
        database = _load(kept)
        if not isinstance(database, Exception):
            findings = _all_set_aside(file, long)
            return Salvaged(database if kept else None, tuple(kept), tuple(findings))
    refused.clear()
    kept = _well_formed(statements, refused)
    kept = refuse_impossible(kept, refused)
    kept, orphans = without_orphans(kept)
    database = _load(kept)
    if isinstance(database, Exception):
        kept = _halve_by_meaning(kept, refused, file)
        kept, more = without_orphans(kept)
        orphans += more
        database = _load(kept)
    findings = _all_set_aside(file, [*long, *refused])
    findings += _orphan_finding(file, orphans)
    if isinstance(database, Exception):
        problem = Problem(file, None, "", f"cannot be read: {_reason(database)}")
        raise PlanError([problem]) from database
    findings.sort(key=lambda f: f.where.line or 0)
    return Salvaged(database if kept else None, tuple(kept), tuple(findings))


def read_alone(statements: Iterable[Statement]) -> Any:
    """What cantools reads from ``statements``, which are known to be usable together."""
    database = _load(list(statements))
    if isinstance(database, Exception):
        raise database
    return database


def _well_formed(statements: Sequence[Statement], refused: list[Refusal]) -> list[Statement]:
    """Statements that the DBC grammar admits; what trails after one on later lines goes alone.

    All of them when cantools keeps its grammar elsewhere: its reading as a whole judges then.
    """
    from textparser import Error

    try:
        parser = _parser()
    except (ImportError, AttributeError):
        return list(statements)

    def problem(run: Sequence[Statement]) -> Error | None:
        lead = _SIGNAL_PARENT if run[0].keyword == "SG_" else ""
        try:
            parser.parse(lead + "".join(s.text for s in run) + _TAIL)
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
            blank = len(rest) - len(rest.lstrip())
            refused.append(Refusal(extra, "not a DBC statement", blank))
            return [first]
        refused.append(Refusal(statement, "not well formed", offset))
        return []

    kept = keep(statements) if statements else []
    return _without_headless(statements, kept, refused)


def _without_headless(
    statements: Sequence[Statement], kept: Sequence[Statement], refused: list[Refusal]
) -> list[Statement]:
    """Without the signals of messages that are not kept: they belong to no other message."""
    there = {s.start for s in kept}
    lost: dict[int, int] = {}
    for block in blocks(statements):
        if block.head.start not in there:
            signals = [s for s in block.signals if s.start in there]
            there -= {s.start for s in signals}
            lost[block.head.start] = len(signals)
    for i, refusal in enumerate(refused):
        count = lost.get(refusal.statement.start, 0)
        if count:
            refused[i] = refusal.with_signals(count)
    return [s for s in kept if s.start in there]


def _halve_by_meaning(
    statements: Sequence[Statement], refused: list[Refusal], file: str
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
        error = _load(without_orphans(trial)[0])
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
                refused[-1] = refused[-1].with_signals(len(signals))
        else:
            refused.append(Refusal(run[0][0], _reason(error)))

    keep(units)
    return sorted(kept, key=lambda s: s.start)


def _load(statements: Sequence[Statement]) -> Any:
    """The database cantools makes of the statements, or the exception it raised."""
    dbc = dbc_format()
    ordered = sorted(statements, key=lambda s: s.start)
    text = "".join(plain_text(s) for s in ordered)
    if not text.strip():
        return None
    try:
        return dbc.load_string(text + _TAIL, strict=False, sort_signals=None)
    except Exception as error:  # cantools raises what its helpers raise, of any type
        return error


@cache
def _parser() -> Any:
    """cantools' DBC parser with its grammar built once."""
    dbc_format()
    from cantools.database.can.formats.dbc.dbc_loader import DbcParser

    class Parser(DbcParser):
        @cache  # noqa: B019
        def grammar(self) -> Any:
            return super().grammar()

    return Parser()


def _reason(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text if isinstance(error, ValueError) and text else f"{type(error).__name__}: {text}"


def _all_set_aside(file: str, refused: Sequence[Refusal]) -> list[Finding]:
    """A finding for each line set aside; beyond :data:`MOST_TOLD` the others are counted in one."""
    ordered = sorted(refused, key=lambda refusal: refusal.statement.line)
    found = [_set_aside(file, refusal) for refusal in ordered[:MOST_TOLD]]
    more = ordered[MOST_TOLD:]
    if more:
        heavy = any(_is_heavy(refusal.statement) for refusal in more)
        found.append(
            Finding(
                "definition-line-set-aside",
                Weight.CAUTION if heavy else Weight.NOTE,
                Where(file=file, line=more[0].statement.line),
                f"{len(more):,} more lines from here on were set aside.",
                why="What the lines say is missing from the definitions; all else was read.",
                action="See whether this is a definition file at all, and ask its maker.",
                figures=(Figure("lines", len(more)),),
            )
        )
    return found


def _is_heavy(statement: Statement) -> bool:
    return statement.keyword in {"BO_", "SG_", "SG_MUL_VAL_", "SIG_VALTYPE_", ""}


def _set_aside(file: str, refusal: Refusal) -> Finding:
    statement, why, offset = refusal
    line, column = statement.place(offset)
    excerpt = one_line(" ".join(statement.text[:1000].split()), 60)
    return Finding(
        "definition-line-set-aside",
        Weight.CAUTION if _is_heavy(statement) else Weight.NOTE,
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
