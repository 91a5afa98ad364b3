"""``busplan cable``: lengths, terminators, propagation and bit timing of each network."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_findings,
    print_json,
    print_table,
    print_text,
)
from busplan.findings import count_findings, summary_line

if TYPE_CHECKING:
    from busplan.findings import Finding
    from busplan.wire.bit_timing import BitRegisters, NodeTiming
    from busplan.wire.cable_rules import CableState, Lengths, Limit


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cable", epilog=EXIT_BY_FINDINGS)(cable)


def cable(
    plan: Annotated[Path, typer.Argument(help="Plan file (TOML).", show_default=False)],
    network: Annotated[
        list[str] | None, typer.Option("--network", help="Only this network; repeatable.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show each network's cable beside what its bit rate allows.

    And where in a bit its nodes sample.

    Example: busplan cable dbc_examples/as_bought.toml --network telemetry
    """
    from busplan.checks.cabling import network_findings
    from busplan.plan.reader import load_plan
    from busplan.plan.select import select_networks
    from busplan.wire.bit_timing import node_timings
    from busplan.wire.cable_rules import cable_state

    vehicle = load_plan(plan)
    chosen = select_networks(vehicle, network)
    states = [(cable_state(vehicle, name), node_timings(vehicle, name)) for name in chosen]
    findings = [f for name in chosen for f in network_findings(vehicle, name)]
    if as_json:
        document: dict[str, Any] = {
            "vehicle": vehicle.name,
            "invented": vehicle.invented,
            "networks": [_as_dict(state, timings) for state, timings in states],
            "counts": count_findings(findings),
            "findings": [f.as_dict() for f in findings],
        }
        print_json(document)
        raise typer.Exit(exit_code(findings))
    typer.echo(f"{vehicle.name}{' (invented)' if vehicle.invented else ''}: cable and bit timing")
    for state, timings in states:
        _print_network(state, timings)
    _print_sources([state for state, _ in states])
    _print_found(findings)
    raise typer.Exit(exit_code(findings))


def _print_found(findings: list[Finding]) -> None:
    typer.echo()
    print_findings(findings)
    if findings:
        typer.echo()
    typer.echo(f"{summary_line(findings)}.")


def _print_network(state: CableState, timings: tuple[NodeTiming, ...]) -> None:
    from busplan.checks.wording import speeds
    from busplan.wording import counted

    network = state.network
    kind = ", J1939" if network.j1939 else ""
    typer.echo(f"\n{network.name}: {speeds(network)}{kind}, {counted(state.nodes, 'node')}")
    if not state.stated:
        print_text(f"The plan says nothing of its cable: [network.{network.name}.cable].", indent=2)
    print_table(
        ["", "", "planned", "limit", "source"],
        _rows(state),
        right=frozenset({2, 3}),
        shrink=frozenset({1}),
    )
    if state.needs_compensation:
        print_text(
            f"A sender's own bit comes back after up to {state.transceivers_ns:.0f} ns, later than "
            "the data sample: switch on transmitter delay compensation in every controller.",
            indent=2,
        )
    if timings:
        typer.echo()
        print_table(
            ["", "node", "clock", "prescaler", "before", "after", "jump", "sampled", "wanted"],
            [row for timing in timings for row in _register_rows(timing)],
            right=frozenset({2, 3, 4, 5, 6, 7, 8}),
            shrink=frozenset({1}),
        )


def _rows(state: CableState) -> list[list[str]]:
    """One row a quantity: mark, name, planned, limit, number of its source."""
    from busplan.checks.cabling import metres
    from busplan.wire.cable_rules import PAIR_OHM, TERMINATORS

    rows = []
    phases = [("", state.lengths)]
    if state.data_lengths is not None:
        phases.append((", data phase", state.data_lengths))
    for phase, lengths in phases:
        for name, planned, limit in _length_rows(state, lengths):
            known = planned is not None
            rows.append(
                [
                    "!" if planned is not None and planned > limit.most else "",
                    name + phase,
                    metres(planned) if known and planned is not None else "not stated",
                    metres(limit.most),
                    _short(limit.source),
                ]
            )
    trip = state.round_trip_ns
    rows.append(
        [
            "#" if trip is not None and trip > state.round_trip_limit_ns else "",
            f"there and back, sample at {_percent(state.sample_point)}",
            "not stated" if trip is None else f"{trip:.0f} ns",
            f"{state.round_trip_limit_ns:.0f} ns",
            "propagation",
        ]
    )
    pair = state.pair_ohm
    good = len(state.terminators) == TERMINATORS
    in_range = pair is not None and PAIR_OHM[0] <= pair <= PAIR_OHM[1]
    open_pair = "open" if state.stated else "not stated"
    rows.append(
        [
            "" if good or not state.stated else "!",
            "terminators",
            str(len(state.terminators)),
            str(TERMINATORS),
            "ISO 11898",
        ]
    )
    rows.append(
        [
            "" if in_range or not state.stated else "!",
            "across the pair, power off",
            open_pair if pair is None else f"{pair:.3g} Ω",
            f"{PAIR_OHM[0]:.0f}-{PAIR_OHM[1]:.0f} Ω",
            "ISO 11898",
        ]
    )
    limit = state.node_limit
    over = "!" if state.nodes > limit.most else ""
    rows.append([over, "nodes", str(state.nodes), f"{limit.most:.0f}", _short(limit.source)])
    return rows


def _length_rows(state: CableState, lengths: Lengths) -> list[tuple[str, float | None, Limit]]:
    rows: list[tuple[str, float | None, Limit]] = [("trunk", state.trunk_m, lengths.trunk)]
    if state.stubs_m:
        node, longest = max(state.stubs_m, key=lambda s: s[1])
        rows.append((f"longest stub ({node})", longest, lengths.stub))
        if lengths.stubs is not None:
            rows.append(("all stubs together", state.all_stubs_m, lengths.stubs))
    return rows


def _register_rows(timing: NodeTiming) -> list[list[str]]:
    clock = "?" if timing.clock_hz is None else f"{timing.clock_hz / 1e6:g} MHz"
    if timing.registers is None:
        mark, told = ("#", "cannot") if timing.impossible else ("", _percent(timing.wanted))
        return [[mark, timing.node, clock, "", "", "", "", told, _percent(timing.wanted)]]
    rows = [["", timing.node, clock, *_registers(timing.registers), _percent(timing.wanted)]]
    if timing.data_registers is not None and timing.wanted_data is not None:
        data = _registers(timing.data_registers)
        rows.append(["", "  data phase", "", *data, _percent(timing.wanted_data)])
    return rows


def _registers(r: BitRegisters) -> list[str]:
    return [str(r.prescaler), str(r.before), str(r.after), str(r.jump), _percent(r.sample_point)]


def _percent(fraction: float) -> str:
    return f"{100 * fraction:.1f} %"


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

    typer.echo()
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


def _as_dict(state: CableState, timings: tuple[NodeTiming, ...]) -> dict[str, Any]:
    limit = state.node_limit
    return {
        "network": state.network.name,
        "bit_rate": state.network.bit_rate,
        "data_bit_rate": state.network.data_bit_rate,
        "stated": state.stated,
        "trunk_m": state.trunk_m,
        "stubs_m": dict(state.stubs_m),
        "all_stubs_m": state.all_stubs_m,
        "limits": _lengths_dict(state.lengths),
        "data_limits": _lengths_dict(state.data_lengths) if state.data_lengths else None,
        "terminators": [{"ohm": t.ohm, "node": t.node} for t in state.terminators],
        "pair_ohm": state.pair_ohm,
        "needs_compensation": state.needs_compensation,
        "path_m": state.path_m,
        "round_trip_ns": state.round_trip_ns,
        "round_trip_limit_ns": state.round_trip_limit_ns,
        "sample_point": state.sample_point,
        "sample_point_stated": state.sample_point_stated,
        "nodes": state.nodes,
        "node_limit": {"most": limit.most, "source": limit.source},
        "bit_timing": [
            {
                "node": t.node,
                "clock_hz": t.clock_hz,
                "wanted": t.wanted,
                "wanted_data": t.wanted_data,
                "registers": _registers_dict(t.registers),
                "data_registers": _registers_dict(t.data_registers),
                "impossible": t.impossible,
            }
            for t in timings
        ],
    }


def _lengths_dict(lengths: Lengths) -> dict[str, Any]:
    named = {"trunk_m": lengths.trunk, "stub_m": lengths.stub, "all_stubs_m": lengths.stubs}
    return {
        name: None if limit is None else {"most": limit.most, "source": limit.source}
        for name, limit in named.items()
    }


def _registers_dict(registers: BitRegisters | None) -> dict[str, Any] | None:
    if registers is None:
        return None
    return {
        "prescaler": registers.prescaler,
        "before": registers.before,
        "after": registers.after,
        "jump": registers.jump,
        "bit_rate": registers.bit_rate,
        "sample_point": registers.sample_point,
    }
