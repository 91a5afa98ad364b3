"""``busplan measure``: load over time and cycle times as they were on the wire."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import (
    AS_RECORDED,
    BitRateOption,
    CaptureFiles,
    Opening,
    PlanOption,
    opens_captures,
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
    say,
)
from busplan.text.load_bar import bar
from busplan.wording import percent

if TYPE_CHECKING:
    from busplan.traffic.measurement import Measurement

_NARROW = 8
"""Bars shown for the course of a load."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("measure", epilog=EXIT_BY_FINDINGS)(measure)


@opens_captures
def measure(
    captures: CaptureFiles,
    plan: PlanOption = None,
    window: Annotated[float, typer.Option(help="Window of the load [s].")] = 1.0,
    bit_rate: BitRateOption = None,
    opening: Opening = AS_RECORDED,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, every window.")] = False,
) -> None:
    """Show measured loads and cycle times.

    The load of each network over time, and every identifier's cycle time.

    Example: busplan measure captures/drive_short.log.gz
    --plan dbc_examples/as_built.toml
    """
    from busplan.traffic.measurement import measure_traffic

    capture, vehicle, rates = opening.open_rated(captures, plan, bit_rate)
    measured = measure_traffic(
        capture.frames,
        vehicle,
        rates=rates,
        window_ns=round(window * 1e9),
        known=capture.findings,
    )
    if as_json:
        print_json({"capture": capture.as_dict()} | measured.as_dict())
    else:
        print_capture(capture)
        _print(measured)
    raise typer.Exit(exit_code(measured.findings))


def _print(measured: Measurement) -> None:
    say()
    _print_loads(measured)
    print_missing_rates(measured.unrated)
    say()
    _print_cycles(measured)
    if measured.findings:
        say()
        print_findings(measured.findings)


def _print_loads(measured: Measurement) -> None:
    if not measured.loads:
        return
    window_s = next(iter(measured.loads.values())).window_ns / 1e9
    print_text(
        f"load: mean over the time a network was recorded and highest window of {window_s:g} s; "
        "exact counts the stuff bits that were sent, nominal none, worst the most possible"
    )
    print_table(
        [
            "network",
            "span s",
            "nominal",
            "exact",
            "worst",
            "peak",
            "at s",
            "limit",
            "errors",
            "to 100 %",
        ],
        [
            [
                row.network,
                f"{row.recorded_from_s:.0f}-{row.recorded_from_s + row.recorded_s:.0f}",
                percent(row.nominal),
                percent(row.exact),
                percent(row.worst),
                percent(row.peak),
                f"{row.peak_at_s:.0f}",
                "-" if row.limit is None else percent(row.limit, 0),
                f"{row.error_frames:,}",
                bar(row.exact, row.limit, _NARROW),
            ]
            for row in measured.load_table().rows
        ],
        right=frozenset(range(1, 9)),
        shrink=frozenset({0}),
    )


def _print_cycles(measured: Measurement) -> None:
    print_text(
        "cycle times [ms]: median distance, jitter (99 % of distances lie this near the median), "
        "longest gap and when it began; share of the time on the wire"
    )
    unknown = "? unknown" if measured.planned else "-"
    for network, rows in groupby(measured.cycle_table().rows, key=lambda row: row.network):
        say("", f"{network}")
        print_table(
            ["", "message", "frames", "median", "stated", "jitter", "longest", "at s", "share"],
            [
                [
                    row.identifier,
                    row.message or unknown,
                    f"{row.frames:,}",
                    _ms(row.median_ms),
                    _ms(row.stated_ms),
                    _ms(row.jitter_ms),
                    _ms(row.longest_ms),
                    "-" if row.longest_at_s is None else f"{row.longest_at_s:.1f}",
                    "-" if row.share is None else percent(row.share),
                ]
                for row in rows
            ],
            right=frozenset(range(2, 9)),
            shrink=frozenset({1}),
        )


def _ms(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"
