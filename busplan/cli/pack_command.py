"""``busplan pack``: is every cell and every module all right?"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import ChannelOption, NoCacheOption, OffsetOption, open_capture
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_findings,
    print_json,
    print_table,
    print_text,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.findings import Finding
    from busplan.pack.report import PackReport
    from busplan.pack.series import PackSeries
    from busplan.pack.tables import ModuleRow
    from busplan.plan.vehicle import Vehicle


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("pack", epilog=EXIT_BY_FINDINGS)(pack)


def pack(
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="CAPTURE", help="Capture files.", show_default=False),
    ] = None,
    plan: Annotated[
        Path | None, typer.Option("--plan", help="Plan file with a [pack] section.")
    ] = None,
    test: Annotated[
        str | None,
        typer.Option(help="What was done: warm-up, drive, charge or rest; found if left out."),
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(help="START:STOP of the warm-up in s; found if left out."),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option(help="An older capture of the same pack: shows what has drifted."),
    ] = None,
    tables: Annotated[
        bool, typer.Option("--tables", help="All modules and cells too, and why and what to do.")
    ] = False,
    plots: Annotated[
        Path | None, typer.Option(help="Write plots into this folder (needs matplotlib).")
    ] = None,
    svg: Annotated[bool, typer.Option("--svg", help="Plots as SVG instead of PNG.")] = False,
    suggest: Annotated[
        Path | None,
        typer.Option(help="Propose a [pack] section from this plan or DBC file, and end."),
    ] = None,
    offset: OffsetOption = None,
    channel: ChannelOption = None,
    no_cache: NoCacheOption = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Judge the traction pack by a capture, or propose its layout.

    Example: busplan pack captures/drive_short.log.gz --plan dbc_examples/as_built.toml
    """
    from busplan.errors import UsageError

    if suggest is not None:
        _suggest(suggest, as_json)
        return
    if not files or plan is None:
        raise UsageError("busplan pack wants CAPTURE... and --plan PLAN (or --suggest FILE)")
    from busplan.pack.layout import layout_findings
    from busplan.pack.report import PackTest, evaluate_pack
    from busplan.plan.reader import load_plan

    if test is not None and test not in [t.value for t in PackTest]:
        raise UsageError(f'--test is one of {", ".join(PackTest)}; got "{test}"')
    vehicle = load_plan(plan)
    series = _series(files, vehicle, offset, channel, cache=not no_cache)
    assert vehicle.pack is not None  # pull_series has seen to it
    old = None
    if before is not None:
        old = evaluate_pack(
            _series([before], vehicle, None, channel, cache=not no_cache), vehicle.pack
        )
    report = evaluate_pack(
        series,
        vehicle.pack,
        test=None if test is None else PackTest(test),
        span_s=None if span is None else _span(span, series.span_s),
        before=old,
    )
    findings = [*report.findings, *layout_findings(vehicle)]
    written: list[Path] = []
    if plots is not None:
        from busplan.cli.pack_plots import write_plots

        written = write_plots(report, series, vehicle, plots, "svg" if svg else "png")
    if as_json:
        _print_json(report, vehicle, findings, written)
    else:
        _print(report, vehicle, findings, tables)
        for path in written:
            typer.echo(f"plot: {path}", err=True)
    raise typer.Exit(exit_code(findings))


def _series(
    files: Sequence[Path],
    vehicle: Vehicle,
    offset: Sequence[str] | None,
    channel: Sequence[str] | None,
    *,
    cache: bool,
) -> PackSeries:
    """The pack's signals of a capture; what reading had to tolerate goes to stderr."""
    from busplan.pack.pull import pull_series

    capture = open_capture(files, vehicle=vehicle, offsets=offset, channels=channel, cache=cache)
    print_findings(capture.findings, details=False, err=True)
    return pull_series(capture.frames, vehicle)


def _span(text: str, length_s: float) -> tuple[float, float]:
    from busplan.cli.numbers import span_ends
    from busplan.errors import UsageError

    start, stop = span_ends(text)
    if not 0 <= start < stop <= length_s + 1.0 or stop - start < 30.0:
        raise UsageError(
            f"--span must lie inside the capture (0 to {length_s:.0f} s) and last 30 s or more; "
            f'got "{text}"'
        )
    return start, stop


def _suggest(source: Path, as_json: bool) -> None:
    from busplan.definitions.dbc import load_dbc
    from busplan.pack.suggest import suggest_for_messages, suggest_for_vehicle
    from busplan.plan.reader import load_plan

    if source.suffix.lower() == ".toml":
        found = suggest_for_vehicle(load_plan(source))
    else:
        found = suggest_for_messages(load_dbc(source).messages)
    if as_json:
        print_json(
            {
                "toml": found.text,
                "cells": found.cells,
                "sensors": found.sensors,
                "quantities": list(found.quantities),
            }
        )
        return
    typer.echo(f"# Proposed for {source.name}: {found.cells} cells, {found.sensors} sensors.")
    typer.echo("# Check every line against the vehicle before trusting a judgement made with it.")
    typer.echo(found.text, nl=False)


def _print_json(
    report: PackReport, vehicle: Vehicle, findings: Sequence[Finding], plots: Sequence[Path]
) -> None:
    from busplan.pack.tables import report_dict

    value = report_dict(report)
    value["findings"] = [f.as_dict() for f in findings]
    value = {"vehicle": vehicle.name, "invented": vehicle.invented, **value}
    if plots:
        value["plots"] = [str(p) for p in plots]
    print_json(value)


def _print(report: PackReport, vehicle: Vehicle, findings: Sequence[Finding], tables: bool) -> None:
    from busplan.pack.labels import clock
    from busplan.pack.sections import headline, sections
    from busplan.pack.tables import CAUTIONS

    layout = report.layout
    invented = " (invented)" if vehicle.invented else ""
    typer.echo(
        f"{vehicle.name}{invented}, {layout.chemistry} pack of {len(layout.cells)} cells: "
        f"{report.test} {'as asked' if report.asked else 'by its signals'}, "
        f"{clock(report.span_s)} long"
    )
    for line in CAUTIONS:
        print_text(line)
    typer.echo()
    typer.echo(headline(report, findings))
    for section in sections(report):
        print_text(section.text, lead=f"{section.answer.mark} {section.name:<19} ")
    if findings:
        typer.echo()
        print_findings(findings, details=tables)
    if tables:
        _print_modules(report)
        _print_cells(report)
        _print_checks(report)


def _number(value: float, digits: int = 1, *, sign: bool = False) -> str:
    if not math.isfinite(value):
        return "-"
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    return text.lstrip("+-") if float(text) == 0 else text


def _print_modules(report: PackReport) -> None:
    from busplan.pack.tables import module_rows
    from busplan.pack.warm_up import ModuleVerdict

    bound = report.warm_up is not None and report.warm_up.exchange_bound
    typer.echo()
    print_table(
        [
            "module",
            "from °C",
            "to °C",
            "K/min",
            "lag K",
            "lag s",
            "exchange",
            "off K",
            "verdict",
        ],
        [
            [
                r.module,
                _number(r.start_c),
                _number(r.end_c),
                _number(r.rate_k_min, 2),
                _number(r.lag_k),
                _number(r.lag_s, 0),
                _exchange(r, "<" if bound else ""),
                _number(r.deviation_k, sign=True),
                "with the others" if r.verdict == ModuleVerdict.FOLLOWS else r.verdict,
            ]
            for r in module_rows(report)
        ],
        right=frozenset(range(1, 8)),
    )
    if report.warm_up is not None:
        print_text("exchange: of that of the peers, ± two standard uncertainties (95 %)")


def _exchange(row: ModuleRow, most: str) -> str:
    if not math.isfinite(row.exchange):
        return "-"
    return f"{most}{row.exchange:.0%} ± {row.exchange_uncertainty * 200:.1f}"


def _print_cells(report: PackReport) -> None:
    from busplan.pack.tables import cell_rows

    rows = cell_rows(report)
    if not rows:
        return
    columns = [
        ("cell", [str(r.cell) for r in rows]),
        ("module", [r.module for r in rows]),
        ("off mV", [_number(r.deviation_mv, sign=True) for r in rows]),
        ("lowest %", [_number(r.lowest_share * 100, 0) for r in rows]),
        ("highest %", [_number(r.highest_share * 100, 0) for r in rows]),
        ("mΩ", [_number(r.resistance_mohm, 3) for r in rows]),
        ("fit ±", [_number(r.resistance_uncertainty_mohm, 4) for r in rows]),
        ("step mΩ", [_number(r.step_resistance_mohm, 3) for r in rows]),
        ("sag mV", [_number(r.extra_sag_mv, 0, sign=True) for r in rows]),
        ("°C", [_number(r.temperature_c) for r in rows]),
        ("top mV", [_number(r.ahead_top_mv, 0, sign=True) for r in rows]),
        ("bottom mV", [_number(r.ahead_bottom_mv, 0, sign=True) for r in rows]),
        ("capacity %", [_number(r.capacity * 100) for r in rows]),
    ]
    shown = [(head, cells) for head, cells in columns if any(c != "-" for c in cells)]
    typer.echo()
    print_table(
        [head for head, _ in shown],
        zip(*(cells for _, cells in shown), strict=True),
        right=frozenset(i for i in range(len(shown)) if i != 1),
    )


def _print_checks(report: PackReport) -> None:
    typer.echo()
    for check in report.checks:
        print_text(f"{check.state}: {check.text}", lead=f"{check.name:<26} ")
