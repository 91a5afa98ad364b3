"""``busplan alarms``: which limits a capture passed, from when to when, how far."""

from __future__ import annotations

from typing import Annotated

import typer

from busplan.cli.boards import BoardOption
from busplan.cli.captures import AS_RECORDED, CaptureFiles, Opening, opens_captures
from busplan.cli.options import JsonOption, PlanOfVehicle
from busplan.cli.output import EXIT_BY_FINDINGS


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("alarms", epilog=EXIT_BY_FINDINGS)(alarms)


@opens_captures
def alarms(
    captures: CaptureFiles,
    plan: PlanOfVehicle,
    board: BoardOption = None,
    opening: Opening = AS_RECORDED,
    judge: Annotated[
        bool,
        typer.Option(
            "--believe-all", help="Do not judge the pack: sensors that stand still count too."
        ),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """List the alarms of a capture: limits of the board's file and of the plan that were passed.

    An alarm rises when a value has been beyond its limit for a time and falls when it has been
    back for a time, all by the times of frames: replay, live and record tell the same ones.

    Example: busplan alarms captures/drive_short.log.gz --plan dbc_examples/as_built.toml
    """
    from busplan.board.alarms import alarm_findings
    from busplan.board.facts import BoardFacts, judged_boards
    from busplan.cli.boards import find_boards
    from busplan.cli.output import (
        exit_code,
        print_caution,
        print_findings,
        print_json,
        say,
        text_width,
    )
    from busplan.plan.reader import load_plan
    from busplan.replay.opening import completed, first_replay
    from busplan.replay.verdict import joined, judge_pack
    from busplan.text.board_text import alarm_lines
    from busplan.text.runs import text, wrap

    vehicle = load_plan(plan)
    boards = find_boards(board, plan, vehicle)
    shown = completed(first_replay(opening.open(captures, vehicle), vehicle))
    if not judge:
        shown = joined(shown, judge_pack(shown))
    judged = judged_boards(shown, boards)
    facts = BoardFacts(judged, shown.span_ns)
    doubted = [s for s in judged.limits if judged.quantities.set_aside(s)]
    never = [s for s in judged.limits if _unheard(judged.quantities.track(s))]
    aside, unheard = (sorted({judged.label(s) for s in each}) for each in (doubted, never))
    open_ = sum(len(judged.limits[s]) for s in {*doubted, *never})
    found = alarm_findings(facts.alarms)
    code = exit_code([*found, *shown.doubts])
    if as_json:
        print_json(
            {
                "capture": shown.source,
                "board": judged.boards.source or None,
                "limits": len(judged.boards.limits),
                "limits_judged": len(judged.boards.limits) - open_,
                "set_aside": aside,
                "never_heard": unheard,
                "not_in_this_vehicle": list(judged.boards.missing),
                "alarms": [a.as_dict() for a in facts.alarms],
                "findings": [f.as_dict() for f in (*found, *shown.doubts)],
            }
        )
        raise typer.Exit(code)
    print_caution()
    columns = max(80, text_width())
    count = len(judged.boards.limits)
    told = f"{count - open_} of {count}" if open_ else f"{count}"
    say(f"{shown.source}: {told} limits judged", err=True)
    for line in alarm_lines(facts.alarms, columns):
        say(text(line))
    for what, names in (
        ("Not judged, because the pack's evaluation does not believe them", aside),
        ("Not judged, because they never came", unheard),
        ("No signal of this vehicle", list(judged.boards.missing)),
    ):
        if names:
            told = f"{what}: {', '.join(names[:MOST_NAMED])}"
            more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
            for line in wrap(f"{told}{more}.", columns):
                say(text(line))
    print_findings(shown.doubts, details=False)
    raise typer.Exit(code)


MOST_NAMED = 8
"""So many signals that could not be judged are named."""


def _unheard(track: object) -> bool:
    from busplan.replay.track import Track

    return not isinstance(track, Track) or not len(track.time_ns)
