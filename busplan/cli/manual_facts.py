"""What the manual's references tell of this command line and of the public face."""

from __future__ import annotations

import inspect
from importlib import import_module
from typing import Any

import typer

from busplan.manual.facts import Command, Facts, Parameter, PublicName


def gathered_facts() -> Facts:
    """Commands with their options, and public names with their docstrings."""
    from busplan.cli.app import COMMANDS, app

    group: Any = typer.main.get_command(app)
    # The package as scripts see it: looked at, not used.
    face = import_module("busplan")
    commands = tuple(_command(name, group.commands[name], name) for name in COMMANDS)
    return Facts(commands, tuple(_public(face, name) for name in sorted(face.__all__)))


def _command(name: str, told: Any, page: str) -> Command:
    context = told.make_context(name, [], resilient_parsing=True)
    below = getattr(told, "commands", {})
    pieces = " ".join(told.collect_usage_pieces(context))
    return Command(
        name=name,
        help=inspect.cleandoc(told.help or ""),
        usage=f"busplan {name} {pieces}",
        parameters=tuple(_parameter(p, context) for p in told.params if p.name != "help"),
        epilog=(told.epilog or "").removesuffix(f" More: busplan manual {page}."),
        below=tuple(_command(f"{name} {sub}", below[sub], page) for sub in below),
    )


def _parameter(told: Any, context: Any) -> Parameter:
    form, text = told.get_help_record(context)
    option = told.param_type_name == "option"
    names = tuple(sorted(told.opts, key=len)) if option else (form.partition(" ")[0],)
    return Parameter(names, form, " ".join(text.split()), option)


def _public(face: Any, name: str) -> PublicName:
    value = face._public(name)  # its own home's: one name is a room's, too
    try:
        signature = "" if isinstance(value, type) else str(inspect.signature(value))
    except (TypeError, ValueError):
        signature = ""
    return PublicName(name, signature, value.__doc__ or "")
