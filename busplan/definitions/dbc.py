"""DBC files in through cantools, out as our own messages and signals."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from busplan.definitions.circles import without_circles
from busplan.definitions.convert import convert_message, node_names, selections
from busplan.definitions.mending import mend, shared_name_findings, short_names
from busplan.definitions.model import Message
from busplan.definitions.oddities import odd_messages, without_lost_pages
from busplan.definitions.salvage import Salvaged, read_alone, salvage
from busplan.definitions.sense import is_unassigned
from busplan.definitions.source import decode_text, read_bytes
from busplan.definitions.statements import Block, Statement, blocks, cut
from busplan.errors import PlanError, Problem
from busplan.findings import Figure, Finding, Weight, Where

_SLOWEST_IN_BITS = 5_000
"""A bit rate below this is taken to be in kbit/s: no CAN network runs at 5 kbit/s or less."""


@dataclass(frozen=True, slots=True)
class Definitions:
    """What one definition file says.

    ``findings`` holds what had to be tolerated; ``encoding`` is how the file was read;
    ``bit_rate_hint`` [bit/s] is a bit rate the file mentions, never taken as the network's.
    ``version`` is what its VERSION line says; "" when that says nothing.
    """

    file: str
    nodes: tuple[str, ...]
    messages: tuple[Message, ...]
    findings: tuple[Finding, ...] = ()
    encoding: str = "utf-8"
    bit_rate_hint: int | None = None
    version: str = ""


def load_dbc(path: str | Path, *, encoding: str | None = None) -> Definitions:
    """Read a DBC file as far as it can be read; blemishes become ``findings``.

    ``encoding`` overrides the guess (UTF-8, else Windows-1252). ``PlanError`` when the file is
    missing, is not in the stated encoding, or nothing in it can be used.
    """
    file = str(path)
    text, encoding, findings = decode_text(read_bytes(Path(path)), file, encoding)
    return parse_dbc(text, file, encoding=encoding, findings=findings)


def parse_dbc(
    text: str, file: str, *, encoding: str = "utf-8", findings: Sequence[Finding] = ()
) -> Definitions:
    """The definitions in a DBC ``text``; ``file`` is the name that messages and findings carry.

    The last few are kept: notebooks, runs over many captures and trials of a change read the same
    files again and again. ``PlanError`` when nothing in it can be used.
    """
    return _parsed(text, file, encoding, tuple(findings))


@lru_cache(maxsize=64)
def _parsed(text: str, file: str, encoding: str, findings: tuple[Finding, ...]) -> Definitions:
    statements, mended = mend(cut(text), file)
    statements, hint, hint_findings = _without_bit_rate(statements, file)
    salvaged = salvage(statements, file)
    database = salvaged.database
    if database is None or (_message_blocks(statements) and not database.messages):
        raise PlanError(_nothing_usable(file, salvaged))
    read = [without_circles(m) for m in _messages(database, salvaged.statements, file)]
    circles = [finding for _, told in read for finding in told]
    messages, lost = without_lost_pages(tuple(message for message, _ in read))
    found = (*findings, *mended, *hint_findings, *salvaged.findings, *circles)
    found += (*_shared_names(database, salvaged.statements, file), *lost, *odd_messages(messages))
    found += _missing(salvaged, messages, file)
    nodes = node_names(database, messages)
    version = (database.version or "").strip()
    return Definitions(file, nodes, messages, found, encoding, hint or _bus_rate(database), version)


def _message_blocks(statements: Sequence[Statement]) -> list[Block]:
    """The messages among the statements, without the pseudo message for unassigned signals."""
    return [b for b in blocks(statements) if not is_unassigned(b.head)]


def _messages(database: Any, statements: Sequence[Statement], file: str) -> tuple[Message, ...]:
    """Every message of the file, those that share an identifier read apart from each other."""
    found = _message_blocks(statements)
    chosen = selections(statements)
    protocol = (database.dbc.attributes or {}).get("ProtocolType")
    j1939 = protocol is not None and "j1939" in str(protocol.value).lower()
    often = Counter(b.head.identifier for b in found)
    messages = []
    for source, block in zip(database.messages, found, strict=True):
        if often[block.head.identifier] > 1:
            source = _read_apart(statements, block, found)
        messages.append(convert_message(source, block, chosen, file=file, j1939_file=j1939))
    return tuple(messages)


def _shared_names(database: Any, statements: Sequence[Statement], file: str) -> tuple[Finding, ...]:
    """Long names that several signals of a message share."""
    shared = []
    for source, block in zip(database.messages, _message_blocks(statements), strict=True):
        long_names = [s.name for s in source.signals]
        if len(set(long_names)) == len(long_names) or len(long_names) != len(block.signals):
            continue
        short = [line.signal or "" for line in block.signals]
        for name in short_names(short, long_names)[1]:
            mine = [s for s, long in zip(short, long_names, strict=True) if long == name]
            shared.append((source.name, block.head.line, name, mine))
    return tuple(shared_name_findings(shared, file))


def _read_apart(statements: Sequence[Statement], block: Block, all_blocks: Sequence[Block]) -> Any:
    """cantools' reading of one of several messages with the same identifier.

    Read together, value tables and float types would go to the first of them only.
    """
    others = {id(s) for b in all_blocks if b is not block for s in (b.head, *b.signals)}
    own = {s.signal for s in block.signals}
    number = block.head.identifier
    kept = [
        s
        for s in statements
        if id(s) not in others
        and (
            s.keyword not in {"VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_"}
            or (s.identifier == number and s.signal in own)
        )
    ]
    return read_alone(kept).messages[0]


def _without_bit_rate(
    statements: Sequence[Statement], file: str
) -> tuple[tuple[Statement, ...], int | None, tuple[Finding, ...]]:
    """A bit rate after ``BS_:``, which cantools refuses, taken out and kept as a hint."""
    hint = None
    findings = []
    result = []
    for statement in statements:
        if statement.keyword == "BS_":
            match = re.match(r"\s*BS_\s*:\s*(\d+)", statement.text)
            if match:
                hint = _in_bits(int(match[1]))
                findings.append(
                    Finding(
                        "definition-bit-rate-hint",
                        Weight.NOTE,
                        Where(file=file, line=statement.line),
                        f"The file mentions a bit rate of {match[1]} (read as {hint} bit/s).",
                        why="The plan's bit rate counts; the file's number is only a hint.",
                        figures=(Figure("bit rate", hint, "bit/s"),),
                    )
                )
            if match or re.match(r"\s*BS_\s*:\s*[:,;]", statement.text):
                statement = replace(statement, text="BS_:\n")
        result.append(statement)
    return tuple(result), hint, tuple(findings)


def _bus_rate(database: Any) -> int | None:
    """The ``Baudrate`` attribute of the file [bit/s]."""
    rates = [b.baudrate for b in database.buses if b.baudrate]
    return _in_bits(int(rates[0])) if rates else None


def _in_bits(number: int) -> int:
    return number * 1000 if 0 < number <= _SLOWEST_IN_BITS else number


def _missing(salvaged: Salvaged, messages: Sequence[Message], file: str) -> tuple[Finding, ...]:
    findings = []
    if not any(s.keyword == "BU_" for s in salvaged.statements):
        findings.append(
            Finding(
                "definition-nodes-missing",
                Weight.NOTE,
                Where(file=file),
                "The file has no list of nodes (BU_); nodes are those its messages mention.",
                why="A node that only listens, or a misspelt one, cannot be told.",
            )
        )
    if not messages:
        findings.append(
            Finding(
                "definition-no-messages",
                Weight.CAUTION,
                Where(file=file),
                "The file defines no message (BO_).",
                why="A part with it sends and receives nothing that could be planned or decoded.",
                action="Ask the maker for the complete file.",
            )
        )
    return tuple(findings)


def _nothing_usable(file: str, salvaged: Salvaged) -> list[Problem]:
    """Why nothing was left. No line is quoted: the file may be anything, also a secret."""
    problems = [
        Problem(file, f.where.line, "", f"{f.summary.partition('): ')[0]})")
        for f in salvaged.findings[:20]
    ]
    more = len(salvaged.findings) - len(problems)
    tail = f" ({more} more lines like these)" if more > 0 else ""
    return [*problems, Problem(file, None, "", f"nothing in it can be used as a DBC file{tail}")]
