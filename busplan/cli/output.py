"""How commands print: JSON, findings and tables look the same everywhere."""

from __future__ import annotations

import json
import math
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any

import typer

from busplan.findings import Finding, Weight, by_weight, heaviest

CAUTION_LINE = (
    "High voltage can kill. Not a safety device: follow local codes, leave pack work to licensed "
    "people."
)


EXIT_BY_FINDINGS = "Exit code: 0 nothing above a note, 1 cautions, 2 faults, 3 bad input."
"""Ends the help of a command that judges."""
EXIT_OF_DATA = "Exit code: 0 done, whatever was found; 3 bad input."
"""Ends the help of a command that shows, writes or records data."""


def json_text(value: Any) -> str:
    """A JSON document; numbers that JSON has no word for (a node may send them) are null."""
    return "".join(_json_pieces(value))


def _json_pieces(value: Any) -> Iterator[str]:
    coder = json.JSONEncoder(indent=2, ensure_ascii=False, allow_nan=False)
    return coder.iterencode(_told(value))


def _told(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _told(each) for key, each in value.items()}
    return [_told(each) for each in value] if isinstance(value, list | tuple) else value


def print_json(value: Any) -> None:
    """Print one JSON document on stdout, in parts: some hold millions of windows."""
    pieces = _json_pieces(value)
    while part := "".join(islice(pieces, 100_000)):
        typer.echo(part, nl=False)
    typer.echo()


def text_width() -> int:
    """Columns to wrap running text at: the terminal's, between 60 and 100."""
    return max(60, min(100, shutil.get_terminal_size((80, 24)).columns))


def is_narrow() -> bool:
    """Whether wide tables should leave a column out: the terminal has under 100 columns."""
    return shutil.get_terminal_size((80, 24)).columns < 100


_FIGURE = re.compile(r"(?<=\d) (?=[%A-Za-zΩ°µ])")
"""The blank between a number and its unit, where no line may break."""


def print_text(text: str, *, lead: str = "", indent: int = 0, err: bool = False) -> None:
    """Print running text, wrapped, after ``lead``; later lines start where the text did."""
    first = " " * indent + lead
    rest = " " * len(first)
    wrapped = textwrap.fill(
        _FIGURE.sub("\N{NO-BREAK SPACE}", text),
        text_width(),
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
    typer.echo(wrapped.replace("\N{NO-BREAK SPACE}", " "), err=err)


def print_caution() -> None:
    """Print on stderr what everybody who works on a vehicle must know."""
    print_text(CAUTION_LINE, err=True)


def print_error(text: str) -> None:
    """Print on stderr why a command ends: wrapped on a terminal, else one line a problem."""
    for line in f"busplan: {text}".splitlines():
        if sys.stderr.isatty():
            line = textwrap.fill(
                line,
                shutil.get_terminal_size((80, 24)).columns,
                subsequent_indent="    ",
                break_long_words=False,
                break_on_hyphens=False,
            )
        typer.echo(line, err=True)


def print_findings(findings: Iterable[Finding], *, details: bool = True, err: bool = False) -> None:
    """Print findings, heaviest first: a mark and word for the weight, the sentence, what to do.

    ``err`` sends them to stderr, where a command's data goes to stdout.
    """
    for finding in by_weight(findings):
        head = f"{finding.weight.mark} {finding.weight.word:<7} {finding.code}"
        where = str(finding.where)
        if len(head) + 2 + len(where) <= text_width():
            typer.echo(f"{head}  {where}".rstrip(), err=err)
        else:
            typer.echo(f"{head}\n    {where}", err=err)
        print_text(finding.summary, indent=4, err=err)
        if details:
            for lead, text in (("why: ", finding.why), ("do:  ", finding.action)):
                if text:
                    print_text(text, lead=lead, indent=4, err=err)


def exit_code(findings: Iterable[Finding]) -> int:
    """0 when nothing is above a note, 1 for cautions, 2 for faults."""
    weight = heaviest(findings)
    return {Weight.NOTE: 0, Weight.CAUTION: 1, Weight.FAULT: 2}[weight]


def bar(fraction: float, limit: float | None = None, width: int = 20) -> str:
    """A bar on a fixed scale from 0 to 100 %, with ``|`` where the limit is.

    A fraction beyond 100 % fills the bar and ends in ``>``.
    """
    filled = round(min(max(fraction, 0.0), 1.0) * width)
    cells = ["#"] * filled + ["."] * (width - filled)
    if fraction > 1:
        cells[-1] = ">"
    if limit is not None:
        cells[min(width - 1, round(limit * width))] = "|"
    return "".join(cells)


def print_table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: frozenset[int] = frozenset(),
    shrink: frozenset[int] = frozenset(),
) -> None:
    """Print aligned columns; ``right`` lists the columns that align right (numbers).

    Columns in ``shrink`` (names) are cut, the widest first, until a row fits the terminal; a cut
    text has ``~`` in its middle, because names often differ in their last character. Without a
    terminal, rows of up to 80 columns fit.
    """
    cells = [list(head), *(list(r) for r in rows)]
    widths = [max(len(r[c]) for r in cells) for c in range(len(head))]
    room = max(80, shutil.get_terminal_size((80, 24)).columns)
    while shrink and sum(widths) + 2 * (len(widths) - 1) > room:
        widest = max(shrink, key=lambda c: widths[c])
        if widths[widest] <= 8:
            break
        widths[widest] -= 1
    for row in cells:
        parts = [
            _cut(t, w).rjust(w) if c in right else _cut(t, w).ljust(w)
            for c, (t, w) in enumerate(zip(row, widths, strict=True))
        ]
        typer.echo("  ".join(parts).rstrip())


def _cut(text: str, width: int) -> str:
    if len(text) <= width:
        return text
    tail = (width - 1) // 2
    return f"{text[: width - 1 - tail]}~{text[len(text) - tail :]}"
