"""How commands print: JSON, findings and tables look the same everywhere."""

from __future__ import annotations

import codecs
import io
import json
import math
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from busplan.errors import UsageError
from busplan.findings import Finding, Weight, by_weight, heaviest
from busplan.text.finding import finding_block
from busplan.text.finding_groups import group_block, grouped, overview_rows
from busplan.text.runs import wrapped
from busplan.text.table import fitted_lines
from busplan.wording import CAUTION, disarmed, escaped, spelled

EXIT_BY_FINDINGS = (
    "Exit code: 0 nothing above a note, 1 cautions, 2 faults, 3 bad input. What a finding's code "
    "means: busplan explain CODE."
)
"""Ends the help of a command that judges."""
EXIT_OF_READING = (
    "Exit code: 0 done, whatever the values tell; 1 done, but something could not be read whole or "
    "trusted; 3 bad input."
)
"""Ends the help of a command that shows what it read."""
EXIT_OF_DATA = "Exit code: 0 done, whatever was found; 3 bad input."
"""Ends the help of a command that shows, writes or records data."""
EXIT_OF_LIST = (
    "Exit code: 0 every test is proven, 1 some are open or not shown, 2 one has failed or the "
    "journal has been changed, 3 bad input."
)
"""Ends the help of a command that shows a list of tests."""
EXIT_OF_FLEET = (
    "Exit code: 0 done, every capture has its answer, whatever it is; 1 some captures could not be "
    "added or judged this time; 3 bad input."
)
"""Ends the help of the commands of a fleet."""
EXIT_OF_RECORDING = (
    "Exit code: 0 everything heard is in the log; 1 something is missing or elsewhere: frames "
    "dropped or set aside, an interface gone or not answering, a full disk, a removed file; 3 bad "
    "input."
)
"""Ends the help of the command that records."""


def say(*lines: str, err: bool = False) -> None:
    """Print lines on stdout or stderr; the only way that text of ours gets there.

    Each argument is one line, whatever stands in the names it holds.
    """
    _put("\n".join(map(disarmed, lines)) + "\n", sys.stderr if err else sys.stdout)


def prepare_streams() -> None:
    """Let no code page end a command: files and pipes get UTF-8, a console what it can show.

    Whatever else writes there (help, progress, the parser) keeps to it, too. Where a program has no
    such stream (``>&-``, no console), what it writes goes nowhere.
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
            setattr(sys, name, nowhere)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            prepare_stream(stream)


def prepare_stream(stream: io.TextIOWrapper) -> None:
    """The same for one stream."""
    if stream.isatty():
        codecs.register_error(_SPELL, _spell)
        stream.reconfigure(errors=_SPELL)
    else:
        stream.reconfigure(encoding="utf-8", errors="strict")


_SPELL = "busplan-spell"


def _spell(error: UnicodeError) -> tuple[str | bytes, int]:
    """What a console gets for signs that its code page does not have."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return spelled(error.object[error.start : error.end]), error.end


def _put(text: str, stream: TextIO) -> None:
    try:
        with full_told(stream):
            stream.write(text)
            stream.flush()
    except UsageError:
        if stream is not sys.stderr:  # there nothing can be told any more
            raise


@contextmanager
def full_told(stream: TextIO) -> Iterator[None]:
    """A stream that takes no more (a full disk) is one error; a reader that has gone is none."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        give_up(stream)
        why = os.strerror(error.errno) if error.errno else str(error)
        raise UsageError(f"the output cannot be written: {why}") from error


def give_up(stream: TextIO) -> None:
    """Let what a stream still holds, and all that comes, go nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def json_text(value: Any) -> str:
    """A JSON document; numbers that JSON has no word for (a node may send them) are null.

    What a terminal would obey stands as an escape, so that printing the document does no harm.
    """
    return "".join(_json_pieces(value))


def _json_pieces(value: Any, *, ascii_only: bool = False) -> Iterator[str]:
    coder = json.JSONEncoder(indent=2, ensure_ascii=ascii_only, allow_nan=False)
    return map(escaped, coder.iterencode(_told(value)))


def _told(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _told(each) for key, each in value.items()}
    return [_told(each) for each in value] if isinstance(value, list | tuple) else value


def print_json(value: Any) -> None:
    """Print one JSON document on stdout, in parts: some hold millions of windows.

    It is UTF-8; a console of another code page gets escapes, which mean the same.
    """
    unicode = (getattr(sys.stdout, "encoding", None) or "utf-8").lower().startswith("utf")
    pieces = _json_pieces(value, ascii_only=not unicode)
    while part := "".join(islice(pieces, 100_000)):
        _put(part, sys.stdout)
    _put("\n", sys.stdout)


def text_width() -> int:
    """Columns to wrap running text at: the terminal's, between 60 and 100."""
    return max(60, min(100, shutil.get_terminal_size((80, 24)).columns))


def table_width() -> int:
    """Columns that a table may take: the terminal's, 40 at least; 80 where there is none."""
    return max(40, shutil.get_terminal_size((80, 24)).columns)


def is_slim() -> bool:
    """Whether parts of a table should repeat no more than they must: under 80 columns."""
    return table_width() < 80


def is_narrow() -> bool:
    """Whether wide tables should leave a column out: the terminal has under 100 columns."""
    return shutil.get_terminal_size((80, 24)).columns < 100


def print_text(text: str, *, lead: str = "", indent: int = 0, err: bool = False) -> None:
    """Print running text, wrapped, after ``lead``; later lines start where the text did."""
    first = " " * indent + lead
    lines = wrapped(text, text_width(), first=first, rest=" " * len(first), figures=True)
    say(*lines, err=err)


def print_caution() -> None:
    """Print on stderr what everybody who works on a vehicle must know."""
    print_text(CAUTION, err=True)


def print_error(text: str) -> None:
    """Print on stderr why a command ends: wrapped on a terminal, else one line a problem."""
    for line in f"busplan: {text}".split("\n"):
        if sys.stderr.isatty():
            columns = shutil.get_terminal_size((80, 24)).columns
            say(*wrapped(line, columns, rest="    "), err=True)
        else:
            say(line, err=True)


def print_findings(findings: Iterable[Finding], *, details: bool = True, err: bool = False) -> None:
    """Print findings, heaviest first: a mark and word for the weight, the sentence, what to do.

    ``err`` sends them to stderr, where a command's data goes to stdout.
    """
    for finding in by_weight(findings):
        say(*finding_block(finding, text_width(), details=details), err=err)


def print_grouped(findings: Iterable[Finding], *, brief: bool = False, whole: bool = False) -> None:
    """Print findings so that many are told in few lines, after a table of how many there are.

    ``brief`` leaves out why it matters and what to do; ``whole`` puts nothing together.
    """
    findings = tuple(findings)
    if whole:
        print_findings(findings, details=not brief)
        return
    groups = grouped(findings)
    if len(groups) < len(findings):
        print_table(
            ["", "finding", "times", "where"],
            overview_rows(groups),
            right=frozenset({2}),
        )
        say()
    for group in groups:
        say(*group_block(group, text_width(), details=not brief))


def exit_by_reading(doubts: Iterable[Finding]) -> int:
    """1 when reading captures or definitions left more than a note, else 0."""
    return min(exit_code(doubts), 1)


def exit_code(findings: Iterable[Finding]) -> int:
    """0 when nothing is above a note, 1 for cautions, 2 for faults."""
    weight = heaviest(findings)
    return {Weight.NOTE: 0, Weight.CAUTION: 1, Weight.FAULT: 2}[weight]


def print_table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: frozenset[int] = frozenset(),
    shrink: frozenset[int] = frozenset(),
    folded: frozenset[int] = frozenset(),
    whole: bool = False,
    kept: int = 0,
    glued: frozenset[int] = frozenset(),
) -> None:
    """Print aligned columns as :func:`busplan.text.table.fitted_lines` lays them out."""
    lines = fitted_lines(
        head,
        rows,
        table_width(),
        right=right,
        shrink=shrink,
        folded=folded,
        whole=whole,
        kept=kept,
        glued=glued,
    )
    say(*lines)
