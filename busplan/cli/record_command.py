"""``busplan record``: several live networks into one text log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busplan.cli.output import EXIT_OF_RECORDING, say
from busplan.cli.recording import Interfaces


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("record", epilog=EXIT_OF_RECORDING)(record)


def record(
    out: Annotated[Path, typer.Argument(help="Text log to write; must not exist yet.")],
    interface: Interfaces,
    plan: Annotated[
        Path | None, typer.Option(help="Plan: bit rates for opening and for the load shown.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(min=0.1, help="Stop by itself after so long [s].")
    ] = None,
    rotate_mb: Annotated[
        float | None, typer.Option(min=0.001, help="Start the next file at this size [MB].")
    ] = None,
    rotate_minutes: Annotated[
        float | None, typer.Option(min=0.01, help="Start the next file after this time [min].")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the final counts as JSON.")
    ] = False,
) -> None:
    """Record live networks into one text log. Listens only; never transmits.

    What is on disk is never more than a second behind. Ctrl-C ends the recording. What happened
    around it (gaps, drops, a full disk) is kept beside the log in OUT.journal. With --rotate-mb or
    --rotate-minutes the files are OUT-0001.log, OUT-0002.log...; replay and survey read them as
    one.

    Example: busplan record run.log --plan van.toml -i drive=socketcan:can0 -i pack=socketcan:can1
    """
    from busplan.cli.output import print_caution, print_json
    from busplan.cli.recording import Display, say_how_silent, stop_on_signals
    from busplan.live.interface_spec import interface_specs
    from busplan.live.journal import Journal
    from busplan.live.log_writer import LogWriter
    from busplan.live.recorder import Recorder

    vehicle = None
    if plan is not None:
        from busplan.plan.reader import load_plan

        vehicle = load_plan(plan)
    specs = interface_specs(interface, vehicle)
    writer = LogWriter(
        out,
        rotate_bytes=None if rotate_mb is None else int(rotate_mb * 1e6),
        rotate_ns=None if rotate_minutes is None else int(rotate_minutes * 60e9),
    )
    print_caution()
    show = Display()
    recorder = Recorder(
        specs, writer, Journal(out.with_name(out.name + ".journal")), on_status=show.update
    )
    recorder.open()
    say_how_silent(recorder)
    with show, stop_on_signals() as stop:
        status = recorder.run(stop, seconds=seconds)
    if as_json:
        print_json(status.as_dict())
    else:
        say(status.sentence)
        if not (status.written or status.dropped):
            say("nothing came: busplan bench --wiring says what to measure", err=True)
    if not status.whole:
        raise typer.Exit(1)
