"""The commands, assembled."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from importlib.util import find_spec
from typing import Annotated

import typer

import busplan
from busplan.errors import BusplanError

COMMANDS: tuple[str, ...] = (
    "demo",
    "check",
    "load",
    "timing",
    "cable",
    "whatif",
    "simulate",
    "frame",
    "survey",
    "decode",
    "cut",
    "replay",
    "pack",
    "record",
    "live",
    "bench",
    "cache",
)
"""Modules of this package that register a command, in the order the help shows them."""

app = typer.Typer(
    name="busplan",
    help="Plan the CAN networks of an electric conversion, and read what travels on them.",
    epilog="High voltage can kill. busplan is not a safety device; follow local codes and leave "
    "work on the traction pack to licensed people. It never transmits unless told to.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"busplan {busplan.__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Version.")
    ] = False,
) -> None:
    pass


for _name in COMMANDS:
    if find_spec(f"busplan.cli.{_name}") is None:
        continue
    import_module(f"busplan.cli.{_name}").register(app)


def main() -> None:
    """Run the command line. Our own errors end as one message and exit code 3."""
    try:
        app()
    except BusplanError as error:
        sys.stdout.flush()
        typer.echo(f"busplan: {error}", err=True)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        # The reader of our output has gone (a pager, `head`): end quietly.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
