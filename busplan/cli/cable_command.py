"""``busplan cable``: lengths, terminators, propagation and bit timing of each network."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import typer

from busplan.cli.narrowing import narrowed
from busplan.cli.options import BriefOption, CodeOption, JsonOption, NetworkOption, PlanFile
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_grouped,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.findings import summary_line
from busplan.plan.paper_text import key_text
from busplan.wording import percent, plain

if TYPE_CHECKING:
    from busplan.checks.cable_report import BitTimingRow, CableReport, LimitRow, NetworkCable
    from busplan.wire.cable_rules import CableState


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cable", epilog=EXIT_BY_FINDINGS)(cable)


def cable(
    plan: PlanFile,
    network: NetworkOption = None,
    code: CodeOption = None,
    brief: BriefOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show each network's cable beside what its bit rate allows.

    And where in a bit its nodes sample. --brief shows only what is wrong.

    Example: busplan cable dbc_examples/as_bought.toml --network telemetry
    """
    from busplan.checks.cable_report import cable_report
    from busplan.plan.reader import load_plan

    report = cable_report(load_plan(plan), network)
    report = replace(report, findings=narrowed(report.findings, codes=code))
    if as_json:
        print_json(report.as_dict())
    else:
        _print(report, brief=brief, whole=bool(code))
    raise typer.Exit(exit_code(report.findings))


MANY_NETWORKS = 6
"""Of more networks than this, what is wrong is told before the figures."""


def _print(report: CableReport, *, brief: bool, whole: bool) -> None:
    print_text(f"{report.vehicle.label}: cable and bit timing")
    first = brief or len(report.networks) > MANY_NETWORKS
    if first and report.findings:
        say()
        print_grouped(report.findings, brief=brief, whole=whole)
    if not brief:
        for one in report.networks:
            _print_network(one)
        _print_sources([one.state for one in report.networks])
    say()
    if not first:
        print_grouped(report.findings, whole=whole)
    if report.findings and not first:
        say()
    say(f"{summary_line(report.findings)}.")


def _print_network(one: NetworkCable) -> None:
    from busplan.checks.wording import speeds
    from busplan.wording import counted

    state, network = one.state, one.state.network
    kind = ", J1939" if network.j1939 else ""
    say()
    print_text(f"{network.name}: {speeds(network)}{kind}, {counted(state.nodes, 'node')}")
    if not state.stated:
        print_text(
            f"The plan says nothing of its cable: [network.{key_text(network.name)}.cable].",
            indent=2,
        )
    print_table(
        ["", "", "planned", "limit", "source"],
        [
            [
                row.beyond.mark if row.beyond else "",
                row.what,
                _planned(row, state),
                _amount(row.most, row.unit, row.least),
                _short(row.source),
            ]
            for row in one.limits
        ],
        right=frozenset({2, 3}),
        folded=frozenset({1}),
    )
    if state.needs_compensation:
        print_text(
            f"A sender's own bit comes back after up to {state.transceivers_ns:.0f} ns, later than "
            "the data sample: switch on transmitter delay compensation in every controller.",
            indent=2,
        )
    if one.bit_timing:
        say()
        print_table(
            ["", "node", "clock", "prescaler", "before", "after", "jump", "sampled", "wanted"],
            [_timing(row) for row in one.bit_timing],
            right=frozenset({2, 3, 4, 5, 6, 7, 8}),
            shrink=frozenset({1}),
        )


def _planned(row: LimitRow, state: CableState) -> str:
    """What is planned, in the row's unit."""
    if row.planned is None:
        return "open" if row.unit == "Ω" and state.terminators_stated else "not stated"
    return f"{plain(row.planned, 3)} Ω" if row.unit == "Ω" else _amount(row.planned, row.unit)


def _amount(value: float, unit: str, least: float | None = None) -> str:
    """An amount as its unit is usually written, or a range of ohms."""
    from busplan.checks.cabling import metres

    if unit == "m":
        return metres(value)
    if unit == "Ω":
        return f"{least:.0f}-{value:.0f} Ω"
    return f"{value:.0f} {unit}".rstrip()


def _timing(row: BitTimingRow) -> list[str]:
    """The columns of one node and phase."""
    clock = "?" if row.clock_hz is None else f"{row.clock_hz / 1e6:g} MHz"
    sampled = "cannot" if row.impossible else percent(row.sample_point or row.wanted)
    registers = (row.prescaler, row.before, row.after, row.jump)
    return [
        "#" if row.impossible else "",
        "  data phase" if row.data_phase else row.node,
        "" if row.data_phase else clock,
        *("" if value is None else str(value) for value in registers),
        sampled,
        percent(row.wanted),
    ]


def _short(source: str) -> str:
    """A source as it fits a column; :func:`_print_sources` spells it out."""
    from busplan.wire import cable_rules as limits

    names = {
        limits.TABLE_SOURCE: "table",
        limits.J1939_11: "J1939-11",
        limits.J1939_14: "J1939-14",
        limits.ECHO_RULE: "echo rule",
        limits.STUB_RULE: "table, shortened",
    }
    return names.get(source, source.split("; ")[0].split(" (")[0])


def _print_sources(states: list[CableState]) -> None:
    from busplan.wire import cable_rules as limits

    say()
    used = {
        limit.source
        for state in states
        for lengths in (state.lengths, state.data_lengths)
        if lengths is not None
        for limit in (lengths.trunk, lengths.stub)
    }
    told = {
        limits.TABLE_SOURCE: "; between its rows lengths follow the bit time",
        limits.ECHO_RULE: ": 2 x 5 ns/m x trunk within the sample point of the data bit",
    }
    for source in sorted(used):
        print_text(f"{_short(source)}: {source}{told.get(source, '')}")
    print_text(
        "propagation: 2 x (transceivers + 5 ns/m x way between the farthest nodes) within the "
        "sample point; a transceiver counts as 255 ns unless its part states it"
    )
    print_text("before, after: time quanta around the sample; jump: most quanta a bit is stretched")
