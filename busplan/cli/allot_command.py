"""``busplan allot``: what to change so that everything is in time, and why not less."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.options import JsonOption, NewPlanOption, PlanFile
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_grouped,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.cli.plan_out import write_changed
from busplan.findings import Weight, summary_line


class Only(StrEnum):
    """What alone may change."""

    IDENTIFIERS = "identifiers"


if TYPE_CHECKING:
    from busplan.allot.identifiers import Allotment
    from busplan.allot.offset_report import Spread
    from busplan.plan.vehicle import Vehicle


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("allot", epilog=EXIT_BY_FINDINGS)(allot)


def allot(
    plan: PlanFile,
    only: Annotated[
        Only | None,
        typer.Option(
            "--only",
            help="Change identifiers of single messages only, network by network.",
            show_default=False,
        ),
    ] = None,
    network: Annotated[
        list[str] | None,
        typer.Option("--network", help="Look at identifiers of this network only; repeatable."),
    ] = None,
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
            help="Search about so long; with --only identifiers, each network. Default: 60, 10.",
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
    together. The changed plan is checked as a whole, and its findings decide the exit code.

    With --only identifiers (and with --network, --offsets, --toml) nothing moves: the fewest
    messages of parts with "free" identifiers change. With --offsets, messages of those nodes are
    spread over time first.

    The plan file stays as it is; --out writes the changed one, with comments and order. Ctrl-C ends
    with the best so far.

    Example: busplan allot dbc_examples/as_bought.toml
    """
    interval = None if faults is None else round(faults * 1e6)
    if only is None and not (network or offsets or paste):
        from busplan.cli.placing import place

        code = place(
            plan,
            fault_interval_ns=interval,
            seconds=60.0 if seconds is None else seconds,
            refused=refuse or (),
            out=out,
            as_json=as_json,
        )
        raise typer.Exit(code)
    if refuse:
        from busplan.errors import UsageError

        raise UsageError("--refuse is for the whole answer; it does not go with identifiers only")
    _identifiers(
        plan,
        network,
        interval,
        seconds=10.0 if seconds is None else seconds,
        offsets=offsets,
        out=out,
        paste=paste,
        as_json=as_json,
    )


def _identifiers(
    plan: Path,
    network: Sequence[str] | None,
    interval: int | None,
    *,
    seconds: float,
    offsets: Sequence[str] | None,
    out: Path | None,
    paste: bool,
    as_json: bool,
) -> None:
    """Search identifiers, print and write."""
    import time

    from busplan.allot.identifiers import allot_identifiers
    from busplan.allot.report import allot_findings, as_dict, as_toml
    from busplan.errors import UsageError
    from busplan.plan.change import Change, set_identifiers, set_offsets
    from busplan.plan.reader import change_plan, load_plan
    from busplan.plan.select import select_networks

    as_is = load_plan(plan)
    names = select_networks(as_is, network)
    spread = _spread(plan, as_is, offsets, names) if offsets else None
    kept: list[Change] = [] if spread is None else [set_offsets(spread.tables)]
    before = as_is if spread is None else spread.after
    found = allot_identifiers(
        before,
        lambda changes: change_plan(plan, [*kept, set_identifiers(changes)]).after,
        networks=names,
        fault_interval_ns=interval,
        seconds=seconds,
        clock=time.monotonic,
        told=lambda name: say(f"searching {name}: at most {seconds:g} s", err=True),
    )
    findings = allot_findings(found)
    if out is not None:
        if not found.changes and not (spread and spread.tables):
            raise UsageError("nothing changes, so there is no other plan to write")
        changes = {c.stream.label: c.becomes for c in found.changes}
        changed = change_plan(plan, [*kept, set_identifiers(changes)])
        write_changed(plan, changed.document, out)
    if as_json:
        told = {"offsets": spread.as_dict()} if spread else {}
        print_json(told | as_dict(found, findings))
    elif paste:
        say(*(spread.as_toml() if spread else "").splitlines(), *as_toml(found).split("\n"))
    else:
        if spread is not None:
            _print_offsets(spread)
        _print(found)
        heavy = [f for f in findings if f.weight > Weight.NOTE]
        if heavy:
            say("", "the plan so changed:")
            print_grouped(heavy, brief=True)
        say("", f"the plan so changed: {summary_line(findings)}.")
    raise typer.Exit(exit_code(findings))


def _spread(plan: Path, vehicle: Vehicle, nodes: Sequence[str], networks: Sequence[str]) -> Spread:
    from busplan.allot.offset_report import Spread, offsets_of
    from busplan.allot.offsets import propose_offsets
    from busplan.plan.change import set_offsets
    from busplan.plan.reader import change_plan

    found = propose_offsets(vehicle, nodes, networks=networks)
    tables = offsets_of(vehicle, found.changes)
    after = change_plan(plan, [set_offsets(tables)]).after if tables else vehicle
    return Spread(vehicle, after, found)


def _print_offsets(spread: Spread) -> None:
    from busplan.allot.offset_report import offset_table

    say(f"{spread.before.label}: send offsets")
    say()
    for line in spread.sentences():
        print_text(line)
    if spread.found.changes:
        say()
        print_table(
            ["network", "node", "message", "period ms", "offset ms", "becomes"],
            [
                [
                    *(row.network, row.node, row.message, f"{row.cycle_ms:g}"),
                    "" if row.was_ms is None else f"{row.was_ms:g}",
                    f"{row.becomes_ms:g}",
                ]
                for row in offset_table(spread.found).rows
            ],
            right=frozenset({3, 4, 5}),
            shrink=frozenset({2}),
        )
    say()


def _print(found: Allotment) -> None:
    from busplan.allot.report import change_table, network_table, sentences

    say(f"{found.before.label}: identifiers")
    say()
    rows = network_table(found).rows
    print_table(
        [
            "network",
            "messages",
            "may change",
            "late",
            "change",
            "at least",
            "late then",
            "not judged",
        ],
        [
            [
                row.network,
                str(row.messages),
                str(row.may_change),
                str(row.wrong_before),
                str(row.changes),
                str(row.bound),
                str(row.wrong_after),
                str(row.unjudged),
            ]
            for row in rows
        ],
        right=frozenset({1, 2, 3, 4, 5, 6, 7}),
        shrink=frozenset({0}),
    )
    print_text("late: messages that miss their deadline or share an identifier, before and then")
    for line in sentences(found):
        print_text(line)
    if found.changes:
        say()
        print_table(
            ["network", "node", "message", "is", "becomes", "because it"],
            [
                [row.network, row.node, row.message, row.was, row.becomes, row.reason]
                for row in change_table(found).rows
            ],
            shrink=frozenset({2, 5}),
        )
        say("", "The changed plan: --out NEW.toml; the changes as tables for it: --toml")
