"""``busplan cut``: a part of a capture as a text log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import (
    CaptureFiles,
    ChannelOption,
    NoCacheOption,
    OffsetOption,
    PlanOption,
    open_capture,
    parse_identifier,
)
from busplan.cli.output import EXIT_OF_DATA
from busplan.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.frames.columns import I64
    from busplan.frames.table import FrameTable


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cut", epilog=EXIT_OF_DATA)(cut)


def cut(
    captures: CaptureFiles,
    out: Annotated[Path, typer.Option("--out", help="Text log to write: .log or .log.gz.")],
    begin: Annotated[
        float | None, typer.Option("--from", help="Begin, seconds from the capture's start.")
    ] = None,
    end: Annotated[
        float | None, typer.Option("--to", help="End, seconds from the capture's start.")
    ] = None,
    network: Annotated[
        list[str] | None,
        typer.Option("--network", help="Only this channel, or network with --plan; repeatable."),
    ] = None,
    identifier: Annotated[
        list[str] | None,
        typer.Option(
            "--identifier", help="Only this one, 0x123 or eight digits for 29 bits; repeatable."
        ),
    ] = None,
    plan: PlanOption = None,
    offset: OffsetOption = None,
    channel: ChannelOption = None,
    no_cache: NoCacheOption = False,
) -> None:
    """Write a part of a capture as a text log.

    The frames of a span, of some networks or of some identifiers.

    Times, channels, order and payloads stay as recorded. The begin counts in, the end does not.

    Example: busplan cut captures/drive_short.log.gz --from 10 --to 20 --network can1 --out sag.log
    """
    import numpy as np

    from busplan.capture.capture import apply_plan
    from busplan.capture.textlog import write_textlog
    from busplan.plan.reader import load_plan

    if not out.name.endswith((".log", ".log.gz")):
        raise UsageError(f"{out}: a cut is a text log; name it .log or .log.gz")
    if out.exists():
        raise UsageError(f"{out}: exists already")
    capture = open_capture(captures, offsets=offset, channels=channel, cache=not no_cache)
    named = capture.frames if plan is None else apply_plan(capture, load_plan(plan)).frames
    rows = chosen_rows(named, begin, end, network or (), identifier or ())
    if not len(rows):
        raise UsageError("no frame of the capture is in the cut")
    try:
        write_textlog(capture.frames, out, rows=rows)
    except OSError as error:
        raise UsageError(f"{out}: cannot be written: {error.strerror}") from error
    for finding in capture.findings:
        typer.echo(f"{finding.weight.mark} {finding.summary}", err=True)
    span_s = float(np.ptp(capture.frames.time_ns[rows])) / 1e9
    typer.echo(f"{out}: {len(rows):,} of {len(capture.frames):,} frames, {span_s:.3f} s")


def chosen_rows(
    table: FrameTable,
    begin_s: float | None,
    end_s: float | None,
    networks: Sequence[str],
    identifiers: Sequence[str],
) -> I64:
    """The rows of a cut, in the order of the capture."""
    import numpy as np

    from busplan.frames.kinds import ERROR
    from busplan.plan.problems import suggestion

    keep = np.ones(len(table), np.bool_)
    if begin_s is not None:
        keep &= table.time_ns >= table.origin_ns + round(begin_s * 1e9)
    if end_s is not None:
        keep &= table.time_ns < table.origin_ns + round(end_s * 1e9)
    if networks:
        numbers = []
        for name in networks:
            if name not in table.networks:
                near = suggestion(name, table.networks, "channel")
                raise UsageError(f"no channel {name!r} here{near}")
            numbers.append(table.networks.index(name))
        keep &= np.isin(table.network, numbers)
    if identifiers:
        wanted = np.zeros(len(table), np.bool_)
        for text in identifiers:
            value, extended = parse_identifier(text)
            wanted |= (table.identifier == value) & (table.extended == extended)
        keep &= wanted & ((table.flags & ERROR) == 0)
    return np.flatnonzero(keep)
