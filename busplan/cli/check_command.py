"""``busplan check``: everything wrong with a plan."""

from __future__ import annotations

from typing import Annotated

import typer

from busplan.cli.options import JsonOption, PlanFile
from busplan.cli.output import EXIT_BY_FINDINGS, exit_code, print_findings, print_json, say
from busplan.findings import summary_line
from busplan.wording import counted


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check", epilog=EXIT_BY_FINDINGS)(check)


def check(
    plan: PlanFile,
    only: Annotated[
        list[str] | None, typer.Option("--only", help="Keep findings of this code; repeatable.")
    ] = None,
    brief: Annotated[
        bool, typer.Option("--brief", help="Leave out why it matters and what to do.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Check a plan: every finding, heaviest first.

    Example: busplan check dbc_examples/as_bought.toml
    """
    from busplan.checks import require_codes, run_checks
    from busplan.checks.document import judgement
    from busplan.plan.reader import load_plan

    require_codes(only or ())
    vehicle = load_plan(plan)
    findings = run_checks(vehicle, only or ())
    if as_json:
        print_json(judgement(vehicle, {"plan": vehicle.source}, findings))
    else:
        print_findings(findings, details=not brief)
        if findings:
            say()
        say(
            f"{vehicle.label}: {counted(len(vehicle.networks), 'network')}, "
            f"{counted(len(vehicle.nodes), 'node')}, {counted(len(vehicle.streams), 'message')}."
        )
        say(f"{summary_line(findings)}.")
    raise typer.Exit(exit_code(findings))
