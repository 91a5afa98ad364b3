"""``busplan allot``: what to change so that everything is in time, and why not less."""

from __future__ import annotations

import sys
from enum import StrEnum
from typing import Annotated

import typer

from busplan.cli.options import JsonOption, NewPlanOption, PlanFile
from busplan.cli.output import EXIT_BY_FINDINGS


class Only(StrEnum):
    """What alone may change."""

    IDENTIFIERS = "identifiers"
    PLACEMENT = "placement"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("allot", epilog=EXIT_BY_FINDINGS)(allot)


def allot(
    plan: PlanFile,
    only: Annotated[
        Only | None,
        typer.Option(
            "--only",
            help="Change identifiers of single messages only, or all but these.",
            show_default=False,
        ),
    ] = None,
    network: Annotated[
        list[str] | None,
        typer.Option("--network", help="Look at identifiers of this network only; repeatable."),
    ] = None,
    want: Annotated[
        str,
        typer.Option(
            "--want",
            metavar="in-time|one-error|growth=FACTOR|most-robust",
            help="What every message shall bear.",
        ),
    ] = "in-time",
    faults: Annotated[
        float | None,
        typer.Option(
            "--faults",
            help="Let every frame bear a bus error each so many ms on each network.",
            min=0.001,
        ),
    ] = None,
    seconds: Annotated[
        float | None,
        typer.Option(
            "--seconds",
            help="Search about so long, and a third more for what one bus error takes; with --only "
            "identifiers, each network. Default: 60, 10.",
            min=0.1,
            max=86_400,
            show_default=False,
        ),
    ] = None,
    refuse: Annotated[
        list[str] | None,
        typer.Option(
            "--refuse",
            metavar="CHANGE",
            help="A change that may not be made, as the answer names it; repeatable.",
            show_default=False,
        ),
    ] = None,
    offsets: Annotated[
        list[str] | None,
        typer.Option(
            "--offsets",
            metavar="NODE",
            help="Propose send offsets too for this node, whose firmware you write; repeatable.",
            show_default=False,
        ),
    ] = None,
    screen: Annotated[
        bool,
        typer.Option(
            "--screen",
            help="Show it beside today's plan, refuse changes, solve again; without a terminal as "
            "text.",
        ),
    ] = False,
    out: NewPlanOption = None,
    paste: Annotated[
        bool, typer.Option("--toml", help="Print the changes as tables to paste into the plan.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Find what to change so that everything is in time and has a name of its own.

    Nodes may move, networks be set to other bit rates, offsets, addresses and identifiers be set,
    and gateways carry more, as far as the plan lets them ([allot], allowed, keep, bit_rates...).
    The answer is the cheapest, with a bound below which there is none; or it says what cannot live
    together. The changed plan is checked as a whole, and its findings decide the exit code; without
    an answer that is 2.

    With --only identifiers (and with --network, --offsets, --toml) nothing moves: the fewest
    messages of parts with "free" identifiers change. With --offsets, messages of those nodes are
    spread over time first.

    The plan file stays as it is; --out writes the changed one, with comments and order. Ctrl-C ends
    with the best so far.

    Example: busplan allot dbc_examples/as_bought.toml
    """
    from busplan.allot.wants import parse_want
    from busplan.errors import UsageError

    wanted = parse_want(want)
    interval = None if faults is None else round(faults * 1e6)
    of_messages = bool(network or offsets or paste)
    if only is Only.PLACEMENT and of_messages:
        raise UsageError("--network, --offsets and --toml are for identifiers, not for placement")
    if only is not Only.IDENTIFIERS and not of_messages:
        from busplan.cli.placing import on_screen, place

        if screen and (out or as_json):
            raise UsageError("--screen goes without --out and --json: the screen writes with w")
        if screen and sys.stdin.isatty() and sys.stdout.isatty():
            code = on_screen(
                plan,
                wanted,
                fault_interval_ns=interval,
                seconds=60.0 if seconds is None else seconds,
                refused=refuse or (),
                identifiers=only is None,
            )
            raise typer.Exit(code)
        code = place(
            plan,
            wanted,
            fault_interval_ns=interval,
            seconds=60.0 if seconds is None else seconds,
            refused=refuse or (),
            identifiers=only is None,
            out=out,
            as_json=as_json,
        )
        raise typer.Exit(code)
    if refuse or screen:
        raise UsageError(
            "--refuse and --screen are for the whole answer, not for identifiers alone"
        )
    from busplan.cli.identifying import identify

    code = identify(
        plan,
        network,
        wanted,
        interval,
        seconds=10.0 if seconds is None else seconds,
        offsets=offsets,
        out=out,
        paste=paste,
        as_json=as_json,
    )
    raise typer.Exit(code)
