"""``busplan load``: how full each network is by its plan, and with what."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from busplan.cli.options import JsonOption, NetworkInDetail, PlanFile
from busplan.cli.output import (
    EXIT_OF_READING,
    exit_by_reading,
    print_findings,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.text.load_bar import bar

if TYPE_CHECKING:
    from busplan.checks.load_report import LoadReport, MessageRow
    from busplan.checks.planned_load import PlannedLoad
    from busplan.plan.vehicle import Network


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("load", epilog=EXIT_OF_READING)(load)


def load(
    plan: PlanFile,
    network: NetworkInDetail = None,
    as_json: JsonOption = False,
) -> None:
    """Show the planned load of each network.

    Without stuff bits and with the most possible; --network tells it message by message.

    Example: busplan load dbc_examples/as_built.toml --network drive
    """
    from busplan.checks.load_report import load_report
    from busplan.plan.reader import load_plan

    report = load_report(load_plan(plan), network)
    if as_json:
        print_json(report.as_dict())
    else:
        _print(report, in_detail=bool(network) or len(report.loads) == 1)
        if report.findings:
            say()
            print_findings(report.findings)
    raise typer.Exit(exit_by_reading(report.findings))


def _print(report: LoadReport, *, in_detail: bool) -> None:
    from busplan.checks.planned_load import WINDOW

    print_text(f"{report.vehicle.label}: planned load")
    print_text(f"window: {WINDOW}; nominal: no stuff bits; worst: the most payloads can force")
    say()
    _print_networks(report)
    for one in report.loads:
        if in_detail:
            _print_messages(report, one.network)
        if one.unstated:
            _print_unstated(one)
    if not in_detail:
        say("", "Messages and nodes of one network: --network NAME")


def _print_networks(report: LoadReport) -> None:
    """One row a network on a fixed scale, then where the limits come from."""
    from busplan.checks.wording import rate, rates
    from busplan.wording import listing, percent

    rows = report.network_table().rows
    print_table(
        ["network", "bit rate", "nominal", "worst", "limit", "headroom", "worst, 0 to 100 %"],
        [
            [
                row.network,
                rates(report.vehicle.networks[row.network]),
                percent(row.nominal),
                percent(row.worst),
                percent(row.limit),
                percent(row.headroom),
                bar(row.worst, row.limit, 15),
            ]
            for row in rows
        ],
        right=frozenset({1, 2, 3, 4, 5}),
        shrink=frozenset({0}),
    )
    origins: dict[str, list[str]] = {}
    for row in rows:
        origins.setdefault(row.limit_origin, []).append(row.network)
        if row.data_bit_rate is not None:
            nominal, worst = row.nominal_in_data_phase, row.worst_in_data_phase
            print_text(
                f"{row.network} by phase: {percent(row.nominal - nominal)} nominal and "
                f"{percent(row.worst - worst)} worst at {rate(row.bit_rate)}, "
                f"{percent(nominal)} and {percent(worst)} at {rate(row.data_bit_rate)}"
            )
    for origin, names in origins.items():
        print_text(f"limit of {listing(names, 99)}: {origin}")


def _print_messages(report: LoadReport, network: Network) -> None:
    """The messages of a network in order of arbitration, then its nodes, largest first."""
    from busplan.wording import percent

    say()
    print_text(f"{network.name}: messages, most urgent first (shares in %)")
    print_table(
        ["identifier", "message", "node", "byte", "period", "from", "nominal", "worst"],
        [
            [
                row.identifier,
                row.message,
                row.node,
                str(row.length),
                "?" if row.period_ms is None else f"{row.period_ms:g} ms",
                _origin(row),
                _share(row.nominal),
                _share(row.worst),
            ]
            for row in report.message_table().rows
            if row.network == network.name
        ],
        right=frozenset({3, 4, 6, 7}),
        shrink=frozenset({1, 2}),
    )
    print_text(
        "from: def the message's own definition, default its file's default, plan the plan; "
        "! least distance of a message on event; ? not stated"
    )
    say("", f"{network.name}: nodes, largest share first")
    print_table(
        ["node", "nominal", "worst", "0 to 100 %"],
        [
            [
                row.node,
                percent(row.nominal),
                percent(row.worst),
                bar(row.worst, network.load_limit, 40),
            ]
            for row in report.node_table().rows
            if row.network == network.name
        ],
        right=frozenset({1, 2}),
        shrink=frozenset({0}),
    )


def _print_unstated(one: PlannedLoad) -> None:
    from busplan.wording import listing

    names = listing((m.stream.label for m in one.unstated), 8)
    print_text(f"{one.network.name} leaves out, because nobody states a period: {names}")


def _share(fraction: float | None) -> str:
    return "?" if fraction is None else f"{100 * fraction:.2f}"


_SHORT = {"definition": "def", "file default": "default"}


def _origin(row: MessageRow) -> str:
    """Where the period comes from, short; with ``!`` where it is a least distance of events."""
    if row.period_origin is None:
        return "?"
    return _SHORT.get(row.period_origin, row.period_origin) + ("!" if row.event else "")
