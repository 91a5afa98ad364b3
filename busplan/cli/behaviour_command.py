"""``busplan behaviour``: does what must hold between signals hold?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import AS_RECORDED, CaptureFilesOrNone, Opening, opens_captures
from busplan.cli.options import JsonOption
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_caution,
    print_findings,
    print_json,
    say,
    text_width,
)

if TYPE_CHECKING:
    from busplan.plan.claims import Behaviour
    from busplan.plan.vehicle import Vehicle


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("behaviour", epilog=EXIT_BY_FINDINGS)(behaviour)


@opens_captures
def behaviour(
    files: CaptureFilesOrNone = None,
    plan: Annotated[
        Path | None, typer.Option("--plan", help="Plan file with [[behaviour]] tables.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(
            help="Only the behaviour of this name; repeatable. Exit code 1 also when it is not "
            "shown."
        ),
    ] = None,
    tables: Annotated[
        bool, typer.Option("--tables", help="What each requires and every failure, too.")
    ] = False,
    ready: Annotated[
        bool, typer.Option("--ready", help="Show the ready behaviours, and end.")
    ] = False,
    opening: Opening = AS_RECORDED,
    as_json: JsonOption = False,
) -> None:
    """Judge what must hold between signals over time, by a capture.

    Each [[behaviour]] of the plan is held, failed or not shown, with its margins and every moment
    at which it failed.

    Example: busplan behaviour captures/key_on_short.log.gz --plan dbc_examples/as_built.toml
    """
    from busplan.errors import UsageError

    if ready:
        _show_ready(as_json)
        return
    if not files or plan is None:
        raise UsageError("busplan behaviour wants CAPTURE... and --plan PLAN (or --ready)")
    from busplan.answers import Answer
    from busplan.behaviour.judge import judge_behaviours
    from busplan.plan.reader import load_plan

    vehicle = load_plan(plan)
    chosen = _chosen(vehicle, only)
    capture = opening.open(files, vehicle)
    report = judge_behaviours(capture.frames, vehicle, chosen, capture.findings)
    if as_json:
        print_json(report.as_dict())
    else:
        from busplan.text.behaviour_text import behaviour_lines

        print_findings(capture.findings, details=False, err=True)
        say(*behaviour_lines(report, text_width(), details=tables))
        print_caution()
    missed = only and any(v.answer is Answer.NOT_SHOWN for v in report.verdicts)
    raise typer.Exit(max(exit_code(report.findings), int(bool(missed))))


def _chosen(vehicle: Vehicle, only: list[str] | None) -> tuple[Behaviour, ...]:
    """The behaviours asked for."""
    from busplan.behaviour.judge import chosen_behaviours

    return chosen_behaviours(vehicle, only or ())


def _show_ready(as_json: bool) -> None:
    from busplan.plan.ready import PRACTICE, READY

    if as_json:
        print_json([r.as_dict() | {"source": PRACTICE} for r in READY.values()])
        return
    from busplan.text.behaviour_text import ready_lines

    say(*ready_lines(text_width()))
