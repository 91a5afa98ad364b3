"""``busplan replay``: the screens on a capture, or the same facts as text or JSON."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from busplan.cli.captures import CaptureFiles, ChannelOption, OffsetOption


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("replay")(replay)


def replay(
    captures: CaptureFiles,
    plan: Annotated[Path, typer.Option(help="The vehicle's plan.")],
    offset: OffsetOption = None,
    channel: ChannelOption = None,
    at: Annotated[
        float | None,
        typer.Option(help="Moment [s from the first frame]. Default: start; as text, the end."),
    ] = None,
    screen: Annotated[str, typer.Option(help="Screen to open or print.")] = "pack",
    speed: Annotated[float, typer.Option(help="0.1 to 100 times real time.")] = 1.0,
    hold: Annotated[bool, typer.Option("--hold", help="Do not start playing.")] = False,
    text: Annotated[bool, typer.Option("--text", help="Print the screen and end.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print its facts as JSON.")] = False,
) -> None:
    """Replay a capture on screen: pack, networks, messages, findings over one line of time.

    Without a terminal, and with --text or --json, prints the facts of one moment instead.

    Example: busplan replay warm-up.log --plan as_built.toml --at 600
    """
    from busplan.cli.captures import open_capture
    from busplan.cli.output import print_json
    from busplan.plan.load import load_plan
    from busplan.screens.opening import replay_of
    from busplan.screens.twin import check_screen, screen_dict, screen_text

    name = check_screen(screen)
    vehicle = load_plan(plan)
    capture = open_capture(captures, vehicle=vehicle, offsets=offset, channels=channel)
    opened = replay_of(capture, vehicle)
    if text or as_json or not (sys.stdout.isatty() and sys.stdin.isatty()):
        moment = opened.span_ns if at is None else round(at * 1e9)
        if as_json:
            print_json(screen_dict(opened, moment, name))
        else:
            for line in screen_text(opened, moment, name):
                typer.echo(line)
        return
    from busplan.screens.app import run_replay

    run_replay(opened, start_ns=round((at or 0) * 1e9), screen=name, play=not hold, speed=speed)
