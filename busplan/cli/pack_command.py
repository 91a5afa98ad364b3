"""``busplan pack``: is every cell and every module all right?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import AS_RECORDED, CaptureFilesOrNone, Opening, opens_captures
from busplan.cli.numbers import span_ends
from busplan.cli.options import JsonOption
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    exit_code,
    print_findings,
    print_json,
    say,
    table_width,
    text_width,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.capture.capture import Capture
    from busplan.pack.drift import Baseline
    from busplan.pack.judging import Judged
    from busplan.plan.vehicle import Vehicle


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("pack", epilog=EXIT_BY_FINDINGS)(pack)


@opens_captures
def pack(
    files: CaptureFilesOrNone = None,
    plan: Annotated[
        Path | None, typer.Option("--plan", help="Plan file with a [pack] section.")
    ] = None,
    test: Annotated[
        str | None,
        typer.Option(
            help="What was done: warm-up, drive, charge, rest or key-on; found if left out. When "
            "given, exit code 1 also if not all that it must show was shown."
        ),
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(help="START:STOP of the warm-up in s; found if left out."),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option(
            help="An older capture of the same pack, or what --keep wrote: shows what has drifted."
        ),
    ] = None,
    keep: Annotated[
        Path | None,
        typer.Option(help="Write every figure that was told into this JSON file, for --before."),
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
    opening: Opening = AS_RECORDED,
    as_json: JsonOption = False,
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
    from busplan.answers import Answer
    from busplan.pack.judging import judge_frames, known_test
    from busplan.pack.whole import judge_whole
    from busplan.plan.reader import load_plan

    asked = known_test(test)
    vehicle = load_plan(plan)
    capture = _opened(files, vehicle, opening)
    old: Baseline | None = None
    if before is not None and before.suffix.lower() == ".json":
        from busplan.cli.baseline_file import read_baseline

        old = read_baseline(before)
    elif before is not None:
        # Offsets as typed are those of the new capture.
        older = _opened([before], vehicle, opening.for_another(before))
        old = judge_frames(older.frames, vehicle).report.baseline
    judged = judge_frames(
        capture.frames,
        vehicle,
        test=asked,
        span_s=None if span is None else span_ends(span),
        before=old,
        tolerated=capture.findings,
    )
    written: list[Path] = []
    if keep is not None:
        from busplan.cli.baseline_file import write_baseline

        write_baseline(judged.report.baseline, keep)
        say(f"kept in {keep}", err=True)
    if plots is not None:
        from busplan.cli.pack_plots import write_plots

        form = "svg" if svg else "png"
        written = write_plots(judged.report, judged.series, vehicle, plots, form)
    if as_json:
        from busplan.pack.tables import judged_dict

        value = judged_dict(judged.report, judged.findings, vehicle.name, vehicle.invented)
        print_json(value | ({"plots": [str(p) for p in written]} if written else {}))
    else:
        _print(judged, vehicle, tables)
        for path in written:
            say(f"plot: {path}", err=True)
    shown = judge_whole(judged.report, judged.findings).answer is not Answer.NOT_SHOWN
    raise typer.Exit(exit_code(judged.findings) if shown or asked is None else 1)


def _opened(files: Sequence[Path], vehicle: Vehicle, opening: Opening) -> Capture:
    """A capture; notes on reading it go to stderr, its cautions are part of the verdict."""
    capture = opening.open(files, vehicle)
    print_findings(capture.findings, details=False, err=True)
    return capture


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
    say(f"# Proposed for {source.name}: {found.cells} cells, {found.sensors} sensors.")
    say("# Check every line against the vehicle before trusting a judgement made with it.")
    say(*found.text.splitlines())


def _print(judged: Judged, vehicle: Vehicle, tables: bool) -> None:
    from busplan.findings import by_weight
    from busplan.text.finding import finding_brief
    from busplan.text.pack_text import pack_tables, verdict_lines

    report, findings = judged.report, judged.findings
    lines = verdict_lines(report, findings, vehicle.label, text_width())
    say(*lines)
    if findings:
        say()
        for finding in () if tables else by_weight(findings):
            say(*finding_brief(finding, text_width()))
        print_findings(findings if tables else ())
    if tables:
        say(*pack_tables(report, text_width(), table_width()))
