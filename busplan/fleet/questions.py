"""The ready questions of a fleet, by name."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busplan.errors import UsageError
from busplan.fleet import over_fleet, over_parts, over_years
from busplan.fleet.desk import Desk
from busplan.fleet.figures import figure_named
from busplan.fleet.reply import Reply
from busplan.plan.problems import suggestion


@dataclass(frozen=True)
class Asked:
    """A ready question as it is asked: what about, of which vehicles (none: all), and how."""

    about: str = ""
    vehicles: tuple[str, ...] = ()
    figure: str = ""
    modules: bool = False
    above: float | None = None
    below: float | None = None


@dataclass(frozen=True)
class Question:
    """A ready question: what follows its name, and what it tells."""

    wants: str
    tells: str
    answer: Callable[[Desk, Asked, Sequence[str]], Reply]
    optional: bool = False
    """Whether what follows may be left out."""


def _member(desk: Desk, asked: Asked, vehicles: Sequence[str], *, modules: bool) -> Reply:
    figure = figure_named(asked.figure, modules=modules)
    return over_years.one_member(desk, figure, asked.about, vehicles, modules=modules)


def _drift(desk: Desk, asked: Asked, vehicles: Sequence[str]) -> Reply:
    figure = figure_named(asked.figure, modules=asked.modules)
    return over_years.drifting(desk, figure, vehicles, modules=asked.modules)


def _baseline(desk: Desk, asked: Asked, vehicles: Sequence[str]) -> Reply:
    figure = figure_named(asked.figure, modules=asked.modules)
    return over_years.baseline_and_now(desk, figure, vehicles, modules=asked.modules)


def _finding(desk: Desk, asked: Asked, vehicles: Sequence[str]) -> Reply:
    from busplan.finding_codes.register import CODES

    if asked.about not in CODES and asked.about not in (
        known := sorted({*CODES, *over_fleet.known_codes(desk)})
    ):
        near = suggestion(asked.about, known, "code")
        raise UsageError(f'"{asked.about}" is no code of a finding{near}')
    return over_fleet.with_finding(desk, asked.about, vehicles)


QUESTIONS: dict[str, Question] = {
    "cell": Question(
        "NUMBER",
        "a cell over the years, with its slope",
        lambda d, a, v: _member(d, a, v, modules=False),
    ),
    "module": Question(
        "NAME",
        "a module over the years, with its slope",
        lambda d, a, v: _member(d, a, v, modules=True),
    ),
    "drift": Question("", "cells that drift (--modules: modules)", _drift),
    "baseline": Question("", "each cell's first captures against its last", _baseline),
    "finding": Question("CODE", "vehicles with a finding", _finding),
    "load": Question(
        "NETWORK",
        "the highest load ever, of a network or of all",
        lambda d, a, v: over_fleet.highest_load(d, a.about, v),
        optional=True,
    ),
    "limit": Question(
        "SIGNAL",
        "captures in which a signal went --above or --below a value",
        lambda d, a, v: over_fleet.passed(d, a.about, v, a.above, a.below),
    ),
    "part": Question(
        "PART",
        "one part type in all vehicles, and which of them stands out",
        lambda d, a, v: over_parts.compare_part(d, a.about, v),
    ),
}


def vehicles_of(desk: Desk, wanted: Sequence[str]) -> list[str]:
    """The vehicles wanted, all without any; :class:`UsageError` for one that is not there."""
    known = desk.vehicles
    for one in wanted:
        if one not in known:
            near = suggestion(one, known, "vehicle")
            raise UsageError(f'the fleet has no vehicle "{one}"{near}')
    return list(dict.fromkeys(wanted)) or list(known)


def answered(desk: Desk, question: str, asked: Asked) -> Reply:
    """The answer; :class:`UsageError` for a question that is none, or lacks what it is about."""
    if question not in QUESTIONS:
        near = suggestion(question, list(QUESTIONS), "question")
        raise UsageError(f'the ready questions are {", ".join(QUESTIONS)}; got "{question}"{near}')
    ready = QUESTIONS[question]
    if bool(asked.about) != bool(ready.wants) and not (ready.optional and not asked.about):
        wants = f"busplan fleet ask {question} {ready.wants}".rstrip()
        raise UsageError(f"{question}: ask it as {wants}")
    if question != "limit" and not (asked.above is None and asked.below is None):
        raise UsageError("--above and --below belong to the question limit")
    return ready.answer(desk, asked, vehicles_of(desk, asked.vehicles))
