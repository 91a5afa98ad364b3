"""``busplan decode``: physical values from a capture, as CSV or Parquet."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import (
    AS_RECORDED,
    CaptureFiles,
    Opening,
    opens_captures,
)
from busplan.cli.kept_notes import usable_notes
from busplan.cli.output import EXIT_OF_READING, exit_by_reading, full_told, say
from busplan.cli.progress import progress_bar
from busplan.cli.segmented import SegmentedOption, parse_segmented
from busplan.wording import counted, plural

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.board.notes import Note
    from busplan.decode.series import Series
    from busplan.findings import Finding


_MANY = 200_000
"""Frames from which on decoding shows a bar."""


class LayoutName(StrEnum):
    """Layouts as typed."""

    LONG = "long"
    WIDE = "wide"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("decode", epilog=EXIT_OF_READING)(decode)


@opens_captures
def decode(
    captures: CaptureFiles,
    plan: Annotated[Path, typer.Option("--plan", help="Plan file (TOML).", show_default=False)],
    signal: Annotated[
        list[str] | None,
        typer.Option(
            "--signal",
            help="Only these signals: any trailing part of network/node/message/signal, * for any "
            "text; repeatable. All when not given.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="File to write: .csv, .csv.gz or .parquet. CSV on stdout else."),
    ] = None,
    layout: Annotated[
        LayoutName | None,
        typer.Option(
            "--layout",
            help="long: a row for each value received; wide: a column for each signal. "
            "Long unless a grid is asked for.",
        ),
    ] = None,
    every: Annotated[
        float | None,
        typer.Option("--every", help="Wide layout on a regular grid of this many seconds."),
    ] = None,
    hold: Annotated[
        float | None,
        typer.Option("--hold", help="Wide layout: empty a cell whose value is older [s]."),
    ] = None,
    absolute: Annotated[
        bool, typer.Option("--absolute", help="Times as UTC, not seconds from the beginning.")
    ] = False,
    opening: Opening = AS_RECORDED,
    segmented: SegmentedOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the report as JSON (with --out).")
    ] = False,
) -> None:
    """Write the values of signals as CSV or Parquet.

    Nothing is altered; what is odd in the frames is reported. Notes kept beside the capture are
    told too, and with --out VALUES.csv written to VALUES.notes.csv.

    Example: busplan decode captures/drive_short.log.gz --plan dbc_examples/as_built.toml
    --signal PackCurrent --signal "pack/*/CellVoltage*" --every 0.1 --out drive.csv
    """
    from busplan.board.notes import note_findings
    from busplan.decode.columns import Grid
    from busplan.decode.series import decode_series
    from busplan.errors import UsageError
    from busplan.export.values import check_target, write_values
    from busplan.plan.reader import load_plan
    from busplan.plan.select import select_signals
    from busplan.transport.messages import put_together

    if as_json and out is None:
        raise UsageError("--json prints the report on stdout; say with --out where the values go")
    if out is not None:
        check_target(out)
    grid = Grid(_nanoseconds("--every", every), _nanoseconds("--hold", hold))
    asks_grid = every is not None or hold is not None
    chosen = layout or (LayoutName.WIDE if asks_grid else LayoutName.LONG)
    vehicle = load_plan(plan)
    addresses = select_signals(vehicle, signal) if signal else None
    capture = opening.open(captures, vehicle)
    split = parse_segmented(segmented, capture.frames.networks)
    series = decode_series(
        put_together(capture.frames, vehicle, split),
        vehicle,
        addresses,
        layout=chosen.value,
        grid=grid,
        absolute=absolute,
    )
    with progress_bar("decoding", series.frames, worth=series.frames >= _MANY) as step:
        if out is None:
            sys.stdout.flush()
        told = None if step is None else lambda done, _: step(done)
        with nullcontext() if out is not None else full_told(sys.stdout):
            write_values(series, out or sys.stdout.buffer, told)
            sys.stdout.flush()
    notes = usable_notes(captures, capture.frames.origin_ns)
    noted = None if out is None or not notes else _write_notes(notes, out)
    findings = (*capture.findings, *series.findings(), *note_findings(notes))
    if as_json:
        from busplan.cli.output import print_json

        print_json(
            {"vehicle": vehicle.name}
            | series.as_dict()
            | {"findings": [f.as_dict() for f in findings], "capture": capture.as_dict()}
            | {"notes": [note.as_dict() for note in notes]}
        )
    else:
        _narrate(series, out, findings)
        if noted is not None:
            say(f"{counted(len(notes), 'note')} written to {noted}", err=True)
    raise typer.Exit(exit_by_reading(capture.findings))


def _write_notes(notes: Sequence[Note], out: Path) -> Path:
    """The notes as a table beside the values, of the same kind."""
    import pyarrow as pa

    from busplan.export.tables import write_table
    from busplan.export.values import FORMATS

    stem, kind = out.name, ".csv"
    for ending in FORMATS:
        if stem.lower().endswith(ending):
            stem, kind = stem[: -len(ending)], ".parquet" if ending == ".parquet" else ".csv"
            break
    path = out.with_name(f"{stem}.notes{kind}")
    write_table(pa.Table.from_pylist([note.as_dict() for note in notes]), path)
    return path


def _nanoseconds(option: str, seconds: float | None) -> int | None:
    from busplan.errors import UsageError

    if seconds is None:
        return None
    if not 1e-9 <= seconds <= 1e9:
        raise UsageError(f"{option} wants seconds above 0, not {seconds:g}")
    return round(seconds * 1e9)


def _narrate(series: Series, out: Path | None, findings: tuple[Finding, ...]) -> None:
    """The report for people, on stderr because stdout may carry the values."""
    from busplan.cli.output import print_findings

    frames = sum(t.frames for t in series.tallies())
    target = f" written to {out}" if out else ""
    say(
        f"{len(series.columns):,} {plural(len(series.columns), 'signal')} from {frames:,} "
        f"{plural(frames, 'frame')}: {series.rows:,} {plural(series.rows, 'row')}{target}",
        err=True,
    )
    if series.layout == "wide":
        say(f"hold rule: {series.grid.rule}", err=True)
    print_findings(findings, err=True)
