"""``busplan commission``: tick off a build, test by test."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import AS_RECORDED, Opening, opens_captures
from busplan.cli.options import JsonOption, PlanFile
from busplan.cli.output import (
    EXIT_OF_LIST,
    exit_by_reading,
    exit_code,
    print_caution,
    print_findings,
    print_json,
    print_text,
    say,
    text_width,
)
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.wording import counted, disarmed

if TYPE_CHECKING:
    from busplan.capture.capture import Capture
    from busplan.commission.entry import Journal, Saying
    from busplan.commission.state import Commissioning
    from busplan.findings import Finding
    from busplan.plan.vehicle import Vehicle

JournalOption = Annotated[
    Path | None,
    typer.Option("--journal", help="The journal; default: beside the plan, named PLAN.journal."),
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("commission", epilog=EXIT_OF_LIST)(commission)


@opens_captures
def commission(
    plan: PlanFile,
    captures: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[CAPTURE]...",
            help="A capture (several files of one open as one): what it shows is entered.",
            show_default=False,
        ),
    ] = None,
    journal: JournalOption = None,
    by: Annotated[str, typer.Option("--by", help="Who says it; for all but captures.")] = "",
    measure: Annotated[
        list[str] | None,
        typer.Option(
            help="TEST=VALUE, with its minutes where it was held: '0.02 10min'; repeatable."
        ),
    ] = None,
    looked: Annotated[
        list[str] | None, typer.Option(help="TEST=yes or TEST=no; repeatable.")
    ] = None,
    remark: Annotated[str | None, typer.Option(help="A remark.")] = None,
    about: Annotated[str | None, typer.Option(help="The test that a remark is about.")] = None,
    correct: Annotated[
        int | None, typer.Option(help="Number of a wrong entry; --remark says why it is wrong.")
    ] = None,
    accept: Annotated[
        str | None, typer.Option(help="A failed test that is accepted; --remark says why.")
    ] = None,
    form: Annotated[
        bool,
        typer.Option(
            "--form",
            help="Enter what is done by hand in a form; without a terminal, one question a test.",
        ),
    ] = False,
    verify: Annotated[
        bool, typer.Option("--verify", help="Only say whether the journal is unchanged.")
    ] = False,
    keep_baseline: Annotated[
        Path | None,
        typer.Option(
            help="Write the pack's figures by the list's captures into this JSON file, for "
            "`busplan pack --before`."
        ),
    ] = None,
    drift: Annotated[
        bool,
        typer.Option(
            "--drift",
            help="Hold the capture against what the journal keeps of this build: what has moved "
            "since. Nothing is entered.",
        ),
    ] = False,
    tables: Annotated[bool, typer.Option("--tables", help="What proves each test, too.")] = False,
    opening: Opening = AS_RECORDED,
    as_json: JsonOption = False,
) -> None:
    """Show the commissioning list of a plan, and enter what proves it.

    Captures find out by themselves which tests they cover; measurements and what was looked at are
    entered by hand. Nothing that was entered is ever changed: a correction is one more entry.

    Example: busplan commission as_built.toml warm_up.log.gz --by "A. Tester"
    """
    from busplan.commission.entry import next_entry
    from busplan.commission.journal_file import append_entry, load_journal
    from busplan.commission.state import commissioning_of
    from busplan.plan.reader import load_plan
    from busplan.text.commission_text import commission_lines, entry_lines

    vehicle = load_plan(plan)
    path = journal or journal_beside(plan)
    told = load_journal(path)
    if verify:
        _verify(path, told, as_json)
        return
    if not vehicle.tests:
        raise UsageError(
            f'{plan} has no [[test]] tables; write [[test]] and ready = "all" for the ready list'
        )
    if drift:
        if not captures:
            raise UsageError("--drift wants a later CAPTURE of this build")
        _drift(vehicle, told, opening.open(captures, vehicle), as_json=as_json)
        return
    before = len(told.entries)
    said = list(_by_hand(vehicle, measure or (), looked or ()))
    said += _about_entries(vehicle, told, remark, about, correct, accept)
    doubts = [f for f in vehicle.cautions if f.weight > Weight.NOTE]
    if captures:
        capture = opening.open(captures, vehicle)
        doubts += [f for f in capture.findings if f.weight > Weight.NOTE]
        shown, told_otherwise = _by_capture(vehicle, captures, capture)
        said.append(shown)
        doubts += told_otherwise
    on_screen = form and not as_json and sys.stdin.isatty() and sys.stdout.isatty()
    if form and not on_screen:
        said += _asked(commissioning_of(vehicle, told))
    for one in said:
        told = append_entry(path, partial(next_entry, said=one, time=_now(), who=by))
    state = commissioning_of(vehicle, told)
    if on_screen:
        state = _by_form(vehicle, path, state, by)
        told = state.journal
    if keep_baseline is not None:
        from busplan.cli.baseline_file import write_baseline
        from busplan.commission.baseline import baseline_of

        write_baseline(baseline_of(state), keep_baseline)
        say(f"kept in {keep_baseline}", err=True)
    if as_json:
        told_of_reading = {"findings": [f.as_dict() for f in doubts]}
        print_json(state.as_dict() | {"journal_file": str(path)} | told_of_reading)
    else:
        for entry in told.entries[before:]:
            say(*entry_lines(entry, text_width()))
        if said:
            say(f"entered in {path}", err=True)
            say()
        say(*commission_lines(state, text_width(), details=tables))
        print_findings(doubts, details=False)
        print_caution()
    raise typer.Exit(max(exit_of(state), exit_by_reading(doubts)))


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def journal_beside(plan: Path) -> Path:
    """The journal of a plan: beside it, of the same name."""
    return plan.with_suffix(".journal")


def exit_of(state: Commissioning) -> int:
    """0 when every test is proven, 2 when one failed or the journal was changed, 1 otherwise."""
    if state.journal.broken or state.unaccepted:
        return 2
    return 0 if state.done else 1


def _verify(path: Path, journal: Journal, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "journal": str(path),
                "entries": len(journal.entries),
                "last": journal.last,
                "broken": list(journal.broken),
                "unfinished_line": bool(journal.torn),
            }
        )
    elif journal.broken:
        from busplan.text.commission_text import MOST_PLACES

        more = len(journal.broken) - MOST_PLACES
        say(f"{path} HAS BEEN CHANGED:", *(f"  {b}" for b in journal.broken[:MOST_PLACES]))
        if more > 0:
            say(f"  and {more:,} places more")
    else:
        say(f"{path}: {counted(len(journal.entries), 'entry', 'entries')}, unchanged")
        say(f"last hash {journal.last}")
        if journal.torn:
            say("A line at its end was cut short by a crash; it was never an entry.")
    raise typer.Exit(2 if journal.broken else 0)


def _drift(vehicle: Vehicle, journal: Journal, capture: Capture, *, as_json: bool) -> None:
    """What has moved since the commissioning; nothing is entered."""
    from busplan.commission.cover import Covered
    from busplan.commission.drift import drift_of
    from busplan.commission.state import commissioning_of
    from busplan.text.commission_text import drift_lines

    if journal.broken:
        raise UsageError(f"the journal has been changed ({journal.broken[0]}): nothing to trust")
    covered = Covered(vehicle, capture.frames, capture.findings)
    found = drift_of(commissioning_of(vehicle, journal), covered)
    if as_json:
        print_json(found.as_dict())
    else:
        print_findings(capture.findings, details=False, err=True)
        say(*drift_lines(found, text_width()))
        print_findings(found.findings)
        print_caution()
    raise typer.Exit(exit_code(found.findings))


def _by_hand(
    vehicle: Vehicle, measure: Iterable[str], looked_at: Iterable[str]
) -> Iterator[Saying]:
    """What was measured and looked at, one entry each."""
    from busplan.commission.by_hand import looked, measured, named_test
    from busplan.commission.entry import Saying

    for text in measure:
        name, value = _pair("--measure", text)
        yield Saying("measured", (measured(named_test(vehicle, name), value),))
    for text in looked_at:
        name, value = _pair("--looked", text)
        yield Saying("looked", (looked(named_test(vehicle, name), value),))


def _pair(option: str, text: str) -> tuple[str, str]:
    name, sign, value = text.partition("=")
    if not (name and sign and value.strip()):
        raise UsageError(f"{option} wants TEST=VALUE, not {text!r}")
    return name, value


def _about_entries(
    vehicle: Vehicle,
    journal: Journal,
    text: str | None,
    about: str | None,
    correct: int | None,
    accept: str | None,
) -> Iterator[Saying]:
    """Remarks, corrections and acceptances; each needs its reason."""
    from busplan.commission.by_hand import accepted, named_test, remark
    from busplan.commission.entry import Result, Saying

    if (correct is not None or accept is not None or about is not None) and text is None:
        raise UsageError("say why with --remark TEXT")
    if correct is not None and accept is not None:
        raise UsageError("--correct and --accept are two entries: one at a time")
    if text is None:
        return
    said = remark(text)
    if correct is not None:
        yield Saying("corrected", text=said, about=correct)
    elif accept is not None:
        yield accepted(vehicle, journal, accept, said)
    else:
        told = () if about is None else (Result(named_test(vehicle, about).name, "remark"),)
        yield Saying("remark", told, text=said)


def _by_capture(
    vehicle: Vehicle, files: list[Path], capture: Capture
) -> tuple[Saying, tuple[Finding, ...]]:
    """What a capture shows of the tests it covers, and what nodes told otherwise in it."""
    from busplan.capture.checksum import file_facts
    from busplan.cli.kept_notes import usable_notes
    from busplan.commission.cover import Covered, saying_of
    from busplan.commission.entry import notes_kept

    for finding in (f for f in capture.findings if f.code == "files-apart"):
        raise UsageError(
            f"{finding.where.file} {finding.summary}; an entry is of one recording: give each on "
            "its own, or --offset if they recorded at the same time"
        )
    origin = capture.frames.origin_ns
    facts = tuple(
        file_facts(path, capture.frames) | notes_kept(usable_notes([path], origin))
        for path in files
    )
    covered = Covered(vehicle, capture.frames, capture.findings)
    return saying_of(covered, facts), covered.findings


def _by_form(vehicle: Vehicle, path: Path, state: Commissioning, who: str) -> Commissioning:
    """The form in the terminal, each test kept as it is entered; the list when it is left."""
    from busplan.capture.beside import user_name
    from busplan.commission.by_hand import by_form
    from busplan.commission.entry import next_entry
    from busplan.commission.journal_file import append_entry
    from busplan.commission.state import commissioning_of
    from busplan.screens.commission_form import CommissionForm

    def enter(name: str, value: str, remark: str, by: str) -> Commissioning:
        told = state.journal
        for one in by_form(vehicle, name, value, remark):
            told = append_entry(path, partial(next_entry, said=one, time=_now(), who=by))
        return commissioning_of(vehicle, told)

    form = CommissionForm(state, enter, who or user_name())
    form.run()
    return form.state


def _asked(state: Commissioning) -> Iterator[Saying]:
    """A form: every test by hand that is not proven, one question each; an empty answer skips."""
    from busplan.commission.by_hand import looked, measured
    from busplan.commission.entry import Saying
    from busplan.text.commission_text import test_question

    for one in state.tests:
        if not one.test.by_hand or one.state == "proven":
            continue
        if one.test.caution:
            print_text(one.test.caution)
        while True:
            answer = typer.prompt(disarmed(test_question(one.test)), default="", show_default=False)
            if not answer.strip():
                break
            try:
                if one.test.kind == "look":
                    yield Saying("looked", (looked(one.test, answer),))
                else:
                    yield Saying("measured", (measured(one.test, answer),))
                break
            except UsageError as error:
                print_text(str(error))
