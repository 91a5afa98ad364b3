"""``busplan cut``: a part of a capture as a text log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busplan.cli.captures import (
    AS_RECORDED,
    CaptureFiles,
    Opening,
    PlanOption,
    opens_captures,
    parse_identifier,
)
from busplan.cli.numbers import moment
from busplan.cli.output import EXIT_OF_DATA, say
from busplan.errors import UsageError


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cut", epilog=EXIT_OF_DATA)(cut)


@opens_captures
def cut(
    captures: CaptureFiles,
    out: Annotated[Path, typer.Option("--out", help="Text log to write: .log or .log.gz.")],
    begin: Annotated[
        float | None,
        typer.Option(
            "--from",
            parser=moment,
            metavar="MOMENT",
            help="Begin, from the capture's start: 90 [s], 1:30 or 0:01:30.5.",
        ),
    ] = None,
    end: Annotated[
        float | None,
        typer.Option(
            "--to", parser=moment, metavar="MOMENT", help="End, from the capture's start."
        ),
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
    opening: Opening = AS_RECORDED,
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
    from busplan.traffic.selection import chosen_rows

    if not out.name.endswith((".log", ".log.gz")):
        raise UsageError(f"{out}: a cut is a text log; name it .log or .log.gz")
    if out.exists():
        raise UsageError(f"{out}: exists already")
    capture = opening.open(captures)
    named = capture.frames if plan is None else apply_plan(capture, load_plan(plan)).frames
    rows = chosen_rows(
        named,
        begin_s=begin,
        end_s=end,
        networks=network or (),
        identifiers=[parse_identifier(text) for text in identifier or ()],
    )
    if not len(rows):
        raise UsageError("no frame of the capture is in the cut")
    try:
        write_textlog(capture.frames, out, rows=rows)
    except OSError as error:
        raise UsageError(f"{out}: cannot be written: {error.strerror}") from error
    for finding in capture.findings:
        say(f"{finding.weight.mark} {finding.summary}", err=True)
    span_s = float(np.ptp(capture.frames.time_ns[rows])) / 1e9
    say(f"{out}: {len(rows):,} of {len(capture.frames):,} frames, {span_s:.3f} s")
