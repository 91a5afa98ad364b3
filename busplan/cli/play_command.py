"""``busplan play``: a recorded capture in real time on software buses."""

from __future__ import annotations

from typing import Annotated

import typer

from busplan.cli.captures import AS_RECORDED, CaptureFiles, Opening, PlanOption, opens_captures
from busplan.cli.output import EXIT_OF_DATA, say
from busplan.wording import plural


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("play", epilog=EXIT_OF_DATA)(play)


@opens_captures
def play(
    captures: CaptureFiles,
    plan: PlanOption = None,
    opening: Opening = AS_RECORDED,
    onto: Annotated[
        str,
        typer.Option(
            "--to", help="udp_multicast[:GROUP] between programs, virtual[:NAME] within one."
        ),
    ] = "udp_multicast",
    start: Annotated[
        float, typer.Option("--from", min=0, help="Begin so many seconds into the capture.")
    ] = 0.0,
    pace: Annotated[
        float, typer.Option("--pace", min=0.1, max=100, help="Times as fast as it was recorded.")
    ] = 1.0,
) -> None:
    """Play a capture in real time onto software buses, to practise live work with real values.

    Never onto hardware: only software buses are played to. Ctrl-C ends it.

    Example: busplan play captures/drive_short.log.gz --plan dbc_examples/as_built.toml
    """
    import numpy as np

    from busplan.cli.output import print_caution
    from busplan.cli.recording import stop_on_signals
    from busplan.errors import UsageError
    from busplan.live.playing import play as play_frames
    from busplan.live.playing import software_spec
    from busplan.plan.reader import load_plan

    vehicle = None if plan is None else load_plan(plan)
    frames = opening.open(captures, vehicle).frames
    if start * 1e9 > frames.span_ns:
        raise UsageError(f"--from {start:g} lies after the end ({frames.span_ns / 1e9:.1f} s)")
    earliest, latest = frames.believable
    first = max(earliest, frames.origin_ns + round(start * 1e9))
    begin, end = np.searchsorted(frames.time_ns, (first, latest + 1)).tolist()
    names = tuple(vehicle.networks) if vehicle is not None else frames.networks
    specs = {
        name: software_spec(name, onto, names.index(name))
        for name in frames.networks
        if name in names
    }
    print_caution()
    for spec in specs.values():
        say(f"listen with -i {spec.written}", err=True)
    with stop_on_signals() as stop:
        played = play_frames(frames.take(slice(begin, end)), specs, speed=pace, stop=stop)
    say(
        f"{played.frames:,} {plural(played.frames, 'frame')} played, {played.left_out:,} left out, "
        f"at most {played.latest_s * 1e3:.0f} ms late"
    )
