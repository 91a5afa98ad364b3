"""``busplan load``: how full each network is by its plan, and with what."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli.output import EXIT_OF_DATA, print_json, print_table, print_text
from busplan.text.load_bar import bar

if TYPE_CHECKING:
    from busplan.checks.planned_load import MessageLoad, PlannedLoad


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("load", epilog=EXIT_OF_DATA)(load)


def load(
    plan: Annotated[Path, typer.Argument(help="Plan file (TOML).", show_default=False)],
    network: Annotated[
        list[str] | None,
        typer.Option("--network", help="Only this network, message by message; repeatable."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show the planned load of each network.

    Without stuff bits and with the most possible; --network tells it message by message.

    Example: busplan load dbc_examples/as_built.toml --network drive
    """
    from busplan.checks.planned_load import WINDOW, network_loads
    from busplan.plan.reader import load_plan
    from busplan.plan.select import select_networks

    vehicle = load_plan(plan)
    chosen = select_networks(vehicle, network)
    loads = [v for n, v in network_loads(vehicle).items() if n in chosen]
    if as_json:
        document: dict[str, Any] = {
            "vehicle": vehicle.name,
            "invented": vehicle.invented,
            "window": WINDOW,
            "networks": [_as_dict(one) for one in loads],
        }
        print_json(document)
        return
    typer.echo(f"{vehicle.name}{' (invented)' if vehicle.invented else ''}: planned load")
    print_text(f"window: {WINDOW}; nominal: no stuff bits; worst: the most payloads can force")
    typer.echo()
    _print_networks(loads)
    for one in loads:
        if network or len(loads) == 1:
            _print_messages(one)
        if one.unstated:
            _print_unstated(one)
    if not network and len(loads) > 1:
        typer.echo("\nMessages and nodes of one network: --network NAME")


def _print_networks(loads: list[PlannedLoad]) -> None:
    """One row a network on a fixed scale, then where the limits come from."""
    from busplan.checks.planned_load import limit_origin
    from busplan.checks.wording import percent, rate, rates
    from busplan.wording import listing

    print_table(
        ["network", "bit rate", "nominal", "worst", "limit", "headroom", "worst, 0 to 100 %"],
        [
            [
                one.network.name,
                rates(one.network),
                percent(one.nominal),
                percent(one.worst),
                percent(one.network.load_limit),
                percent(one.headroom),
                bar(one.worst, one.network.load_limit, 15),
            ]
            for one in loads
        ],
        right=frozenset({1, 2, 3, 4, 5}),
        shrink=frozenset({0}),
    )
    for one in loads:
        if one.network.data_bit_rate is not None:
            nominal, worst = one.data_phase
            print_text(
                f"{one.network.name} by phase: {percent(one.nominal - nominal)} nominal and "
                f"{percent(one.worst - worst)} worst at {rate(one.network.bit_rate)}, "
                f"{percent(nominal)} and {percent(worst)} at {rate(one.network.data_bit_rate)}"
            )
    origins: dict[str, list[str]] = {}
    for one in loads:
        origins.setdefault(limit_origin(one.network), []).append(one.network.name)
    for origin, names in origins.items():
        print_text(f"limit of {listing(names, 99)}: {origin}")


def _print_messages(one: PlannedLoad) -> None:
    """The messages of a network in order of arbitration, then its nodes, largest first."""
    from busplan.checks.wording import percent

    typer.echo(f"\n{one.network.name}: messages, most urgent first (shares in %)")
    print_table(
        ["identifier", "message", "node", "byte", "period", "from", "nominal", "worst"],
        [
            [
                m.stream.message.label,
                m.stream.message.name,
                m.stream.node,
                str(m.stream.message.length),
                _period(m),
                _origin(m),
                _share(m.nominal),
                _share(m.worst),
            ]
            for m in one.messages
        ],
        right=frozenset({3, 4, 6, 7}),
        shrink=frozenset({1, 2}),
    )
    print_text(
        "from: def the message's own definition, default its file's default, plan the plan; "
        "! least distance of a message on event; ? not stated"
    )
    typer.echo(f"\n{one.network.name}: nodes, largest share first")
    print_table(
        ["node", "nominal", "worst", "0 to 100 %"],
        [
            [node, percent(nominal), percent(worst), bar(worst, one.network.load_limit, 40)]
            for node, (nominal, worst) in one.by_node().items()
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


def _period(m: MessageLoad) -> str:
    return "?" if m.stream.cycle is None else f"{m.stream.cycle.ms:g} ms"


_SHORT = {"definition": "def", "file default": "default"}


def _origin(m: MessageLoad) -> str:
    """Where the period comes from, short; with ``!`` where it is a least distance of events."""
    if m.stream.cycle is None:
        return "?"
    origin = str(m.stream.cycle.origin)
    return _SHORT.get(origin, origin) + ("!" if m.stream.event else "")


def _as_dict(one: PlannedLoad) -> dict[str, Any]:
    from busplan.checks.planned_load import limit_origin

    return {
        "network": one.network.name,
        "bit_rate": one.network.bit_rate,
        "data_bit_rate": one.network.data_bit_rate,
        "nominal": one.nominal,
        "worst": one.worst,
        "data_phase": dict(zip(("nominal", "worst"), one.data_phase, strict=True)),
        "limit": one.network.load_limit,
        "limit_origin": limit_origin(one.network),
        "headroom": one.headroom,
        "messages": [_message_dict(m) for m in one.messages],
        "nodes": [
            {"node": node, "nominal": nominal, "worst": worst}
            for node, (nominal, worst) in one.by_node().items()
        ],
    }


def _message_dict(m: MessageLoad) -> dict[str, Any]:
    stream = m.stream
    return {
        "identifier": stream.message.label,
        "message": stream.message.name,
        "node": stream.node,
        "via": stream.via,
        "length": stream.message.length,
        "frames": m.frames,
        "period_ms": None if stream.cycle is None else stream.cycle.ms,
        "period_origin": None if stream.cycle is None else str(stream.cycle.origin),
        "event": stream.event,
        "nominal_ns": m.nominal_ns,
        "worst_ns": m.worst_ns,
        "nominal": m.nominal,
        "worst": m.worst,
    }
