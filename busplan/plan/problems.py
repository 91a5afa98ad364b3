"""Collecting what is wrong with a plan: every problem with its place, none lost, none twice."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from datetime import date, datetime, time
from typing import Any

from busplan.errors import PlanError, Problem
from busplan.plan.locate import KeyPath, line_of, show_path

BACKSLASHES = (
    "within double quotes a backslash begins an escape: write a path with / (it works on every "
    "system) or in single quotes"
)
"""What to write where a path of Windows stands in double quotes."""


class Problems:
    """The problems of one plan file. ``lines`` tells where its keys stand."""

    def __init__(self, file: str, lines: Mapping[KeyPath, int]) -> None:
        self.file = file
        self.lines = lines
        self.found: dict[Problem, None] = {}
        self._beside: dict[str, tuple[int, Problems]] = {}

    def beside(self, section: str, first: int, other: Problems) -> None:
        """From the ``first`` on, the tables of a section stand in another file."""
        self._beside[section] = first, other

    def line(self, path: KeyPath) -> int | None:
        """The line of a key path or of what encloses it."""
        return line_of(self.lines, path)

    def add(self, path: KeyPath, text: str) -> None:
        """Note that what stands at ``path`` is wrong."""
        first, other = self._beside.get(str(path[0]), (0, None)) if path else (0, None)
        if other is not None and len(path) > 1 and isinstance(path[1], int) and path[1] >= first:
            other.add((path[0], path[1] - first, *path[2:]), text)
            self.found |= other.found
            return
        if path not in self.lines and isinstance(path[-1], int):
            path = path[:-1]  # one value where a list may stand
        self.found[Problem(self.file, self.line(path), show_path(path), text)] = None

    def unknown(
        self, path: KeyPath, what: str, name: str, known: Iterable[str], where: str = ""
    ) -> None:
        """Note that ``name`` is none of the ``known`` things of kind ``what``, there ``where``."""
        place = f" {where}" if where else ""
        self.add(path, f'there is no {what} "{name}"{place}{suggestion(name, known, what)}')

    def take(self, error: PlanError) -> None:
        """Add the problems of another file."""
        own = error.problems or (Problem(self.file, None, "", str(error)),)
        self.found.update(dict.fromkeys(own))

    def hint(self, hints: Iterable[Problem]) -> None:
        """Add what may be behind the problems, places in other files."""
        self.found.update(dict.fromkeys(hints))

    def stop(self) -> None:
        """Raise :class:`PlanError` with everything found, in the order of the text, if any."""
        if self.found:
            own = [p for p in self.found if p.file == self.file]
            others = [p for p in self.found if p.file != self.file]
            own.sort(key=lambda p: p.line or 0)
            raise PlanError([*own, *others])


def suggestion(name: str, known: Iterable[str], what: str = "name") -> str:
    """``; did you mean …?``, or what there is to choose from when nothing is near."""
    names = list(dict.fromkeys(known))
    if near := near_miss(name, names):
        return near
    if not names:
        return f"; there is no {what} to choose from"
    shown = _listing(names[:8], "and")
    more = " and more" if len(names) > 8 else ""
    return f"; there {'is' if len(names) == 1 else 'are'} {shown}{more}"


def near_miss(name: str, known: Iterable[str]) -> str:
    """``; did you mean …?`` when something in ``known`` is near or holds ``name``, else nothing."""
    folded = {n.casefold(): n for n in reversed(list(known))}
    wanted = name.casefold()
    near = difflib.get_close_matches(wanted, folded, n=3, cutoff=0.6)
    if not near and len(wanted) > 2:
        near = [n for n in folded if wanted in n][:3]
    return f"; did you mean {_listing([folded[n] for n in near], 'or')}?" if near else ""


def _listing(names: list[str], word: str) -> str:
    quoted = [f'"{n}"' for n in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} {word} {quoted[-1]}"


def show_value(value: Any) -> str:
    """A value as it would stand in the plan, shortened, with its kind."""
    kinds = (
        (bool, "true or false"),
        (str, "text"),
        (int, "a whole number"),
        (float, "a number"),
        (list, "an array"),
        (dict, "a table"),
        ((datetime, date, time), "a date or time"),
    )
    kind = next((word for types, word in kinds if isinstance(value, types)), "a value")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, dict):
        text = "{ " + ", ".join(f"{k} = …" for k in value) + " }" if value else "{}"
    else:
        text = str(value)
    if len(text) > 60:
        text = text[:57] + "…"
    return f"{text} ({kind})"
