"""``busplan compare``: what differs between two plans, or two versions of a DBC file."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.options import JsonOption
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_by_reading,
    exit_code,
    print_findings,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.cli.whatif_command import print_difference
from busplan.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.checks.response_changes import ResponseChange
    from busplan.definitions.differences import ChangeRow
    from busplan.plan.vehicle import Vehicle

_SHOWN = 40
"""Changes of one section, and response times, that are printed; JSON has all."""
_MARKS = {"comes": "+", "goes": "-", "changes": "~"}


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("compare", epilog=EXIT_BY_FINDINGS)(compare)


def compare(
    old: Annotated[Path, typer.Argument(help="Plan (TOML) or DBC file, the older one.")],
    new: Annotated[Path, typer.Argument(help="The newer one, of the same kind.")],
    as_json: JsonOption = False,
) -> None:
    """Show what differs between two plans, and what that does; or between two DBC files.

    Networks, cables, parts, definitions, nodes, timing, routes, pack and what may change; then
    loads, findings that come and go, and response times. Findings of the newer plan decide the exit
    code; of two DBC files, whether both could be read whole.

    Example: busplan compare dbc_examples/as_bought.toml dbc_examples/as_built.toml
    """
    kinds = [path.suffix.lower() == ".dbc" for path in (old, new)]
    if kinds[0] != kinds[1]:
        raise UsageError("compare two plans or two DBC files, not one of each")
    if kinds[0]:
        _definitions(old, new, as_json=as_json)
    else:
        _plans(old, new, as_json=as_json)


def _definitions(old: Path, new: Path, *, as_json: bool) -> None:
    from busplan.definitions.dbc import load_dbc
    from busplan.definitions.differences import message_changes
    from busplan.findings import Weight

    before, after = load_dbc(old), load_dbc(new)
    rows = tuple(message_changes(before.messages, after.messages, "messages"))
    doubts = [f for d in (before, after) for f in d.findings if f.weight > Weight.NOTE]
    if as_json:
        print_json({"changes": [_dict(r) for r in rows], "findings": [f.as_dict() for f in doubts]})
    else:
        print_text(f"{old} > {new}")
        _print_changes(rows)
        print_findings(doubts, err=True)
    raise typer.Exit(exit_by_reading(doubts))


def _plans(old: Path, new: Path, *, as_json: bool) -> None:
    from busplan.checks.compare import compare as compared
    from busplan.checks.document import whose
    from busplan.checks.plan_changes import plan_changes
    from busplan.checks.response_changes import response_changes
    from busplan.plan.reader import load_plan

    before, after = load_plan(old), load_plan(new)
    rows, responses = plan_changes(before, after), response_changes(before, after)
    difference = compared(before, after)
    if as_json:
        print_json(
            {
                "before": whose(before),
                "after": whose(after),
                "changes": [_dict(r) for r in rows],
                "response_times": [_dict(r) for r in responses],
            }
            | difference.as_dict()
        )
        raise typer.Exit(exit_code(difference.after))
    print_text(f"{_named(old, before)} > {_named(new, after)}")
    _print_changes(rows)
    print_difference(difference)
    _print_responses(responses)
    raise typer.Exit(exit_code(difference.after))


def _named(path: Path, vehicle: Vehicle) -> str:
    return f"{path} ({vehicle.label})"


def _dict(row: object) -> dict[str, object]:
    from dataclasses import asdict

    return asdict(row)  # type: ignore[call-overload, no-any-return]


def _print_changes(rows: Sequence[ChangeRow]) -> None:
    if not rows:
        say("", "No difference in what they say.")
    for section, group in groupby(rows, key=lambda r: r.section):
        listed = list(group)
        say("", f"{section}:")
        for row in listed[:_SHOWN]:
            print_text(_sentence(row), lead=f"{_MARKS[row.kind]} ", indent=2)
        if len(listed) > _SHOWN:
            say(f"  and {len(listed) - _SHOWN} more; --json has all")


def _sentence(row: ChangeRow) -> str:
    from busplan.wording import one_line

    before, after = (None if t is None else one_line(t, 160) for t in (row.before, row.after))
    where = f"{row.where}, {row.what}" if row.what else row.where
    if row.kind == "comes" or before is None:
        return f"{where}: {after}" if row.kind == "comes" else f"{where}: none > {after}"
    if row.kind == "goes":
        return f"{where}: {before}"
    return f"{where}: {before} > {'none' if after is None else after}"


def _print_responses(changes: Sequence[ResponseChange]) -> None:
    if not changes:
        return
    say("", "response times, worst case [ms]:")
    print_table(
        ["", "message", "before", "after", "deadline"],
        [
            [
                "#" if one.late_after else "",
                one.message,
                _ms(one.before_ms),
                _ms(one.after_ms),
                _ms(one.deadline_ms),
            ]
            for one in changes[:_SHOWN]
        ],
        right=frozenset({2, 3, 4}),
        shrink=frozenset({1}),
    )
    if len(changes) > _SHOWN:
        say(f"  and {len(changes) - _SHOWN} more; --json has all")


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"
