"""``busplan check``: everything wrong with a plan."""

from __future__ import annotations

import typer

from busplan.cli.narrowing import narrowed
from busplan.cli.options import BriefOption, CodeOption, JsonOption, NetworkOption, PlanFile
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_grouped,
    print_json,
    print_text,
    say,
)
from busplan.findings import summary_line
from busplan.wording import counted


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check", epilog=EXIT_BY_FINDINGS)(check)


def check(
    plan: PlanFile,
    network: NetworkOption = None,
    code: CodeOption = None,
    brief: BriefOption = False,
    as_json: JsonOption = False,
) -> None:
    """Check a plan: every finding, heaviest first.

    Where there are many, one of each code is told in full and the others are counted; --code tells
    each.

    Example: busplan check dbc_examples/as_bought.toml
    """
    from busplan.checks import require_codes, run_checks
    from busplan.checks.document import judgement
    from busplan.plan.reader import load_plan
    from busplan.plan.select import select_networks

    require_codes(code or ())
    vehicle = load_plan(plan)
    networks = select_networks(vehicle, network) if network else ()
    findings = narrowed(run_checks(vehicle, code or ()), networks)
    if as_json:
        print_json(judgement(vehicle, {"plan": vehicle.source}, findings))
    else:
        print_grouped(findings, brief=brief, whole=bool(code))
        if findings:
            say()
        print_text(
            f"{vehicle.label}: {counted(len(vehicle.networks), 'network')}, "
            f"{counted(len(vehicle.nodes), 'node')}, {counted(len(vehicle.streams), 'message')}."
        )
        say(f"{summary_line(findings)}.")
    raise typer.Exit(exit_code(findings))
