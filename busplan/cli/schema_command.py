"""``busplan schema``: what a plan file may say, for editors."""

from __future__ import annotations

import typer

from busplan.cli.output import EXIT_OF_DATA, print_json


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("schema", epilog=EXIT_OF_DATA)(schema)


def schema() -> None:
    """Print the JSON Schema of plan files: editors complete and check a plan by it.

    Every key with what it must be, its range and its default; the same tables check a plan.

    Example: busplan schema
    """
    from busplan.plan.json_schema import plan_schema

    print_json(plan_schema())
