"""Reading a plan file and the definition files it names: the edge in front of ``resolve``."""

from __future__ import annotations

import ast
import codecs
import os
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from busplan.errors import PlanError, Problem
from busplan.files import read_whole
from busplan.plan.locate import key_lines, show_path
from busplan.plan.problems import BACKSLASHES, Problems, near_miss
from busplan.plan.vehicle import Vehicle

if TYPE_CHECKING:
    from busplan.definitions.dbc import Definitions
    from busplan.plan.change import Change

LARGEST = 4_000_000
"""Bytes of the largest plan file that is read."""
DEEPEST = 32
"""Most tables and arrays in each other, and names in a key; the plan's own keys need 6."""

_LONG_KEY = re.compile(
    r"""(?<![\w."'-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)"""
    f"{{{DEEPEST}}}"
)
_SIGNED_HEX = re.compile(r"=\s*\[?\s*([+-]0x[0-9A-Fa-f_]*[0-9A-Fa-f])")
_IN_DOUBLE_QUOTES = re.compile(r'"[^"]*\\')
_TWICE = re.compile(r"Cannot (?:declare|mutate immutable namespace) (\(.*\))(?: twice)?")
_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


_EMPTY = {
    "plan": "the plan is empty; it needs at least [network.NAME], [part.NAME] and [node.NAME] "
    "tables",
    "list": "the file is empty; it needs [[test]] tables",
    "board": "the file is empty; it needs [[board]] or [[limit]] tables",
}


def load_plan(path: str | Path) -> Vehicle:
    """The vehicle a plan file describes.

    Tests of its commissioning may stand in ``PLAN.tests.toml`` beside it, too. Raises ``PlanError``
    with every problem of the plan and its definition files.
    """
    document, problems = read_document(path)
    beside = tests_beside(Path(path))
    if beside.is_file():
        document = _with_tests(document, problems, beside)
    return vehicle_of(document, problems, Path(path).parent)


def tests_beside(plan: Path) -> Path:
    """Where more tests of a plan may stand."""
    return plan.with_name(f"{plan.stem}.tests.toml")


def _with_tests(document: dict[str, Any], problems: Problems, beside: Path) -> dict[str, Any]:
    """The plan with the tests of a file beside it behind its own."""
    told, others = read_document(beside, what="list")
    for key in told:
        if key != "test":
            others.add((key,), "a list of tests holds nothing but [[test]] tables")
    more, own = told.get("test", []), document.get("test", [])
    if not isinstance(more, list):
        others.add(("test",), "must be [[test]] tables")
    others.stop()
    if not isinstance(own, list):
        return document
    problems.beside("test", len(own), others)
    return document | {"test": [*own, *more]}


def vehicle_of(
    document: Mapping[str, Any],
    problems: Problems,
    folder: Path,
    load: Callable[[Path], Definitions] | None = None,
) -> Vehicle:
    """The vehicle of a parsed plan whose definition files lie in ``folder``.

    ``load`` reads a definition file (default: DBC). Raises ``PlanError`` with every problem.
    """
    from busplan.definitions.dbc import load_dbc
    from busplan.plan.resolve import resolve
    from busplan.plan.validate import read_spec

    spec = read_spec(document, problems)
    vehicle = resolve(spec, folder, load or load_dbc, problems, problems.file)
    problems.stop()
    assert vehicle is not None, "resolve left no problem and no vehicle"
    return vehicle


class Changed(NamedTuple):
    """A plan before and after a change: vehicles, what had to follow, and the changed document."""

    before: Vehicle
    after: Vehicle
    told: tuple[str, ...]
    document: Mapping[str, Any]


class OpenPlan:
    """A plan file and its definition files, read once, to be changed in several ways.

    Raises ``PlanError`` with every problem of them. The files stay as they are.
    """

    def __init__(self, path: str | Path) -> None:
        from busplan.definitions.dbc import load_dbc

        self.path = Path(path)
        self._load = cache(load_dbc)
        self._document, self._problems = read_document(path)
        self.vehicle = vehicle_of(self._document, self._problems, self.path.parent, self._load)

    def changed(self, values: Sequence[Change], moves: Sequence[Change] = ()) -> Changed:
        """The plan as it is and after a change.

        ``values`` are applied together, then ``moves`` one after the other, each to a plan known
        to be sound. Raises ``PlanError`` for the plan as it would be.
        """
        from busplan.plan.change import apply_changes

        document, before, after = self._document, self.vehicle, self.vehicle
        told: list[str] = []
        for stage in filter(None, (values, *([move] for move in moves))):
            document, follows = apply_changes(document, after, stage)
            told += follows
            lines = Problems(f"{self.path} as changed", self._problems.lines)
            found = vehicle_of(document, lines, self.path.parent, self._load)
            after = replace(found, source=before.source)
        return Changed(before, after, tuple(told), document)


def change_plan(
    path: str | Path, values: Sequence[Change], moves: Sequence[Change] = ()
) -> Changed:
    """A plan as it is and after a change: :meth:`OpenPlan.changed` of a plan opened for it."""
    return OpenPlan(path).changed(values, moves)


def changed_text(path: str | Path, document: Mapping[str, Any], folder: Path) -> str:
    """The text of a plan file with the changed ``document`` in it, to stand in ``folder``.

    Comments and order of what stays are kept, and definition files are found from there.
    Raises ``UsageError`` when that cannot be done.
    """
    from busplan.plan.writing import edited

    return edited(_read_text(Path(path)), moved(document, Path(path).parent, folder))


def moved(document: Mapping[str, Any], old: Path, new: Path) -> dict[str, Any]:
    """The document for a plan in folder ``new`` instead of ``old``: its files are still found."""
    if old.resolve() == new.resolve():
        return dict(document)
    away = os.path.relpath(old.resolve(), new.resolve())

    def path(file: Any) -> Any:
        if not isinstance(file, str) or Path(file).is_absolute():
            return file
        return Path(os.path.normpath(Path(away, file.replace("\\", "/")))).as_posix()

    def table(value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        return {k: _each(v, path) if k == "definitions" else table(v) for k, v in value.items()}

    return {k: table(v) if k == "part" else v for k, v in document.items()}


def _each(value: Any, change: Any) -> Any:
    return [change(v) for v in value] if isinstance(value, list) else change(value)


def read_document(path: str | Path, what: str = "plan") -> tuple[dict[str, Any], Problems]:
    """The parsed TOML text and a place to collect problems, which knows its lines.

    ``what`` says what the file is: a ``plan``, a ``board`` or a ``list`` of tests.
    """
    file = str(path)
    text = _read_text(Path(path))
    document = _parsed(file, text)
    if not document:
        raise PlanError(
            [
                Problem(
                    file,
                    None,
                    "",
                    _EMPTY[what],
                )
            ]
        )
    return document, Problems(file, key_lines(text))


def _parsed(file: str, text: str) -> dict[str, Any]:
    """The TOML text as values; the parser's own cost grows with the square of a key's length."""
    too_deep = f"goes more than {DEEPEST} levels deep; no key of a plan does"
    if match := _LONG_KEY.search(text):
        line = text.count("\n", 0, match.start()) + 1
        raise PlanError([Problem(file, line, "", too_deep)])
    try:
        document = tomllib.loads(text)
        if _depth(document) <= DEEPEST:
            return document
    except tomllib.TOMLDecodeError as error:
        raise PlanError([_syntax_problem(file, text, str(error))]) from error
    except RecursionError:
        pass
    raise PlanError([Problem(file, None, "", too_deep)])


def _depth(value: Any) -> int:
    """Tables and arrays in each other, counted no further than is allowed."""
    depth, layer = 0, [value]
    while layer and depth <= DEEPEST:
        depth += 1
        layer = [
            each
            for one in layer
            for each in (one.values() if isinstance(one, dict) else one)
            if isinstance(each, dict | list)
        ]
    return depth


def _read_text(path: Path) -> str:
    file = str(path)
    try:
        data = read_whole(path, LARGEST)
    except FileNotFoundError as error:
        plans = sorted(p.name for p in path.parent.glob("*.toml")) if path.parent.is_dir() else []
        near = near_miss(path.name, plans)
        raise PlanError([Problem(file, None, "", f"there is no such file{near}")]) from error
    except IsADirectoryError as error:
        raise PlanError([Problem(file, None, "", "is a folder, not a plan file")]) from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise PlanError([Problem(file, None, "", f"cannot be read: {reason}")]) from error
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = "is not a text file" if b"\0" in data else "is not text in UTF-8"
        if data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
            what = "is text in UTF-16, which is not UTF-8: save it as UTF-8"
        raise PlanError(
            [Problem(file, line, "", f"{what} (byte 0x{data[error.start]:02X}); a plan is TOML")]
        ) from error


def _is_foreign(letter: str) -> bool:
    """Whether TOML knows this letter in quotes only."""
    return letter.isalpha() and not letter.isascii()


def _syntax_problem(file: str, text: str, message: str) -> Problem:
    """A TOML syntax error with its line as the place."""
    line = text.count("\n") + 1
    column = ""
    if match := _AT.search(message):
        message = message[: match.start()]
        if match[1]:
            line, column = int(match[1]), f"column {match[2]}"
    if re.match(r'\s*(VERSION\s+"|NS_\s*:|BU_\s*:)', text):
        return Problem(file, None, "", "this is a definition file (DBC), not a plan (TOML)")
    hint = ""
    written = text.split("\n")[line - 1][:1000]
    if found := _SIGNED_HEX.search(written):
        hint = f"; TOML takes no sign before 0x: write {int(found[1].replace('_', ''), 16)}"
    elif match and _IN_DOUBLE_QUOTES.search(written):
        hint = f"; {BACKSLASHES}"
    elif match and match[2] and _is_foreign(written[int(match[2]) - 1 : int(match[2])]):
        hint = '; a name with other letters than a to z stands in quotes: [node."größe"]'
    if found := _TWICE.fullmatch(message):
        message = f"the table or key {show_path(ast.literal_eval(found[1]))} is there twice"
    elif message == "Cannot overwrite a value":
        message = "a key is there twice"
    return Problem(file, line, column, f"not valid TOML: {message[:1].lower()}{message[1:]}{hint}")
