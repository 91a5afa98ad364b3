"""``busplan sheets``: the papers and files for those who wire and those who program."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busplan.cli.options import JsonOption, PlanFile
from busplan.cli.output import (
    EXIT_OF_READING,
    exit_by_reading,
    print_caution,
    print_findings,
    print_json,
    print_text,
    say,
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("sheets", epilog=EXIT_OF_READING)(sheets)


_NAMES = 30
"""What a sheet with a longer name holds stands below it."""


def sheets(
    plan: PlanFile,
    to: Annotated[Path, typer.Option(help="Folder to write the sheets into.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over sheets that are there already.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write the sheets of a plan: wiring schedule, gateway sheet, drawing, network definitions.

    wiring.html to print and wiring.csv; gateway.csv; drawing.svg (A4); a DBC file for each network
    with every message on it, for displays, loggers and gateways.

    Example: busplan sheets dbc_examples/as_built.toml --to sheets
    """
    from busplan.checks.document import judgement
    from busplan.errors import UsageError
    from busplan.plan.reader import load_plan
    from busplan.sheets.folder import sheet_names, sheets

    vehicle = load_plan(plan)
    if to.exists() and not to.is_dir():
        raise UsageError(f"{to}: is no folder; the sheets are several files")
    there = [name for name in sheet_names(vehicle) if (to / name).exists()]
    if there and not replace:
        raise UsageError(
            f"nothing written, because {to / there[0]} is already there; "
            "choose another folder, or --replace"
        )
    made = []
    try:
        to.mkdir(parents=True, exist_ok=True)
        for sheet in sheets(vehicle):
            (to / sheet.name).write_bytes(sheet.data)
            made.append(sheet)
    except OSError as error:
        raise UsageError(f"cannot write to {to}: {error.strerror}") from error
    if as_json:
        print_json(
            judgement(
                vehicle,
                {
                    "sheets": [
                        {"file": str(to / s.name), "what": s.what, "left_out": list(s.left_out)}
                        for s in made
                    ]
                },
                vehicle.cautions,
            )
        )
        raise typer.Exit(exit_by_reading(vehicle.cautions))
    print_text(f"{vehicle.label}: {len(made)} sheets in {to}")
    width = min(max(len(s.name) for s in made), _NAMES)
    for sheet in made:
        beside = sheet.name if len(sheet.name) <= width else ""
        if not beside:
            say(f"  {sheet.name}")
        print_text(sheet.what, lead=f"{beside:<{width}}  ", indent=2)
        for line in sheet.left_out:
            print_text(line, lead="left out: ", indent=4)
    print_findings(vehicle.cautions, err=True)
    print_caution()
    raise typer.Exit(exit_by_reading(vehicle.cautions))
