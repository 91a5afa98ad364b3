"""``busplan live``: the replay screens on live networks."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.boards import BoardOption
from busplan.cli.captures import BitRateOption, check_rated, parse_rates
from busplan.cli.definition_files import DefinitionsOption, definitions_without
from busplan.cli.options import BrowserOption, FactsAsJson, PortOption
from busplan.cli.output import EXIT_OF_READING, exit_by_reading, say
from busplan.cli.recording import Interfaces
from busplan.cli.segmented import SegmentedOption, parse_segmented

if TYPE_CHECKING:
    from busplan.frames.table import FrameTable

KEEP_S = 1200.0
"""How far back the screens look: a warm-up [s]."""
KEEP_FRAMES = 400_000
"""Frames held for it: twenty minutes of a pack and its loop, some minutes of all networks."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("live", epilog=EXIT_OF_READING)(live)


def live(
    interface: Interfaces,
    plan: Annotated[
        Path | None, typer.Option(help="The vehicle's plan. Without one: what --definitions tell.")
    ] = None,
    definitions: DefinitionsOption = None,
    bit_rate: BitRateOption = None,
    record: Annotated[
        Path | None, typer.Option(help="Record at the same time into this text log.")
    ] = None,
    keep: Annotated[
        float,
        typer.Option(
            min=5,
            help="How far back the screens can look [s]; busy networks less, within the memory "
            "that is held.",
        ),
    ] = KEEP_S,
    seconds: Annotated[
        float, typer.Option(min=0.1, help="As text or JSON: listen so long, then print.")
    ] = 5.0,
    screen: Annotated[
        str | None,
        typer.Option(
            help="As text or JSON: pack, networks, messages, findings, board or behaviours."
        ),
    ] = None,
    board: BoardOption = None,
    segmented: SegmentedOption = None,
    text: Annotated[bool, typer.Option("--text", help="Print a screen and end.")] = False,
    as_json: FactsAsJson = False,
    browser: BrowserOption = False,
    port: PortOption = 8642,
) -> None:
    """Watch live networks on the replay screens. Listens only; never transmits.

    Space holds the moment while listening goes on; the end key follows again.

    Example: busplan live --plan van.toml -i pack=socketcan:can1 -i thermal=socketcan:can3
    """
    import threading

    from busplan.board.desk import BoardDesk
    from busplan.board.facts import BoardFacts
    from busplan.cli.boards import find_boards
    from busplan.cli.followed import followed
    from busplan.cli.output import print_caution
    from busplan.cli.printed_screen import has_screen, print_screen
    from busplan.cli.recording import say_how_silent, stop_on_signals
    from busplan.live.interface_spec import interface_specs
    from busplan.live.journal import Journal, JournalKind
    from busplan.live.log_writer import LogWriter
    from busplan.live.recorder import Recorder
    from busplan.live.rolling import Rolling
    from busplan.plan.reader import load_plan
    from busplan.replay.asked import Asked, check_screen
    from busplan.replay.bare import bare_vehicle
    from busplan.replay.present import live_replay

    screen = check_screen(screen or ("pack" if plan else "messages"))
    files = definitions_without(plan, definitions)
    if plan is not None:
        vehicle = load_plan(plan)
        specs = interface_specs(interface, vehicle)
    else:
        specs = interface_specs(interface)
        names = [s.network for s in specs]
        check_rated(bit_rate, names)
        vehicle, _ = bare_vehicle(names, parse_rates(bit_rate), files)
    boards = find_boards(board, plan, vehicle)
    if browser:
        from busplan.screens.browser import serve

        serve(sys.argv[1:], port)
        return
    told = parse_segmented(segmented, [s.network for s in specs])
    journal = Journal(None if record is None else record.with_name(record.name + ".journal"))
    rolling = Rolling(
        tuple(s.network for s in specs), keep_ns=round(keep * 1e9), keep_frames=KEEP_FRAMES
    )
    writer = None if record is None else LogWriter(record)
    following = followed(vehicle, [s.network for s in specs])

    def arrived(table: FrameTable) -> None:
        rolling.add(table)
        if following is not None:
            following.add(table)

    recorder = Recorder(specs, writer, journal, on_frames=arrived)
    recorder.open()
    printing = text or as_json or not has_screen()
    if printing:
        print_caution()
        say_how_silent(recorder)
        with stop_on_signals() as stop:
            status = recorder.run(stop, seconds=seconds)
        replay = live_replay(vehicle, rolling.recent(), journal.entries, told)
        told_so_far = None if following is None else following.report()
        asked = Asked(replay, replay.span_ns, behaviours=told_so_far)
        if screen == "board":
            facts = BoardFacts(BoardDesk(boards).judge(replay), replay.span_ns)
            asked = Asked(replay, replay.span_ns, board=facts)
        print_screen(asked, screen, as_json=as_json)
    else:
        from busplan.screens.live_app import run_live

        stop = threading.Event()
        failed: list[Exception] = []

        def listen() -> None:
            try:
                recorder.run(stop)
            except Exception as error:  # told on the screens, raised when they are left
                journal.note(JournalKind.FAILED, reason=str(error) or type(error).__name__)
                failed.append(error)

        ended = threading.Thread(target=listen)
        ended.start()
        try:
            watched = None if record is None else recorder.status
            desk = BoardDesk(boards, record)
            run_live(vehicle, rolling, lambda: journal.entries, watched, told, desk, following)
        finally:
            stop.set()
            ended.join(10)
        if failed:
            raise failed[0]
        status = recorder.status()
    if record is not None:
        say(status.sentence, err=True)
    raise typer.Exit(exit_by_reading(vehicle.cautions) if printing else 0)
