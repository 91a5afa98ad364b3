"""``busplan simulate``: a plan's traffic, sent by the bus simulation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
from busplan.wording import listing, percent, plural

if TYPE_CHECKING:
    from busplan.plan.vehicle import Network, Stream, Vehicle
    from busplan.timing.simulation import Simulation
    from busplan.timing.simulation_report import NetworkRow, ResponseRow, SimulationReport


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("simulate", epilog=EXIT_BY_FINDINGS)(simulate)


def simulate(
    plan: PlanFile,
    seconds: Annotated[float, typer.Option(help="How long to simulate [s].")] = 60.0,
    seed: Annotated[int, typer.Option(min=0, help="Start of all random numbers.")] = 0,
    network: NetworkOption = None,
    out: Annotated[
        Path | None, typer.Option(help="Write the frames as a text log (.log or .log.gz).")
    ] = None,
    to: Annotated[
        str | None,
        typer.Option(
            help="Play the frames in real time onto software buses: udp_multicast[:GROUP] "
            "between programs, virtual[:NAME] within one."
        ),
    ] = None,
    errors_per_second: Annotated[
        float,
        typer.Option(min=0.0, max=10_000, help="Bus errors on each network, on average [1/s]."),
    ] = 0.0,
    drift_ppm: Annotated[
        float, typer.Option(min=0.0, max=10_000, help="How far node clocks may be off [ppm].")
    ] = 50.0,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="A new frame replaces its waiting predecessor.")
    ] = False,
    critical: Annotated[
        bool, typer.Option("--critical", help="Also play the critical instant of each message.")
    ] = False,
    code: CodeOption = None,
    brief: BriefOption = False,
    as_json: JsonOption = False,
) -> None:
    """Send a plan's traffic on simulated networks.

    Response times are held against the proven ones. Payloads are made up: the values they decode to
    mean nothing. With --to they look like those of a healthy vehicle at work, for practice.

    Example: busplan simulate dbc_examples/as_built.toml --seconds 60 --critical --out built.log.gz
    """
    from busplan.checks.route_ways import endless
    from busplan.errors import UsageError
    from busplan.plan.reader import load_plan
    from busplan.plan.select import select_networks
    from busplan.timing.simulation_feeds import left_out
    from busplan.timing.simulation_report import Circumstances, simulate_plan, simulation_report

    circumstances = Circumstances(
        seconds=seconds,
        seed=seed,
        errors_per_second=errors_per_second,
        drift_ppm=drift_ppm,
        overwrite=overwrite,
    )
    if out is not None and not out.name.endswith((".log", ".log.gz")):
        raise UsageError(f"--out writes a text log: {out.name} should end in .log or .log.gz")
    if out is not None and out.exists():
        raise UsageError(f"{out}: exists already")
    vehicle = load_plan(plan)
    chosen = [vehicle.networks[n] for n in select_networks(vehicle, network)]
    _tell_left_out(
        (s, why) for s, why in left_out(vehicle) if vehicle.networks[s.network] in chosen
    )
    run = simulate_plan(vehicle, circumstances, network, believable=to is not None)
    if out is not None:
        _write(run, out)
    if to is not None:
        _play(run, vehicle, chosen, to)
    report = simulation_report(vehicle, circumstances, run, critical=critical)
    found = (*endless(vehicle, [n.name for n in chosen]), *report.findings)
    report = replace(report, findings=narrowed(found, codes=code))
    if as_json:
        print_json(report.as_dict())
    else:
        whole = not brief and (bool(network) or len(report.observed) <= MANY_MESSAGES)
        _print(report, critical=critical, in_detail=whole)
        print_grouped(report.findings, brief=brief, whole=bool(code))
    raise typer.Exit(exit_code(report.findings))


def _tell_left_out(found: Iterable[tuple[Stream, str]]) -> None:
    """What is not simulated, message by message where there are few."""
    reasons: dict[str, list[str]] = {}
    for stream, reason in found:
        reasons.setdefault(reason, []).append(stream.label)
    for reason, labels in reasons.items():
        print_text(f"left out {listing(labels, 8)}: {reason}", err=True)


def _play(run: Simulation, vehicle: Vehicle, networks: list[Network], to: str) -> None:
    """Play a run onto software buses; says how to listen to them. Ctrl-C ends the playing."""
    from busplan.cli.recording import stop_on_signals
    from busplan.live.playing import play, software_spec

    numbers = {name: i for i, name in enumerate(vehicle.networks)}
    specs = {n.name: software_spec(n.name, to, numbers[n.name]) for n in networks}
    for spec in specs.values():
        say(f"listen with -i {spec.written}", err=True)
    say("payloads are made up, as of a healthy vehicle at work: they mean nothing", err=True)
    with stop_on_signals() as stop:
        played = play(run.frames(), specs, stop=stop)
    say(f"{played.frames:,} frames played, at most {played.latest_s * 1e3:.0f} ms late", err=True)


def _write(run: Simulation, out: Path) -> None:
    from busplan.capture.textlog import write_textlog
    from busplan.errors import UsageError

    channels = {n.name: n.channels[0] for n in run.networks if n.channels}
    frames = run.frames().relabel(channels)
    try:
        write_textlog(frames, out)
    except OSError as error:
        raise UsageError(f"cannot write {out}: {error.strerror}") from None
    say(f"wrote {len(frames):,} {plural(len(frames), 'frame')} to {out}", err=True)


MANY_MESSAGES = 150
"""More messages than this are shown network by network, unless networks are named."""


def _print(report: SimulationReport, *, critical: bool, in_detail: bool) -> None:
    told = report.circumstances
    print_text(
        f"{report.vehicle.label}: {told.seconds:g} s simulated, {len(report.run):,} frames, "
        f"seed {told.seed}; response times in ms, from due to end of frame"
    )
    rows = report.response_table().rows
    networks = report.network_table().rows
    if not in_detail:
        _print_networks(networks, rows)
        return
    for network in networks:
        _print_network(network, [r for r in rows if r.network == network.network], critical)


def _print_networks(networks: Sequence[NetworkRow], messages: Sequence[ResponseRow]) -> None:
    """A row a network, with the message that came nearest to its bound."""
    nearest: dict[str, ResponseRow] = {}
    for row in messages:
        before = nearest.get(row.network)
        if before is None or (row.share_of_bound or 0) > (before.share_of_bound or 0):
            nearest[row.network] = row
    say()
    print_table(
        ["network", "load", "frames", "errors", "nearest to its bound", "max", "bound", "of it"],
        [
            [
                one.network,
                percent(one.load),
                f"{one.frames:,}",
                f"{one.error_frames:,}",
                *_nearest(nearest.get(one.network)),
            ]
            for one in networks
        ],
        right=frozenset({1, 2, 3, 5, 6, 7}),
        shrink=frozenset({0, 4}),
    )
    say("", "Message by message: --network NAME")


def _nearest(row: ResponseRow | None) -> list[str]:
    if row is None or row.share_of_bound is None:
        return ["", "", "", ""]
    return [row.message, _ms(row.max_ms), _ms(row.bound_ms), percent(row.share_of_bound, 0)]


def _print_network(network: NetworkRow, messages: Sequence[ResponseRow], critical: bool) -> None:
    say()
    say(
        f"{network.network}: load {percent(network.load)}, {network.frames:,} frames, "
        f"{network.error_frames:,} error frames"
    )
    head = ["node/message", "frames", "min", "median", "99.9 %", "max"]
    head += [*(["critical"] if critical else []), "bound", "of it"]
    rows = []
    for m in messages:
        row = [f"{m.node}/{m.message}", f"{m.frames:,}"]
        row += [_ms(t) for t in (m.min_ms, m.median_ms, m.p99_9_ms, m.max_ms)]
        row += [_ms(m.critical_ms)] if critical else []
        share = m.share_of_bound
        row += [_ms(m.bound_ms) or "none", "" if share is None else percent(share, 0)]
        rows.append(row)
    print_table(head, rows, right=frozenset(range(1, len(head))), shrink=frozenset({0}))
    for m in messages:
        if m.replaced or m.unsent > 1:
            say(
                f"{m.network}/{m.node}/{m.message}: {m.replaced:,} frames replaced by newer ones, "
                f"{m.unsent:,} not sent by the end"
            )


def _ms(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"
