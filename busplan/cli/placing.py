"""``busplan allot`` for nodes, networks and names together: searching, and what it prints."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.allot.quiet import quiet_libraries
from busplan.cli.in_time import in_time
from busplan.cli.output import (
    exit_code,
    print_grouped,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.cli.plan_out import write_changed
from busplan.cli.search_progress import SearchProgress
from busplan.cli.stopping import stopping
from busplan.findings import Finding, Weight, summary_line
from busplan.wording import counted, plain

if TYPE_CHECKING:
    from busplan.allot.effect import State
    from busplan.allot.steps import Step
    from busplan.allot.wanted import Question, Wanted
    from busplan.allot.wants import Want
    from busplan.allot.whole import Limits, Proposal
    from busplan.errors import UsageError
    from busplan.plan.vehicle import Vehicle

NOTHING_FOUND = 2
"""Exit code when there is no answer: as for a fault, which the plan still has."""


def place(
    plan: Path,
    want: Want,
    *,
    fault_interval_ns: int | None,
    seconds: float,
    refused: Sequence[str],
    identifiers: bool,
    out: Path | None,
    as_json: bool,
) -> int:
    """Search, print and write; the exit code. ``identifiers``: whether single ones may change."""
    from busplan.allot.proposal_report import wanted_dict
    from busplan.allot.wanted import Question
    from busplan.errors import UsageError
    from busplan.plan.reader import OpenPlan

    opened = OpenPlan(plan)
    asked = Question(
        opened.vehicle, opened.changed, want, fault_interval_ns, tuple(refused), identifiers
    )
    with stopping() as stop, quiet_libraries():
        wanted = _searched(asked, seconds, stop)
    found = wanted.proposal
    best = found.best
    if out is not None:
        if best is None or best.changed.after is opened.vehicle or not _differs(found):
            raise UsageError("nothing changes, so there is no other plan to write")
        write_changed(plan, best.changed.document, out)
    if as_json:
        print_json(wanted_dict(wanted))
    else:
        print_proposal(wanted)
    return NOTHING_FOUND if best is None else exit_code(best.findings)


def _searched(asked: Question, seconds: float, stop: Callable[[], bool]) -> Wanted:
    """The answer, and what one bus error would take beside, each in its time."""
    from busplan.allot.wanted import FOR_MORE, asks_more, find, with_one_error

    far = SearchProgress(seconds, stop)
    far.preparing(_size(asked.vehicle))

    def first(limits: Limits) -> tuple[Wanted, bool]:
        found = find(asked, limits, more=False)
        return found, asks_more(asked, found, limits)

    try:
        found = in_time(first, seconds, stop, far.told, far.tick)
        if found is None:
            raise _not_begun(asked.vehicle, seconds, interrupted=stop())
        wanted, more = found
        if more:
            far = SearchProgress(seconds * FOR_MORE, stop)
            search = partial(with_one_error, asked, wanted)
            whole = in_time(search, seconds * FOR_MORE, stop, far.told, far.tick)
            wanted = whole or replace(wanted, open=True)
    finally:
        far.clear()
    return wanted


def _size(vehicle: Vehicle) -> str:
    return f"{counted(len(vehicle.nodes), 'node')} on {counted(len(vehicle.networks), 'network')}"


def _not_begun(vehicle: Vehicle, seconds: float, *, interrupted: bool) -> UsageError:
    from busplan.allot.too_large import LESS
    from busplan.errors import UsageError

    if interrupted:
        return UsageError("ended before the search had begun, so nothing is known of an answer")
    return UsageError(
        f"{_size(vehicle)}: in {seconds:g} s not even the question was ready, so nothing is known "
        f"of an answer. What helps is more --seconds, or {LESS}"
    )


def on_screen(
    plan: Path,
    want: Want,
    *,
    fault_interval_ns: int | None,
    seconds: float,
    refused: Sequence[str],
    identifiers: bool,
) -> int:
    """Open the screen that shows the proposal beside today's plan; the exit code."""
    from busplan.allot.wanted import Question, find
    from busplan.errors import UsageError
    from busplan.plan.reader import OpenPlan
    from busplan.screens.proposal_app import ProposalApp, Told

    opened = OpenPlan(plan)

    def solve(without: Sequence[str], stop: Callable[[], bool], told: Told, times: int) -> Proposal:
        asked = Question(
            opened.vehicle, opened.changed, want, fault_interval_ns, tuple(without), identifiers
        )
        found = in_time(partial(find, asked, more=False), seconds * times, stop, told)
        if found is None:
            raise _not_begun(opened.vehicle, seconds * times, interrupted=stop())
        return found.proposal

    def write(found: Proposal, out: Path) -> None:
        if found.best is None or not _differs(found):
            raise UsageError("nothing changes, so there is no other plan to write")
        write_changed(plan, found.best.changed.document, out)

    app = ProposalApp(opened.vehicle.label, solve, write, refused)
    app.run()
    if app.failure is not None:
        raise app.failure
    best = app.view.found.best if app.view is not None else None
    return NOTHING_FOUND if best is None else exit_code(best.findings)


def _differs(found: Proposal) -> bool:
    from busplan.allot.steps import steps

    return found.best is not None and bool(steps(found.best))


def print_proposal(wanted: Wanted) -> None:
    """The answer, change by change, and what it does."""
    from busplan.allot.effect import effects
    from busplan.allot.proposal_report import (
        ASSUMED,
        conflict_sentences,
        costs_in_words,
        headline,
        other_sentences,
        wanted_sentences,
    )
    from busplan.allot.steps import steps

    found = wanted.proposal
    print_text(f"{found.before.label}: what to change so that all works")
    say()
    print_text(headline(found))
    if found.conflict is not None:
        for line in conflict_sentences(found.conflict, found.words):
            print_text(line)
    for line in wanted_sentences(wanted):
        print_text(line)
    if found.refused:
        print_text(f"refused: {', '.join(found.refused)}")
    best = found.best
    changes = steps(best) if best is not None else ()
    if changes:
        _print_changes(changes)
        print_text(f"{ASSUMED}.")
    if changes or best is None:
        print_text(f"costs: {costs_in_words(found.before.freedom.costs)} ([allot] sets them)")
    if best is None:
        return
    if changes:
        say()
        _print_effects(
            [(e.network, e.before, e.after) for e in effects(found.before, best.vehicle)]
        )
    others = list(other_sentences(found))
    if others:
        say("", "other answers that cost little more:")
        for line in others:
            print_text(line, indent=2)
    _print_left(best.findings, changes=bool(changes))
    if changes:
        print_text('--out NEW.toml writes it; --refuse "CHANGE" solves again without one:')
        for name in dict.fromkeys(s.name for s in changes if s.name):
            print_text(name, indent=2)


def _print_changes(changes: Sequence[Step]) -> None:
    """Each change with its reason and what speaks against its other places."""
    say()
    for step in changes:
        print_text(step.what, lead=f"{step.cost:5.2f}  ")
        print_text(step.why, lead="because ", indent=7)
        for line in step.elsewhere:
            print_text(line, lead="not ", indent=7)
    say()


def _print_left(findings: Sequence[Finding], *, changes: bool) -> None:
    """What is still to be said of the plan, changed or not."""
    from busplan.allot.report import plan_told

    judged = plan_told(changes=changes)
    heavy = [f for f in findings if f.weight > Weight.NOTE]
    if heavy:
        say("", f"{judged}:")
        print_grouped(heavy, brief=True)
    say("", f"{judged}: {summary_line(findings)}.")


def _print_effects(rows: Sequence[tuple[str, State | None, State | None]]) -> None:
    from busplan.wording import percent

    def pair(old: str, new: str) -> list[str]:
        return [old, "" if old == new else f"> {new}"]

    def cells(old: State | None, new: State | None) -> Iterator[str]:
        yield from pair(*(f"{s.bit_rate // 1000}" if s else "-" for s in (old, new)))
        yield from pair(*(percent(s.load) if s else "-" for s in (old, new)))
        yield from pair(*(str(s.late) if s else "-" for s in (old, new)))
        yield from pair(*(_growth(s) for s in (old, new)))
        yield from pair(*(_errors(s) for s in (old, new)))

    print_table(
        ["network", "kbit/s", "", "worst", "", "late", "", "growth", "", "error ms", ""],
        [[name, *cells(old, new)] for name, old, new in rows],
        right=frozenset(range(1, 11)),
        shrink=frozenset({0}),
    )
    print_text(
        "worst: load with the most stuff bits; growth: all may be sent so many times as often; "
        "error ms: a bus error each so many ms is borne (none: not even one)"
    )
    for name, _, state in rows:
        if state is not None and state.left is not None:
            print_text(
                f"{name}: tightest is {state.tightest}, {percent(state.left)} of its deadline left"
            )


def _growth(state: State | None) -> str:
    return "-" if state is None or state.growth is None else f"{state.growth:.2f}"


def _errors(state: State | None) -> str:
    if state is None or (state.left is None and not state.late):
        return "-"  # nothing that can be analysed is sent there
    return "none" if state.error_each_ms is None else plain(state.error_each_ms, 3)
