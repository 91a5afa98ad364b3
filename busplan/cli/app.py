"""The commands, assembled."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from importlib import import_module
from typing import Annotated, Any, cast

import typer
from typer.core import TyperGroup

from busplan import compile_listener
from busplan.cli.compile_notice import Preparing
from busplan.cli.numbers import bounded
from busplan.cli.output import give_up, prepare_streams, print_error, say
from busplan.errors import BusplanError
from busplan.version import __version__

COMMANDS: tuple[str, ...] = (
    "demo",
    "propose",
    "check",
    "load",
    "timing",
    "cable",
    "whatif",
    "allot",
    "compare",
    "sheets",
    "schema",
    "simulate",
    "frame",
    "measure",
    "survey",
    "draft",
    "workbench",
    "decode",
    "cut",
    "replay",
    "pack",
    "behaviour",
    "alarms",
    "fleet",
    "note",
    "record",
    "play",
    "live",
    "bench",
    "commission",
    "report",
    "explain",
    "manual",
    "cache",
)
"""Commands in the order the help shows them; each is registered by the module NAME_command."""

CALL_ERRORS = cast(type[Exception], typer.BadParameter.__mro__[2])
"""Base of everything typer raises for a wrong call; newer versions do not export it."""

INTERRUPTED = 130
"""Exit code after Ctrl-C, as shells know it."""

_LOOK: Any = {"rich_markup_mode": None, "pretty_exceptions_enable": False}


def _finish(told: Any, page: str) -> None:
    """Bound the numbers that a command takes, and let its help end with its page."""
    if told.callback:
        told.callback = bounded(cast(Callable[..., Any], told.callback))
    told.epilog = f"{told.epilog} More: busplan manual {page}."


@cache
def _command(name: str) -> Any:
    """One command, made of its module: a call pays for the one it calls, not for all."""
    alone = typer.Typer(add_completion=False, **_LOOK)
    alone.callback()(lambda: None)  # makes it a group
    import_module(f"busplan.cli.{name}_command").register(alone)
    for command in alone.registered_commands:
        _finish(command, name)
    for group in alone.registered_groups:
        below: Any = group.typer_instance
        for told in (below.info, *below.registered_commands):
            _finish(told, name)
    made: Any = typer.main.get_command(alone)
    return made.commands[name]


class _Commands(Mapping[str, Any]):
    """All commands by name; each is made when it is looked up."""

    def __getitem__(self, name: str) -> Any:
        if name not in COMMANDS:
            raise KeyError(name)
        return _command(name)

    def __iter__(self) -> Iterator[str]:
        return iter(COMMANDS)

    def __len__(self) -> int:
        return len(COMMANDS)


class _Group(TyperGroup):
    def __init__(self, **told: Any) -> None:
        super().__init__(**told)
        self.commands: Any = _Commands()

    def list_commands(self, _: Any) -> list[str]:
        return list(COMMANDS)


app = typer.Typer(
    name="busplan",
    help="Plan the CAN networks of an electric conversion, and read what travels on them.",
    epilog="High voltage can kill. busplan is not a safety device; follow local codes and leave "
    "work on the traction pack to licensed people. It never transmits unless told to.",
    invoke_without_command=True,
    cls=_Group,
    **_LOOK,
)


def _show_version(wanted: bool) -> None:
    if wanted:
        say(f"busplan {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Version.")
    ] = False,
) -> None:
    if context.invoked_subcommand is None:
        say(*context.get_help().split("\n"))


def main() -> None:
    """Run the command line. Our own errors and wrong calls end as one message and exit code 3.

    1 and 2 are left to findings, so the parser's own code for a wrong call is not used.
    """
    prepare_streams()
    compile_listener.listener = Preparing()
    try:
        code = app(standalone_mode=False) or 0
        if code == INTERRUPTED:  # the parser has swallowed the interrupt
            raise KeyboardInterrupt
        sys.exit(code)
    except BusplanError as error:
        sys.stdout.flush()
        print_error(str(error))
        if sys.stderr.isatty():  # scripts get the message alone
            page = error.page or next((word for word in sys.argv[1:2] if word in COMMANDS), "start")
            say(f"more: busplan manual {page}", err=True)
        sys.exit(error.exit_code)
    except CALL_ERRORS as error:
        wrong: Any = error
        sys.stdout.flush()
        # Newer versions check values with a library that puts these words before the reason.
        print_error(wrong.format_message().replace("Value error, ", ""))
        if getattr(wrong, "ctx", None) is not None:
            say(f"busplan: {wrong.ctx.command_path} --help tells how to call it", err=True)
        sys.exit(BusplanError.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        say("busplan: stopped", err=True)
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        # The reader of our output has gone (a pager, `head`): end quietly.
        give_up(sys.stdout)
        sys.exit(0)
