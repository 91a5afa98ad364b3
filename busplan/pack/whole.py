"""The whole judged in one answer and one line: good only when all that must be shown was shown.

*Bad* when anything was found. Else *not shown* when a section that this kind of test must show
(:data:`busplan.pack.kinds.KINDS`) is not, or when reading the capture had to tolerate something.
Else *good*. A cell or module is judged the same way over the sections that speak of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from busplan.answers import Answer, together
from busplan.findings import Finding, Weight, by_weight
from busplan.pack.kinds import KINDS, PackTest
from busplan.pack.report import PackReport
from busplan.pack.section import Answers, Section
from busplan.pack.sections import sections
from busplan.wording import counted, listing

SPEAKS_OF = {
    "warm-up": "modules",
    "resistance": "cells",
    "order at the ends": "cells",
    "self-discharge": "cells",
    "evenness of cells": "cells",
    "evenness of modules": "modules",
}
"""Topics that judge single cells or modules; when one is not shown, none of them is good."""
BY_TEMPERATURES = ("signals", "limits", "evenness of modules")
"""Topics that temperatures which never moved leave open; the same test again shows them no more."""
NAME_CURRENT = "Name the pack's current in [pack.quantities] of the plan, and judge this again."
BY_CURRENT = ("resistance", "evenness of cells", "self-discharge")
"""Topics that a plan without the current, or that misreads it, leaves open however the test is run.
"""
MISREAD = ("current-sign-wrong", "current-scale-wrong", "cell-scale-wrong")
"""Findings whose remedy lets the same capture show those topics."""
NIGHT_S = 10_800.0
"""A rest of so long is made for self-discharge; where it cannot be looked for that is open."""
MOST_STEPS = 4
"""Next steps that are told."""


@dataclass(frozen=True, slots=True)
class Whole:
    """The answer, the headline, all sections, what to do next, and an answer a cell and module.

    ``open`` names what this test must show and did not.
    """

    answer: Answer
    headline: str
    sections: tuple[Section, ...]
    open: tuple[str, ...]
    steps: tuple[str, ...]
    cells: Answers
    modules: Answers

    @property
    def ordered(self) -> tuple[Section, ...]:
        """The sections as they are read: what is bad, what was shown, what was not."""
        order = (Answer.BAD, Answer.GOOD, Answer.NOT_SHOWN)
        return tuple(sorted(self.sections, key=lambda s: order.index(s.answer)))


def judge_whole(report: PackReport, findings: Sequence[Finding] | None = None) -> Whole:
    """Everything together; over ``findings`` when they are more than the report's own."""
    told = sections(report)
    must = KINDS[report.test].sections
    coarse = report.self_discharge is not None and report.self_discharge.coarse
    if report.test is PackTest.REST and report.span_s >= NIGHT_S and not coarse:
        must = (*must, "self-discharge")
    by_name = {s.name: s for s in told}
    open_ = tuple(
        name
        for name in ("recording", *must)
        if (by_name[name].open if name in by_name else name in must and _applies(report, name))
    )
    lacking: list[str] = []
    for name in open_:
        if name != "limits" or "signals" not in open_:  # what was not heard was not seen inside
            lacking += by_name[name].lacks if name in by_name and by_name[name].lacks else (name,)
    heavy = [
        f
        for f in (report.findings if findings is None else findings)
        if f.weight > Weight.NOTE and f not in report.tolerated
    ]
    if heavy or any(s.answer is Answer.BAD for s in told):
        answer = Answer.BAD
    else:
        answer = Answer.NOT_SHOWN if open_ else Answer.GOOD
    asked = [s for s in told if s.name in must or s.answer is Answer.BAD]
    unknown = {
        one
        for name, one in SPEAKS_OF.items()
        if name in open_ and not (name in by_name and getattr(by_name[name], one))
    }
    return Whole(
        answer,
        _headline(answer, heavy, lacking),
        told,
        open_,
        _steps(report, heavy, [by_name[n] for n in open_ if n in by_name]),
        _each(len(report.layout.cells), [s.cells for s in asked], "cells" in unknown),
        _each(len(report.layout.modules), [s.modules for s in asked], "modules" in unknown),
    )


def headline(report: PackReport, findings: Sequence[Finding] | None = None) -> str:
    """The verdict in one line; over ``findings`` when they are more than the report's own."""
    return judge_whole(report, findings).headline


def _applies(report: PackReport, name: str) -> bool:
    """Whether a section that is not there could be: the plan maps something for it."""
    if name == "electrical":
        return bool(report.checks) and report.test.value == "key-on"
    return name not in ("evenness of cells", "evenness of modules")


def _headline(answer: Answer, heavy: Sequence[Finding], open_: Sequence[str]) -> str:
    missing = f"Not shown: {listing(open_, 6)}." if open_ else ""
    if answer is Answer.GOOD:
        return "All right, as far as this capture shows."
    if answer is Answer.NOT_SHOWN:
        return f"Nothing bad seen, but not all was shown. {missing}"
    counts = [
        counted(n, w.word)
        for w in (Weight.FAULT, Weight.CAUTION)
        if (n := sum(f.weight is w for f in heavy))
    ]
    told = f"Not all right: {' and '.join(counts)}." if counts else "Not all right."
    return f"{told} {missing}".rstrip()


def _steps(
    report: PackReport, heavy: Sequence[Finding], open_: Sequence[Section]
) -> tuple[str, ...]:
    """What to do next: for what was found, then for what was not shown."""
    steps = [f.action for f in by_weight(heavy) if f.action]
    if report.unmoved is not None:
        steps.append(report.unmoved.action)
        open_ = [s for s in open_ if s.name not in BY_TEMPERATURES or report.heard.missing]
    unnamed = "current" not in report.layout.quantities
    if unnamed and any(s.name in BY_CURRENT for s in open_):
        steps.append(NAME_CURRENT)
    if unnamed or any(f.code in MISREAD for f in heavy):
        open_ = [s for s in open_ if s.name not in BY_CURRENT]
    steps += [f"To show the {s.name}: {s.missing}." for s in open_ if not s.again]
    if any(s.again for s in open_):
        steps.append(f"To show the rest: {KINDS[report.test].run}{_longer(report)}.")
    return tuple(dict.fromkeys(steps))[:MOST_STEPS]


def _longer(report: PackReport) -> str:
    """How much longer a warm-up must last to show what it did not."""
    if report.warm_up is None or not report.warm_up.more_minutes:
        return ""
    short = (KINDS[report.test].least_s - report.span_s) / 60.0
    return f"; heat {ceil(max(report.warm_up.more_minutes, short))} min longer than here"


def _each(count: int, told: Sequence[Answers], unknown: bool) -> Answers:
    """One answer for each of ``count``, over the sections that speak of single ones.

    ``unknown``: a section that must speak of them says nothing of any.
    """
    known = [answers for answers in told if answers]
    if unknown or not known:
        known.append((Answer.NOT_SHOWN,) * count)
    return tuple(together(answers[i] for answers in known) for i in range(count))
