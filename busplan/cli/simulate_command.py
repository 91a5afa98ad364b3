"""``busplan simulate``: a plan's traffic, sent by the bus simulation."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli.output import EXIT_BY_FINDINGS
from busplan.wording import plural

if TYPE_CHECKING:
    from busplan.plan.vehicle import Network, Vehicle
    from busplan.timing.simulation import Simulation
    from busplan.timing.simulation_summary import Observed

MOST_FRAMES = 50_000_000
"""A run is held in memory, at about 150 bytes a frame."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("simulate", epilog=EXIT_BY_FINDINGS)(simulate)


def simulate(
    plan: Annotated[Path, typer.Argument(help="Plan file (TOML).", show_default=False)],
    seconds: Annotated[float, typer.Option(help="How long to simulate [s].")] = 60.0,
    seed: Annotated[int, typer.Option(min=0, help="Start of all random numbers.")] = 0,
    network: Annotated[
        list[str] | None, typer.Option(help="Only this network; repeatable.")
    ] = None,
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
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Send a plan's traffic on simulated networks.

    Response times are held against the proven ones. Payloads are made up: the values they decode to
    mean nothing.

    Example: busplan simulate dbc_examples/as_built.toml --seconds 60 --critical --out built.log.gz
    """
    from busplan.cli.output import exit_code, print_findings, print_json, print_text
    from busplan.errors import UsageError
    from busplan.plan.reader import load_plan
    from busplan.plan.select import select_networks
    from busplan.timing.simulation_feeds import left_out
    from busplan.timing.simulation_summary import (
        bounds_beaten,
        critical_responses,
        observed_responses,
        proven_timing,
    )

    if not 0 < seconds <= 86_400:
        raise UsageError(f"--seconds takes more than 0 to 86400, not {seconds:g}")
    if out is not None and not out.name.endswith((".log", ".log.gz")):
        raise UsageError(f"--out writes a text log: {out.name} should end in .log or .log.gz")
    if out is not None and out.exists():
        raise UsageError(f"{out}: exists already")
    vehicle = load_plan(plan)
    chosen = [vehicle.networks[n] for n in select_networks(vehicle, network)]
    for stream, reason in left_out(vehicle):
        if vehicle.networks[stream.network] in chosen:
            typer.echo(f"left out {stream.label}: {reason}", err=True)
    run = _run(vehicle, chosen, round(seconds * 1e9), seed, errors_per_second, drift_ppm, overwrite)
    if out is not None:
        _write(run, out)
    if to is not None:
        _play(run, vehicle, chosen, to)
    timing = proven_timing(vehicle, drift_ppm=drift_ppm, errors_per_second=errors_per_second)
    played = None
    if critical:
        # With true clocks: a clock that drifts does not get any closer to the critical instant.
        true = proven_timing(vehicle, errors_per_second=errors_per_second)
        played = critical_responses(vehicle, true)
    observed = observed_responses(run, timing, played)
    findings = bounds_beaten(observed)
    if as_json:
        document = {
            "vehicle": vehicle.name,
            "invented": vehicle.invented,
            "seconds": seconds,
            "seed": seed,
            "networks": [_network_dict(run, i, seconds) for i in range(len(chosen))],
            "messages": [_message_dict(o) for o in observed],
            "findings": [f.as_dict() for f in findings],
        }
        print_json(document)
    else:
        print_text(
            f"{vehicle.name}{' (invented)' if vehicle.invented else ''}: {seconds:g} s simulated, "
            f"{len(run):,} frames, seed {seed}; response times in ms, from due to end of frame"
        )
        for i in range(len(chosen)):
            _print_network(run, i, observed, seconds, critical)
        print_findings(findings)
    raise typer.Exit(exit_code(findings))


def _run(
    vehicle: Vehicle,
    networks: list[Network],
    span_ns: int,
    seed: int,
    errors_per_second: float,
    drift_ppm: float,
    overwrite: bool,
) -> Simulation:
    from busplan.errors import UsageError
    from busplan.timing.simulation import simulate as send
    from busplan.timing.simulation_feeds import feeds_of, random_faults
    from busplan.timing.simulation_payloads import swinging_payloads

    names = [n.name for n in networks]
    expected = sum(span_ns // s.cycle.ns for s in vehicle.streams if s.cycle and s.network in names)
    if expected > MOST_FRAMES:
        raise UsageError(
            f"{expected:,} frames are too many for one run (at most {MOST_FRAMES:,}): take fewer "
            "seconds or fewer networks"
        )
    feeds = feeds_of(
        vehicle,
        span_ns,
        seed=seed,
        networks=names,
        payloads=swinging_payloads(seed),
        drift_ppm=drift_ppm,
        overwrite=overwrite,
    )
    faults = {n: random_faults(n, errors_per_second, span_ns, seed=seed) for n in names}
    return send(networks, feeds, until_ns=span_ns, faults=faults)


def _play(run: Simulation, vehicle: Vehicle, networks: list[Network], to: str) -> None:
    """Play a run onto software buses; says how to listen to them. Ctrl-C ends the playing."""
    from busplan.cli.recording import stop_on_signals
    from busplan.live.playing import play, software_spec

    numbers = {name: i for i, name in enumerate(vehicle.networks)}
    specs = {n.name: software_spec(n.name, to, numbers[n.name]) for n in networks}
    for spec in specs.values():
        typer.echo(f"listen with -i {spec.written}", err=True)
    typer.echo("payloads are made up: the values that the screens show mean nothing", err=True)
    with stop_on_signals() as stop:
        played = play(run.frames(), specs, stop=stop)
    typer.echo(
        f"{played.frames:,} frames played, at most {played.latest_s * 1e3:.0f} ms late", err=True
    )


def _write(run: Simulation, out: Path) -> None:
    from busplan.capture.textlog import write_textlog
    from busplan.errors import UsageError

    channels = {n.name: n.channels[0] for n in run.networks if n.channels}
    frames = run.frames().relabel(channels)
    try:
        write_textlog(frames, out)
    except OSError as error:
        raise UsageError(f"cannot write {out}: {error.strerror}") from None
    typer.echo(f"wrote {len(frames):,} {plural(len(frames), 'frame')} to {out}", err=True)


def _ms(ns: int | None) -> str:
    return "" if ns is None else f"{ns / 1e6:.3f}"


def _print_network(
    run: Simulation, index: int, observed: tuple[Observed, ...], seconds: float, critical: bool
) -> None:
    from busplan.cli.output import print_table

    facts = _network_dict(run, index, seconds)
    typer.echo()
    typer.echo(
        f"{facts['network']}: load {facts['load']:.1%}, {facts['frames']:,} frames, "
        f"{facts['error_frames']:,} error frames"
    )
    head = ["node/message", "frames", "min", "median", "99.9 %", "max"]
    head += [*(["critical"] if critical else []), "bound", "of it"]
    rows = []
    for o in observed:
        if o.stream.network != facts["network"]:
            continue
        row = [f"{o.stream.node}/{o.stream.message.name}", f"{o.frames:,}"]
        row += [_ms(t) for t in (o.least_ns, o.median_ns, o.p999_ns, o.most_ns)]
        row += [_ms(o.critical_ns)] if critical else []
        share = o.share_of_bound
        row += [_ms(o.bound_ns) or "none", "" if share is None else f"{share:.0%}"]
        rows.append(row)
    print_table(head, rows, right=frozenset(range(1, len(head))), shrink=frozenset({0}))
    for o in observed:
        if o.stream.network == facts["network"] and (o.replaced or o.unsent > 1):
            typer.echo(
                f"{o.stream.label}: {o.replaced:,} frames replaced by newer ones, "
                f"{o.unsent:,} not sent by the end"
            )


def _network_dict(run: Simulation, index: int, seconds: float) -> dict[str, Any]:
    mine = [f.stream.network == run.networks[index].name for f in run.feeds]
    return {
        "network": run.networks[index].name,
        "load": float(run.busy_ns[index]) / (seconds * 1e9),
        "frames": int(run.sent[mine].sum()),
        "error_frames": int((run.error_network == index).sum()),
    }


def _message_dict(o: Observed) -> dict[str, Any]:
    from busplan.frames.identifier import format_identifier

    def ms(ns: int | None) -> float | None:
        return None if ns is None else ns / 1e6

    return {
        "network": o.stream.network,
        "node": o.stream.node,
        "message": o.stream.message.name,
        "identifier": format_identifier(o.stream.message.identifier, o.stream.message.extended),
        "frames": o.frames,
        "min_ms": ms(o.least_ns),
        "median_ms": ms(o.median_ns),
        "p99_9_ms": ms(o.p999_ns),
        "max_ms": ms(o.most_ns),
        "critical_ms": ms(o.critical_ns),
        "bound_ms": ms(o.bound_ns),
        "replaced": o.replaced,
        "unsent": o.unsent,
    }
