"""Identifiers and send offsets alone: searched, shown and written."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplan.allot.quiet import quiet_libraries
from busplan.cli.output import (
    exit_code,
    print_grouped,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.cli.plan_out import write_changed
from busplan.cli.search_progress import SearchProgress
from busplan.cli.stopping import stopping, two_at_a_time, until
from busplan.findings import Weight, summary_line
from busplan.plan.paper_text import key_text

if TYPE_CHECKING:
    from busplan.allot.identifiers import Allotment
    from busplan.allot.offset_report import Spread
    from busplan.allot.part_offsets import PartMove
    from busplan.allot.wants import Want


def identify(
    plan: Path,
    network: Sequence[str] | None,
    want: Want,
    interval: int | None,
    *,
    seconds: float,
    offsets: Sequence[str] | None,
    out: Path | None,
    paste: bool,
    as_json: bool,
) -> int:
    """Search identifiers, print and write; the exit code."""
    import time

    from busplan.allot.alone import identifiers_alone
    from busplan.allot.identifiers import allot_identifiers
    from busplan.allot.report import allot_findings, as_toml, plan_told
    from busplan.errors import UsageError

    with stopping() as stop, quiet_libraries():

        def search(*plans: Any, want: Want, seconds: float, **given: Any) -> Allotment:
            far = SearchProgress(seconds, stop)

            def told(name: str, best: int | None, bound: int) -> None:
                if best is None and not bound:
                    far.clear()
                    say(f"searching {name}, {want}: at most {seconds:g} s", err=True)
                else:
                    far.counted(name, best, bound)

            try:
                return allot_identifiers(
                    *plans,
                    want=want,
                    seconds=seconds,
                    clock=time.monotonic,
                    told=told,
                    stop=stop,
                    waited=partial(until, stop, tick=far.tick),
                    each=two_at_a_time,
                    **given,
                )
            finally:
                far.clear()

        answer = identifiers_alone(
            plan,
            want,
            search,
            networks=network or (),
            offsets=offsets or (),
            fault_interval_ns=interval,
            seconds=seconds,
            stop=stop,
        )
    found, spread, moves = answer.found, answer.spread, answer.moves
    findings = allot_findings(found)
    if out is not None:
        if not answer.changes:
            raise UsageError("nothing changes, so there is no other plan to write")
        write_changed(plan, answer.changed().document, out)
    if as_json:
        print_json(answer.document(findings))
    elif paste:
        for move in moves:
            say(f"# in [node.{key_text(move.node)}]: identifier_offset = {move.becomes:#x}")
        say(*(spread.as_toml() if spread else "").splitlines(), *as_toml(found).split("\n"))
    else:
        if spread is not None:
            _print_offsets(spread)
        _print(found, answer.more, moves)
        if answer.changes:
            say("", "The changed plan: --out NEW.toml; the changes as tables for it: --toml")
        judged = plan_told(changes=answer.changes)
        heavy = [f for f in findings if f.weight > Weight.NOTE]
        if heavy:
            say("", f"{judged}:")
            print_grouped(heavy, brief=True)
        say("", f"{judged}: {summary_line(findings)}.")
    return exit_code(findings)


def _print_offsets(spread: Spread) -> None:
    from busplan.allot.offset_report import offset_table

    print_text(f"{spread.before.label}: send offsets")
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
            shrink=frozenset({0, 1, 2}),
        )
    say()


def _print(found: Allotment, more: Allotment | None, moves: Sequence[PartMove]) -> None:
    from busplan.allot.report import change_table, network_table, sentences

    print_text(f"{found.before.label}: identifiers")
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
    print_text(
        f"late: messages that are not {found.want.words}, or share an identifier, before and then"
    )
    for move in moves:
        print_text(
            f"{move.node} moves as a whole, from offset {move.was:#x} to {move.becomes:#x}; on "
            f"{move.reason}; figures are those after it"
        )
    for line in sentences(found, more):
        print_text(line)
    if found.changes:
        say()
        print_table(
            ["network", "node", "message", "is", "becomes", "because it"],
            [
                [row.network, row.node, row.message, row.was, row.becomes, row.reason]
                for row in change_table(found).rows
            ],
            shrink=frozenset({0, 1, 2, 5}),
        )
