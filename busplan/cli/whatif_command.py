"""``busplan whatif``: what a change to a plan would do, without touching the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.narrowing import narrowed
from busplan.cli.options import (
    BriefOption,
    CodeOption,
    JsonOption,
    NetworkOption,
    NewPlanOption,
    PlanFile,
)
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_findings,
    print_grouped,
    print_json,
    print_table,
    print_text,
    say,
    table_width,
)
from busplan.cli.plan_out import write_changed
from busplan.findings import Weight, summary_line
from busplan.text.table import GAP, LEAST

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busplan.checks.compare import Difference, LoadChange
    from busplan.checks.planned_load import PlannedLoad


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("whatif", epilog=EXIT_BY_FINDINGS)(whatif)


def whatif(
    plan: PlanFile,
    values: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help="KEY=VALUE as in the plan: node.pump_2.identifier_offset=0x10. An entry of "
            "[[route]] or [[pack.enclosure]] by name or number: route.ContactorState.delay_ms=8, "
            "pack.enclosure.1.cells_per_module=7; 'route.new={...}' adds one.",
        ),
    ] = None,
    bit_rate: Annotated[
        list[str] | None,
        typer.Option("--bit-rate", help="NETWORK=RATE or NETWORK=RATE/DATARATE [bit/s]."),
    ] = None,
    drop: Annotated[list[str] | None, typer.Option("--drop", help="Leave out this node.")] = None,
    move: Annotated[
        list[str] | None,
        typer.Option("--move", help="NODE=NETWORK, or NODE/NETWORK=NETWORK to say what it leaves."),
    ] = None,
    out: NewPlanOption = None,
    network: NetworkOption = None,
    code: CodeOption = None,
    brief: BriefOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show what a change to a plan would do; the plan stays as it is.

    Values are set first, then bit rates, then nodes dropped, then moved. Findings of the changed
    plan decide the exit code. --out writes the changed plan, with its comments and order kept.

    Example: busplan whatif dbc_examples/as_bought.toml --bit-rate body=250000 --move lift=body
    """
    from busplan.checks.compare import compare
    from busplan.checks.document import whose
    from busplan.errors import UsageError
    from busplan.plan import change
    from busplan.plan.reader import change_plan
    from busplan.plan.select import select_networks

    settings = [
        *map(change.set_value, values or ()),
        *map(change.set_bit_rate, bit_rate or ()),
    ]
    moves = [*map(change.drop_node, drop or ()), *map(change.move_node, move or ())]
    changed = change_plan(plan, settings, moves)
    before, after = changed.before, changed.after
    if not settings and not moves:
        raise UsageError("which change? --set, --bit-rate, --drop or --move")
    select_networks(after, [n for n in network or () if n not in before.networks])
    if out is not None:
        write_changed(plan, changed.document, out)
    difference = compare(before, after, follows=changed.told)
    difference = difference.narrowed(lambda found: narrowed(found, network, code), network or ())
    if as_json:
        print_json(whose(before) | difference.as_dict())
    else:
        print_text(f"{before.label}: what the change does")
        print_difference(difference, brief=brief, whole=bool(code))
    raise typer.Exit(exit_code(difference.after))


def print_difference(difference: Difference, *, brief: bool = False, whole: bool = False) -> None:
    """Print loads before and after, and findings that come, change, go and stay."""
    for line in difference.follows:
        print_text(line, lead="follows: ")
    say()
    _print_loads(difference.loads)
    for title, findings in (
        ("comes", difference.new),
        ("changes", tuple(after for _, after in difference.changed)),
        ("goes", difference.gone),
    ):
        if findings:
            say("", f"{title}:")
            print_grouped(findings, brief=brief or title != "comes", whole=whole)
    set_aside = [
        f for f in difference.same if f.code.startswith("definition-") and f.weight > Weight.NOTE
    ]
    if set_aside:
        say("", "the definitions, before and after:")
        print_findings(set_aside, details=False)
    say("", f"stays: {summary_line(difference.same)}.")
    say(f"after the change: {summary_line(difference.after)}.")


def _print_loads(loads: Sequence[LoadChange]) -> None:
    """Loads before and after; the nominal ones only where there is room for them."""
    table = [
        ["network", "kbit/s", "", "nominal", "", "worst", "", "limit", ""],
        *map(_load_row, loads),
    ]
    figures = [max(len(row[c]) for row in table) for c in range(1, 9)]
    if sum(figures) + GAP * len(figures) + LEAST > table_width():
        table = [row[:3] + row[5:] for row in table]
    columns = len(table[0])
    print_table(table[0], table[1:], right=frozenset(range(1, columns)), shrink=frozenset({0}))


def _load_row(change: LoadChange) -> list[str]:
    """Each figure before and, where it is another one, after."""
    from busplan.checks.wording import kbits
    from busplan.wording import percent

    old, new = change.before, change.after

    def pair(show: Callable[[PlannedLoad], str]) -> list[str]:
        before, after = (show(load) if load else "-" for load in (old, new))
        return [before, "" if before == after else f"> {after}"]

    return [
        change.network,
        *pair(lambda load: kbits(load.network)),
        *pair(lambda load: percent(load.nominal)),
        *pair(lambda load: percent(load.worst)),
        *pair(lambda load: percent(load.network.load_limit)),
    ]
