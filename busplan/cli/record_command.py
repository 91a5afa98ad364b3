"""``busplan record``: several live networks into one text log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.boards import BoardOption
from busplan.cli.output import EXIT_OF_RECORDING, say, text_width
from busplan.cli.recording import Interfaces

if TYPE_CHECKING:
    from busplan.frames.table import FrameTable


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
    board: BoardOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the final counts as JSON.")
    ] = False,
) -> None:
    """Record live networks into one text log. Listens only; never transmits.

    What is on disk is never more than a second behind. Ctrl-C ends the recording. What happened
    around it (gaps, drops, a full disk) is kept beside the log in OUT.journal. With --rotate-mb or
    --rotate-minutes the files are OUT-0001.log, OUT-0002.log...; replay and survey read them as
    one. With --board the limits of its file are judged meanwhile: alarms are told at once and kept
    in OUT.alarms. With --plan its behaviours are followed: what fails is told at once, and what
    became of each at the end.

    Example: busplan record run.log --plan van.toml -i drive=socketcan:can0 -i pack=socketcan:can1
    """
    from contextlib import nullcontext

    from busplan.board.desk import BoardDesk
    from busplan.cli.boards import find_boards
    from busplan.cli.followed import RecordedBehaviours, followed
    from busplan.cli.output import print_caution, print_json
    from busplan.cli.recorded_alarms import RecordedAlarms
    from busplan.cli.recording import Display, say_how_silent, stop_on_signals
    from busplan.errors import UsageError
    from busplan.live.interface_spec import interface_specs
    from busplan.live.journal import Journal
    from busplan.live.log_writer import LogWriter
    from busplan.live.recorder import Recorder

    vehicle = None
    if plan is not None:
        from busplan.plan.reader import load_plan

        vehicle = load_plan(plan)
    boards = None
    if vehicle is not None:
        boards = find_boards(board, plan, vehicle)
    elif board is not None:
        raise UsageError("--board speaks of signals; give --plan too")
    specs = interface_specs(interface, vehicle)
    writer = LogWriter(
        out,
        rotate_bytes=None if rotate_mb is None else int(rotate_mb * 1e6),
        rotate_ns=None if rotate_minutes is None else int(rotate_minutes * 60e9),
    )
    print_caution()
    show = Display()
    watch = None
    if boards is not None and vehicle is not None:
        networks = tuple(spec.network for spec in specs)
        watch = RecordedAlarms(vehicle, networks, BoardDesk(boards, out), show.tell)
    following = followed(vehicle, [spec.network for spec in specs])
    behaviours = None if following is None else RecordedBehaviours(following, show.tell)
    takers = [w.add for w in (watch, behaviours) if w is not None]

    def arrived(table: FrameTable) -> None:
        for take in takers:
            take(table)

    recorder = Recorder(
        specs,
        writer,
        Journal(out.with_name(out.name + ".journal")),
        on_frames=arrived if takers else None,
        on_status=show.update,
    )
    recorder.open()
    say_how_silent(recorder)
    with show, watch or nullcontext(), behaviours or nullcontext(), stop_on_signals() as stop:
        status = recorder.run(stop, seconds=seconds)
    told = None if behaviours is None else behaviours.report
    if as_json:
        more = {} if told is None else {"behaviours": told.as_dict()}
        print_json(status.as_dict() | more)
    else:
        say(status.sentence)
        if told is not None:
            from busplan.text.behaviour_text import brief_lines

            say(*brief_lines(told, text_width()))
        if not (status.written or status.dropped):
            say("nothing came: busplan bench --wiring says what to measure", err=True)
    if not status.whole:
        raise typer.Exit(1)
