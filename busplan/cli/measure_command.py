"""``busplan measure``: load over time and cycle times as they were on the wire."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli.captures import (
    BitRateOption,
    CaptureFiles,
    ChannelOption,
    NoCacheOption,
    OffsetOption,
    PlanOption,
    capture_dict,
    open_rated,
    print_capture,
    print_missing_rates,
)
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_findings,
    print_json,
    print_table,
    print_text,
)
from busplan.text.load_bar import bar

if TYPE_CHECKING:
    from busplan.capture.capture import Capture
    from busplan.definitions.model import Stated
    from busplan.frames.identifier import FrameKey
    from busplan.plan.vehicle import Stream, Vehicle
    from busplan.traffic.cycles import MeasuredCycle
    from busplan.traffic.measured_load import MeasuredLoad

_NARROW = 12
"""Bars shown for the course of a load."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("measure", epilog=EXIT_BY_FINDINGS)(measure)


def measure(
    captures: CaptureFiles,
    plan: PlanOption = None,
    window: Annotated[float, typer.Option(help="Window of the load [s].")] = 1.0,
    bit_rate: BitRateOption = None,
    offset: OffsetOption = None,
    channel: ChannelOption = None,
    no_cache: NoCacheOption = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, every window.")] = False,
) -> None:
    """Show measured loads and cycle times.

    The load of each network over time, and every identifier's cycle time.

    Example: busplan measure captures/drive_short.log.gz
    --plan dbc_examples/as_built.toml
    """
    from busplan.traffic.cycles import measured_cycles
    from busplan.traffic.measured_load import load_findings, measured_load

    capture, vehicle, rates = open_rated(
        captures, plan, bit_rate, offsets=offset, channels=channel, cache=not no_cache
    )
    table = capture.frames
    loads = measured_load(table, rates, round(window * 1e9))
    cycles = measured_cycles(table)
    limits = {n.name: n.load_limit for n in vehicle.networks.values()} if vehicle else {}
    findings = [
        *capture.findings,
        *(
            f
            for one in loads.values()
            for f in load_findings(one, limits.get(one.network, 1.0), table.origin_ns)
        ),
    ]
    if as_json:
        print_json(_as_dict(capture, loads, cycles, vehicle, findings))
        raise typer.Exit(exit_code(findings))
    print_capture(capture)
    typer.echo()
    _print_loads(loads, limits, table.origin_ns)
    print_missing_rates([n for n in table.networks if n not in loads])
    typer.echo()
    _print_cycles(capture, cycles, loads, vehicle)
    if findings:
        typer.echo()
        print_findings(findings)
    raise typer.Exit(exit_code(findings))


def _print_loads(
    loads: Mapping[str, MeasuredLoad], limits: Mapping[str, float], origin_ns: int
) -> None:
    if not loads:
        return
    window_s = next(iter(loads.values())).window_ns / 1e9
    print_text(
        f"load: mean over the span and highest window of {window_s:g} s; exact counts the stuff "
        "bits that were sent, nominal none, worst the most possible"
    )
    print_table(
        ["network", "nominal", "exact", "worst", "peak", "at s", "limit", "errors", "0 to 100 %"],
        [
            [
                load.network,
                f"{load.mean('nominal'):.1%}",
                f"{load.mean():.1%}",
                f"{load.mean('worst'):.1%}",
                f"{load.peak[0]:.1%}",
                f"{(load.peak[1] - origin_ns) / 1e9:.0f}",
                f"{limits[load.network]:.0%}" if load.network in limits else "-",
                f"{int(load.error_frames.sum()):,}",
                bar(load.mean(), limits.get(load.network), _NARROW),
            ]
            for load in loads.values()
        ],
        right=frozenset(range(1, 8)),
        shrink=frozenset({0}),
    )


def _print_cycles(
    capture: Capture,
    cycles: Mapping[FrameKey, MeasuredCycle],
    loads: Mapping[str, MeasuredLoad],
    vehicle: Vehicle | None,
) -> None:
    from busplan.frames.identifier import format_identifier

    streams = _streams(capture, vehicle)
    table = capture.frames
    print_text(
        "cycle times [ms]: median distance, jitter (99 % of distances lie this near the median), "
        "longest gap and when it began; share of the time on the wire"
    )
    rows: dict[str, list[list[str]]] = {}
    for key, group in table.groups.items():
        cycle = cycles.get(key)
        known = streams.get(key, ())
        stated = _stated(known)
        load = loads.get(key.network)
        rows.setdefault(key.network, []).append(
            [
                format_identifier(key.identifier, key.extended),
                known[0].message.name if known else ("-" if vehicle is None else "? unknown"),
                f"{len(group):,}",
                _ms(cycle.median_ns if cycle else None),
                _ms(stated.ns if stated else None),
                _ms(cycle.jitter_ns if cycle else None),
                _ms(cycle.longest_ns if cycle else None),
                f"{(cycle.longest_at_ns - table.origin_ns) / 1e9:.1f}" if cycle else "-",
                f"{load.share_ns.get(key, 0) / load.span_ns:.1%}" if load else "-",
            ]
        )
    for network, lines in rows.items():
        typer.echo(f"\n{network}")
        print_table(
            ["", "message", "frames", "median", "stated", "jitter", "longest", "at s", "share"],
            lines,
            right=frozenset(range(2, 9)),
            shrink=frozenset({1}),
        )


def _streams(capture: Capture, vehicle: Vehicle | None) -> dict[FrameKey, tuple[Stream, ...]]:
    """The plan's streams by the identifiers that their frames have in the capture."""
    from busplan.decode.match import streams_by_key
    from busplan.transport.messages import Messages

    return streams_by_key(Messages(capture.frames), vehicle) if vehicle else {}


def _stated(streams: Sequence[Stream]) -> Stated | None:
    """The first period that somebody states for an identifier."""
    return next((s.cycle for s in streams if s.cycle), None)


def _ms(value_ns: int | None) -> str:
    return "-" if value_ns is None else f"{value_ns / 1e6:.2f}"


def _as_dict(
    capture: Capture,
    loads: Mapping[str, MeasuredLoad],
    cycles: Mapping[FrameKey, MeasuredCycle],
    vehicle: Vehicle | None,
    findings: Sequence[Any],
) -> dict[str, Any]:
    origin_ns = capture.frames.origin_ns
    streams = _streams(capture, vehicle)
    return {
        "capture": capture_dict(capture),
        "loads": [
            {
                "network": load.network,
                "bit_rate": load.rates.nominal,
                "data_bit_rate": load.rates.data,
                "window_s": load.window_ns / 1e9,
                "start_s": (load.start_ns - origin_ns) / 1e9,
                "mean": {kind: load.mean(kind) for kind in ("nominal", "exact", "worst")},
                "peak": {"exact": load.peak[0], "at_s": (load.peak[1] - origin_ns) / 1e9},
                "windows": {
                    "width_s": (load.width_ns / 1e9).tolist(),
                    "exact": load.exact.tolist(),
                    "frames": load.frames.tolist(),
                    "remote_frames": load.remote_frames.tolist(),
                    "error_frames": load.error_frames.tolist(),
                },
                "shares": {str(key): spent / load.span_ns for key, spent in load.share_ns.items()},
            }
            for load in loads.values()
        ],
        "cycles": [
            _cycle_dict(key, len(group), cycles.get(key), streams.get(key, ()), origin_ns)
            for key, group in capture.frames.groups.items()
        ],
        "findings": [f.as_dict() for f in findings],
    }


def _cycle_dict(
    key: FrameKey,
    frames: int,
    cycle: MeasuredCycle | None,
    streams: Sequence[Stream],
    origin_ns: int,
) -> dict[str, Any]:
    """One identifier for JSON; what fewer than two frames cannot tell is ``None``."""
    stated = _stated(streams)
    return {
        "network": key.network,
        "identifier": key.identifier,
        "extended": key.extended,
        "message": streams[0].message.name if streams else None,
        "frames": frames,
        "stated_ms": stated.ns / 1e6 if stated else None,
        "median_ms": cycle.median_ns / 1e6 if cycle else None,
        "jitter_ms": cycle.jitter_ns / 1e6 if cycle else None,
        "shortest_ms": cycle.shortest_ns / 1e6 if cycle else None,
        "longest_ms": cycle.longest_ns / 1e6 if cycle else None,
        "longest_at_s": (cycle.longest_at_ns - origin_ns) / 1e9 if cycle else None,
    }
