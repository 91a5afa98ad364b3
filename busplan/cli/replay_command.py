"""``busplan replay``: the screens on a capture, or the same facts as text or JSON."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.boards import BoardOption
from busplan.cli.captures import (
    AS_RECORDED,
    BitRateOption,
    CaptureFiles,
    Opening,
    check_rated,
    opens_captures,
    parse_rates,
)
from busplan.cli.definition_files import DefinitionsOption, definitions_without
from busplan.cli.options import BrowserOption, FactsAsJson, MomentOption, PortOption, TextOption
from busplan.cli.output import EXIT_OF_READING, exit_by_reading
from busplan.cli.segmented import SegmentedOption, parse_segmented

if TYPE_CHECKING:
    from busplan.board.desk import BoardDesk
    from busplan.board.facts import BoardFacts
    from busplan.plan.vehicle import SignalAddress, Vehicle
    from busplan.replay.replay import Replay


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("replay", epilog=EXIT_OF_READING)(replay)


@opens_captures
def replay(
    captures: CaptureFiles,
    plan: Annotated[
        Path | None,
        typer.Option(
            help="The vehicle's plan. Without one: identifiers, bytes, cycles, loads, and what "
            "--definitions tell."
        ),
    ] = None,
    definitions: DefinitionsOption = None,
    bit_rate: BitRateOption = None,
    opening: Opening = AS_RECORDED,
    at: MomentOption = None,
    screen: Annotated[
        str | None,
        typer.Option(
            help="pack, verdict, networks, messages, findings, span, board, behaviours or pair. "
            "Default: the one shown last; pair with --beside; messages without a plan; as text, "
            "pack."
        ),
    ] = None,
    speed: Annotated[float, typer.Option(min=0.1, max=100, help="Times real time.")] = 1.0,
    hold: Annotated[bool, typer.Option("--hold", help="Do not start playing.")] = False,
    beside: Annotated[
        Path | None, typer.Option(help="A second capture to compare with, say before a repair.")
    ] = None,
    beside_plan: Annotated[
        Path | None, typer.Option(help="The second capture's plan, when it is another one.")
    ] = None,
    shift: Annotated[
        float, typer.Option(help="Show the second capture so many seconds later than the first.")
    ] = 0.0,
    align: Annotated[
        str | None,
        typer.Option(
            help="Lay the second capture so that this begins at the same time in both, such as "
            '"ContactorState is Closed".'
        ),
    ] = None,
    words: Annotated[
        str, typer.Option("--filter", help="Messages as text: those that hold all these words.")
    ] = "",
    span: Annotated[
        str | None, typer.Option(help="Span as text, A:B in seconds. Default: the whole capture.")
    ] = None,
    signal: Annotated[
        list[str] | None, typer.Option(help="Signals for the span as text; repeatable, globs.")
    ] = None,
    board: BoardOption = None,
    segmented: SegmentedOption = None,
    text: TextOption = False,
    as_json: FactsAsJson = False,
    browser: BrowserOption = False,
    port: PortOption = 8642,
) -> None:
    """Replay a capture on screen: pack, networks, messages, findings.

    Without a terminal, and with --text or --json, prints the facts of one moment instead.

    Example: busplan replay captures/drive_short.log.gz --plan dbc_examples/as_built.toml
    """
    from dataclasses import replace

    from busplan.board.event import first_moment
    from busplan.cli.boards import open_desk
    from busplan.cli.printed_screen import has_screen, print_screen
    from busplan.plan.reader import load_plan
    from busplan.replay.asked import Asked, check_screen
    from busplan.replay.opening import completed, first_replay, replay_without_plan

    if screen is not None:
        check_screen(screen)
    rates = parse_rates(bit_rate)

    files = definitions_without(plan, definitions)
    if screen is None:
        # Who compares wants to see both; without a plan there is no pack to show.
        screen = "pair" if beside is not None else None if plan else "messages"

    def opened_with(plan: Path | None, captures: list[Path], opening: Opening) -> Replay:
        vehicle = load_plan(plan) if plan else None
        capture = opening.open(captures, vehicle)
        told = parse_segmented(segmented, capture.frames.networks)
        if vehicle is None:
            if beside is None:
                check_rated(bit_rate, capture.frames.networks)
            return replay_without_plan(capture, rates, told, files)
        return first_replay(capture, vehicle, told)

    opened = opened_with(plan, captures, opening)
    second = None
    if beside is not None:
        second = opened_with(beside_plan or plan, [beside], opening.for_another(beside))
        if second.source == opened.source:
            # Before and after often have one name in two folders.
            opened = replace(opened, source=", ".join(map(str, captures)))
            second = replace(second, source=str(beside))
        if align is not None:
            shift += (first_moment(second, align) - first_moment(opened, align)) / 1e9
    else:
        _of_one(screen, align, shift)
    if browser:
        from busplan.screens.browser import serve

        # The files are good; each page reads them anew.
        del opened, second
        serve(sys.argv[1:], port)
        return
    start = _moment(at, opened.span_ns)
    if text or as_json or not has_screen():
        opened = completed(opened)
        second = completed(second) if second else None
        moment = opened.span_ns if start is None else start
        desk = open_desk(board, plan, captures, opened)
        opened = desk.with_notes(opened)
        asked = Asked(
            opened,
            moment,
            words=words,
            span_ns=_ends(span, opened.span_ns),
            signals=_signals(signal, opened.vehicle),
            beside=second,
            shift_ns=round(shift * 1e9),
            board=_board(desk, opened, moment) if screen == "board" else None,
        )
        print_screen(asked, screen or "pack", as_json=as_json)
        raise typer.Exit(exit_by_reading((*opened.doubts, *(second.doubts if second else ()))))
    from busplan.screens.start import run_replay

    desk = open_desk(board, plan, captures, opened)
    run_replay(
        desk.with_notes(opened),
        beside=second,
        shift_ns=round(shift * 1e9),
        start_ns=start or 0,
        screen=screen,
        play=not hold,
        speed=speed,
        desk=desk,
    )


def _of_one(screen: str | None, align: str | None, shift: float) -> None:
    """Refuse what only two captures can be asked."""
    from busplan.errors import UsageError

    if screen == "pair":
        raise UsageError("the pair screen compares two captures; give the second with --beside")
    if align is not None:
        raise UsageError("--align lays two captures side by side; give the second with --beside")
    if shift:
        raise UsageError("--shift moves the second of two captures; give it with --beside")


def _board(desk: BoardDesk, opened: Replay, t_ns: int) -> BoardFacts:
    """What the boards say at a moment, once the pack has been judged."""
    from busplan.board.facts import BoardFacts
    from busplan.replay.verdict import joined, judge_pack

    return BoardFacts(desk.judge(joined(opened, judge_pack(opened))), t_ns, desk.notes)


def _moment(at_s: float | None, length_ns: int) -> int | None:
    """``--at`` [ns from the first frame]."""
    from busplan.errors import UsageError

    if at_s is not None and not 0 <= at_s <= length_ns / 1e9:
        raise UsageError(f"--at {at_s:g} lies outside the capture (0 to {length_ns / 1e9:.1f} s)")
    return None if at_s is None else round(at_s * 1e9)


def _ends(span: str | None, length_ns: int) -> tuple[int, int] | None:
    from busplan.cli.numbers import span_ends
    from busplan.errors import UsageError

    if span is None:
        return None
    a_ns, b_ns = sorted(round(end * 1e9) for end in span_ends(span))
    if b_ns < 0 or a_ns > length_ns:
        raise UsageError(f"--span {span} lies outside the capture (0 to {length_ns / 1e9:.1f} s)")
    return a_ns, b_ns


def _signals(selectors: list[str] | None, vehicle: Vehicle) -> tuple[SignalAddress, ...]:
    from busplan.plan.select import select_signals

    return select_signals(vehicle, selectors) if selectors else ()
