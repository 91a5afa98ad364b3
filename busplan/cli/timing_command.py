"""``busplan timing``: the worst-case response time of every message, and what follows from it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    is_narrow,
    print_findings,
    print_json,
    print_table,
    print_text,
)
from busplan.findings import count_findings

if TYPE_CHECKING:
    from busplan.findings import Finding
    from busplan.plan.vehicle import Vehicle
    from busplan.timing.gateways import GatewayLoad, RouteTiming
    from busplan.timing.response import NetworkTiming, Response
    from busplan.timing.slack import Slack

BASIS = (
    "worst case: every frame has the most stuff bits, and all that is more urgent is queued at "
    "once just after the longest less urgent frame has started (Davis et al., Real-Time Systems "
    "35:239-272, 2007)"
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("timing", epilog=EXIT_BY_FINDINGS)(timing)


def timing(
    plan: Annotated[Path, typer.Argument(help="Plan file (TOML).", show_default=False)],
    network: Annotated[
        list[str] | None,
        typer.Option("--network", help="Only this network, message by message; repeatable."),
    ] = None,
    faults: Annotated[
        float | None,
        typer.Option(
            "--faults", help="Assume a bus error on each network every so many ms.", min=0.001
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show proven worst-case response times, routes and slack.

    Example: busplan timing dbc_examples/as_bought.toml --network body
    """
    from busplan.checks import deadlines
    from busplan.plan.reader import load_plan
    from busplan.plan.select import select_networks
    from busplan.timing.gateways import gateway_loads, vehicle_timing
    from busplan.timing.response import with_faults
    from busplan.timing.slack import network_slack

    vehicle = load_plan(plan)
    chosen = select_networks(vehicle, network)
    if faults is not None:
        vehicle = with_faults(vehicle, round(faults * 1e6))
    timed = vehicle_timing(vehicle)
    slacks = [network_slack(vehicle, n, inherited_ns=timed.inherited_ns) for n in chosen]
    networks = [timed.networks[n] for n in chosen]
    routes = [r for r in timed.routes if {r.route.source, r.route.target} & set(chosen)]
    gateways = [g for g in gateway_loads(vehicle) if g.network in chosen]
    findings = [f for f in deadlines.findings_of(timed) if f.where.network in chosen]
    if as_json:
        print_json(_document(vehicle, networks, slacks, routes, gateways, findings))
        raise typer.Exit(exit_code(findings))
    typer.echo(f"{vehicle.name}{' (invented)' if vehicle.invented else ''}: response times")
    print_text(BASIS)
    _print_networks(networks, slacks)
    if network or len(networks) == 1:
        for one, slack in zip(networks, slacks, strict=True):
            _print_slack(slack)
            _print_messages(one)
    _print_unproven(networks)
    _print_routes(routes, gateways)
    if findings:
        typer.echo()
        print_findings(findings)
    elif not network and len(networks) > 1:
        typer.echo("\nMessage by message: --network NAME")
    raise typer.Exit(exit_code(findings))


def _print_networks(networks: list[NetworkTiming], slacks: list[Slack]) -> None:
    """One row a network: load, what is late, the tightest message, and the slack."""
    typer.echo()
    print_table(
        ["network", "load", "late", "grow", "lowest rate", "errors each", "tightest", "ms"],
        [
            [
                one.network.name,
                f"{100 * one.load:.1f} %",
                f"{len(one.missed)}/{len(one.responses)}",
                "no" if slack.growth is None else f"x{_figure(slack.growth)}",
                _lowest(slack),
                "none" if slack.fault_interval_ns is None else _ms(slack.fault_interval_ns) + " ms",
                *_tightest(one),
            ]
            for one, slack in zip(networks, slacks, strict=True)
        ],
        right=frozenset({1, 2, 3, 4, 5, 7}),
        shrink=frozenset({6}),
    )
    print_text(
        "grow: how many times as often everything can be sent before a deadline is missed; lowest "
        "rate: standard bit rate at which deadlines and load limit still hold (* not spoken by "
        "all parts); errors each: closest bus errors that every deadline survives, error counters "
        "left out; tightest: the message with the least headroom, its worst case and deadline"
    )
    assumed = {o.network.name: o.fault_interval_ns for o in networks if o.fault_interval_ns}
    for name, interval in assumed.items():
        typer.echo(f"{name}: assumes one bus error each {_ms(interval)} ms")


def _print_slack(slack: Slack) -> None:
    """What the slack of one network depends on, in sentences."""
    from busplan.checks.wording import rate
    from busplan.wording import listing

    name, first = slack.network, slack.limited_by
    if slack.growth is None and first is not None:
        print_text(f"{name}: {first.message.name} of {first.node} is late however rarely all send")
    elif slack.growth is not None and first is not None:
        print_text(
            f"{name}: sent more than {_figure(slack.growth)} times as often, the first to be late "
            f"is {first.message.name} of {first.node}"
        )
    if slack.lowest_bit_rate is not None and slack.not_spoken_by:
        print_text(
            f"{name}: {rate(slack.lowest_bit_rate)} is not stated for "
            f"{listing(slack.not_spoken_by, 8)}"
        )
    if slack.fault_interval_ns is not None:
        print_text(
            f"{name}: bus errors no closer than {_ms(slack.fault_interval_ns)} ms make no message "
            "late; a node whose frames fail more than once in nine leaves the bus before that "
            "(ISO 11898-1, from memory)"
        )


def _lowest(slack: Slack) -> str:
    from busplan.checks.wording import rate

    if slack.lowest_bit_rate is None:
        return "none"
    return rate(slack.lowest_bit_rate) + ("*" if slack.not_spoken_by else "")


def _tightest(one: NetworkTiming) -> tuple[str, str]:
    """The message with the least headroom for its deadline, and both figures [ms]."""
    never = next((r for r in one.missed if r.response_ns is None), None)
    if never is not None:
        return never.stream.message.name, "no bound"
    rated = [
        (response_ns / deadline.ns, r.stream.message.name, response_ns, deadline.ns)
        for r in one.responses
        if (response_ns := r.response_ns) is not None and (deadline := r.deadline) is not None
    ]
    if not rated:
        return "", ""
    _, name, response_ns, deadline_ns = max(rated)
    return name, f"{_ms(response_ns)} of {_ms(deadline_ns)}"


def _print_messages(one: NetworkTiming) -> None:
    """The messages of a network in order of arbitration, late ones marked."""
    typer.echo(f"\n{one.network.name}: messages, most urgent first (times in ms)")
    head = ["", "identifier", "message", "node", "worst", "deadline", "headroom", "waits for"]
    rows = [
        [
            ("#" if r.missed else "") + ("+" if r.fifo else ""),
            r.stream.message.label,
            r.stream.message.name,
            r.stream.node,
            str(r.status) if r.response_ns is None else _ms(r.response_ns),
            _deadline(r),
            "" if r.headroom_ns is None else _ms(r.headroom_ns),
            _waits_for(one, r),
        ]
        for r in one.responses
    ]
    _print_columns(head, rows, left_out="node" if is_narrow() else None)
    print_text(
        "deadline: c the cycle time (c! least distance of events), p from the plan; waits for: the "
        "longest less urgent frame, then what adds most; + node queues first-in-first-out; # late"
    )


def _print_columns(head: list[str], rows: list[list[str]], *, left_out: str | None) -> None:
    """A table whose times align right and whose names shrink, without the column left out."""
    kept = [c for c, name in enumerate(head) if name != left_out]
    numbers = ("worst", "deadline", "headroom")
    names = ("message", "carries", "node", "from", "to", "through", "waits for", "made of")
    print_table(
        [head[c] for c in kept],
        [[row[c] for c in kept] for row in rows],
        right=frozenset(i for i, c in enumerate(kept) if head[c] in numbers),
        shrink=frozenset(i for i, c in enumerate(kept) if head[c] in names),
    )


def _deadline(response: Response) -> str:
    stream, deadline = response.stream, response.deadline
    if deadline is None:
        return "none"
    origin = "p" if deadline != stream.cycle else "c!" if stream.event else "c"
    return f"{_ms(deadline.ns)} {origin}"


def _waits_for(one: NetworkTiming, response: Response) -> str:
    """The blocking frame and what adds the most time, ``4x`` for four frames of it."""
    names = []
    if response.blocked_by is not None:
        names.append(response.blocked_by.message.name)
    others = [d for d in one.delays(response) if d.stream is not response.stream]
    names += [f"{d.frames}x {d.stream.message.name}" for d in others[:3]]
    return ", ".join(names)


def _print_unproven(networks: list[NetworkTiming]) -> None:
    from busplan.timing.response import Status
    from busplan.wording import listing

    found = [r for one in networks for r in one.unproven]
    why = {
        Status.NO_PERIOD: "nobody states a period; each counts as one frame that delays the others",
        Status.TOO_LONG: "longer than one frame; each counts as its whole transport session",
    }
    for status, told in why.items():
        labels = [r.stream.label for r in found if r.status is status]
        if labels:
            print_text(f"not analysed ({told}): {listing(labels, 8)}")


def _print_routes(routes: list[RouteTiming], gateways: list[GatewayLoad]) -> None:
    if routes:
        typer.echo("\nroutes, end to end (times in ms)")
        head = ["", "carries", "from", "to", "through", "worst", "deadline", "made of"]
        rows = [
            [
                "#" if r.too_late else "",
                r.route.what,
                r.route.source,
                r.route.target,
                r.route.through,
                "no bound" if r.latency_ns is None else _ms(r.latency_ns),
                "" if r.route.deadline_ns is None else _ms(r.route.deadline_ns),
                r.reason or _made_of(r),
            ]
            for r in routes
        ]
        _print_columns(head, rows, left_out="through" if is_narrow() else None)
        print_text(
            "made of: response of the source (> latency of the route before), delay of the "
            "gateway, period of its own message (0: passed on at once), response on the target"
        )
    if gateways:
        typer.echo("\ngateways, frames per second for their routes")
        print_table(
            ["gateway", "network", "in", "out"],
            [
                [g.node, g.network, _rate(g.taken_per_s, g.unknown), _rate(g.sent_per_s, 0)]
                for g in gateways
            ],
            right=frozenset({2, 3}),
        )
        if any(g.unknown for g in gateways):
            typer.echo("?: messages without a stated period come on top")


def _made_of(route: RouteTiming) -> str:
    assert route.carrier is not None
    first = (">" if route.after else "") + _ms(route.before_ns or 0)
    rest = (route.route.delay_ns, route.sampling_ns, route.carrier.response_ns or 0)
    return "+".join((first, *map(_ms, rest)))


def _rate(per_s: float, unknown: int) -> str:
    return f"{per_s:.4g}{'?' if unknown else ''}"


def _ms(ns: int) -> str:
    """A time [ns] in ms, as many digits as fit a column."""
    return _figure(ns / 1e6)


def _figure(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def _document(
    vehicle: Vehicle,
    networks: list[NetworkTiming],
    slacks: list[Slack],
    routes: list[RouteTiming],
    gateways: list[GatewayLoad],
    findings: list[Finding],
) -> dict[str, Any]:
    return {
        "vehicle": vehicle.name,
        "invented": vehicle.invented,
        "basis": BASIS,
        "networks": [
            {
                "network": one.network.name,
                "bit_rate": one.network.bit_rate,
                "data_bit_rate": one.network.data_bit_rate,
                "worst_load": one.load,
                "fault_interval_ns": one.fault_interval_ns,
                "slack": {
                    "growth": slack.growth,
                    "limited_by": slack.limited_by.label if slack.limited_by else None,
                    "lowest_bit_rate": slack.lowest_bit_rate,
                    "not_spoken_by": list(slack.not_spoken_by),
                    "least_fault_interval_ns": slack.fault_interval_ns,
                },
                "messages": [_message(one, r) for r in one.responses],
            }
            for one, slack in zip(networks, slacks, strict=True)
        ],
        "routes": [_route(r) for r in routes],
        "gateways": [
            {
                "node": g.node,
                "network": g.network,
                "taken_per_s": g.taken_per_s,
                "sent_per_s": g.sent_per_s,
                "unknown": g.unknown,
            }
            for g in gateways
        ],
        "counts": count_findings(findings),
        "findings": [f.as_dict() for f in findings],
    }


def _message(one: NetworkTiming, response: Response) -> dict[str, Any]:
    stream, deadline = response.stream, response.deadline
    return {
        "identifier": stream.message.label,
        "message": stream.message.name,
        "node": stream.node,
        "via": stream.via,
        "status": str(response.status),
        "response_ns": response.response_ns,
        "deadline_ns": None if deadline is None else deadline.ns,
        "deadline_origin": None if deadline is None else str(deadline.origin),
        "headroom_ns": response.headroom_ns,
        "late": response.missed,
        "frame_ns": response.frame_ns,
        "jitter_ns": response.jitter_ns,
        "fifo": response.fifo,
        "blocked_by": response.blocked_by.label if response.blocked_by else None,
        "blocking_ns": response.blocking_ns,
        "instance": response.instance,
        "delays": [
            {"message": d.stream.label, "frames": d.frames, "ns": d.ns}
            for d in one.delays(response)
        ],
    }


def _route(timing: RouteTiming) -> dict[str, Any]:
    route = timing.route
    return {
        "route": route.name,
        "kind": route.kind,
        "what": route.what,
        "from": route.source,
        "to": route.target,
        "through": route.through,
        "latency_ns": timing.latency_ns,
        "deadline_ns": route.deadline_ns,
        "headroom_ns": timing.headroom_ns,
        "late": timing.too_late,
        "reason": timing.reason,
        "before_ns": timing.before_ns,
        "after": list(timing.after),
        "delay_ns": route.delay_ns,
        "sampling_ns": timing.sampling_ns,
        "source": timing.source.stream.label if timing.source else None,
        "carrier": timing.carrier.stream.label if timing.carrier else None,
    }
