"""``busplan record``: several live networks into one text log."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.output import EXIT_OF_DATA
from busplan.wording import counted, plural

if TYPE_CHECKING:
    from rich.live import Live
    from rich.table import Table

    from busplan.live.interfaces import InterfaceSpec
    from busplan.live.recorder import ChannelStatus, Recorder, RecordingStatus

INTERFACE_HELP = (
    "NETWORK=KIND:CHANNEL[,KEY=VALUE...], once for each network; for example "
    "drive=socketcan:can0 or pack=pcan:PCAN_USBBUS1. KIND is any interface python-can supports."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("record", epilog=EXIT_OF_DATA)(record)


def record(
    out: Annotated[Path, typer.Argument(help="Text log to write; must not exist yet.")],
    interface: Annotated[list[str], typer.Option("--interface", "-i", help=INTERFACE_HELP)],
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
    from dataclasses import asdict

    from busplan.cli.output import print_caution, print_json
    from busplan.live.journal import Journal
    from busplan.live.log_writer import LogWriter
    from busplan.live.recorder import Recorder

    specs = interface_specs(interface, plan)
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
    with show:
        status = run_until_interrupted(recorder, seconds)
    if as_json:
        print_json(asdict(status))
    else:
        typer.echo(sentence(status))
        if not (status.written or status.dropped):
            typer.echo("nothing came: busplan bench --wiring says what to measure", err=True)


def interface_specs(texts: list[str], plan: Path | None) -> list[InterfaceSpec]:
    """Interfaces as written, with the bit rates of the plan's networks.

    Raises ``UsageError`` for a network the plan does not know, and for a network or an interface
    that is named twice.
    """
    from dataclasses import replace

    from busplan.errors import UsageError
    from busplan.live.interfaces import parse_interface

    specs = [parse_interface(text) for text in texts]
    names = [s.network for s in specs]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise UsageError(f"network {twice[0]} has two interfaces; one listens for each network")
    places: dict[str, str] = {}
    for spec in specs:
        other = places.setdefault(spec.place, spec.network)
        if other != spec.network:
            raise UsageError(
                f"{other} and {spec.network} name the same interface {spec.place}; every network "
                "has one of its own"
            )
    if plan is None:
        return specs
    from busplan.plan.problems import suggestion
    from busplan.plan.reader import load_plan

    networks = load_plan(plan).networks
    for spec in specs:
        if spec.network not in networks:
            raise UsageError(
                f"interface {spec}: {plan} has no network {spec.network!r}"
                f"{suggestion(spec.network, networks, 'network')}"
            )
    return [
        replace(
            s,
            bit_rate=networks[s.network].bit_rate,
            data_bit_rate=networks[s.network].data_bit_rate,
        )
        for s in specs
    ]


def say_how_silent(recorder: Recorder) -> None:
    """Tell on stderr of each open interface whether it also keeps from acknowledging."""
    for channel in recorder.status().channels:
        typer.echo(f"{channel.network}: {channel.silence}", err=True)


def run_until_interrupted(recorder: Recorder, seconds: float | None) -> RecordingStatus:
    """Run a recorder; Ctrl-C and a polite kill end it in good order."""
    with stop_on_signals() as stop:
        return recorder.run(stop, seconds=seconds)


@contextmanager
def stop_on_signals() -> Iterator[threading.Event]:
    """An event that Ctrl-C, a polite kill and a closed terminal set.

    None of them then ends the program at once.
    """
    import signal

    stop = threading.Event()
    ways = [signal.SIGINT, signal.SIGTERM]
    if sys.platform != "win32":
        ways.append(signal.SIGHUP)
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in ways}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def sentence(status: RecordingStatus) -> str:
    """What was recorded, into which files, and what was lost."""
    files = ", ".join(Path(f).name for f in status.files)
    lost = f"{status.dropped:,} dropped" if status.dropped else "none dropped"
    if ran_over := sum(c.overflows for c in status.channels):
        lost += f"; interface buffers ran over {counted(ran_over, 'time')}, frames are missing"
    frames = f"{status.written:,} {plural(status.written, 'frame')}"
    return f"{frames} in {status.elapsed_s:.1f} s to {files}; {lost}"


class Display:
    """Counts on stderr: a table that stays in place on a terminal, else a line now and then."""

    LINE_EVERY_S = 10.0

    def __init__(self, cue: tuple[float, str] | None = None) -> None:
        """``cue``: something to tell the user at a moment [s]."""
        self._cue = cue
        self._terminal = sys.stderr.isatty()
        self._next_s = self.LINE_EVERY_S
        self._live: Live | None = None

    def __enter__(self) -> Display:
        if self._terminal:
            from rich.console import Console
            from rich.live import Live

            self._live = Live(console=Console(stderr=True), refresh_per_second=4)
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def update(self, status: RecordingStatus) -> None:
        """Show the counts of this tick."""
        if self._cue is not None and status.elapsed_s >= self._cue[0]:
            if self._live is None:
                typer.echo(self._cue[1], err=True)
            else:
                self._live.console.print(self._cue[1])
            self._cue = None
        if self._live is not None:
            self._live.update(_table(status))
        elif status.elapsed_s >= self._next_s:
            self._next_s += self.LINE_EVERY_S
            typer.echo(sentence(status), err=True)


def _state(c: ChannelStatus) -> str:
    if not c.listening:
        return "! interface gone"
    quiet = c.controller in ("", "error active")
    if not quiet:
        return f"! {c.controller}"
    return "listening" if c.frames else "nothing yet"


def _table(status: RecordingStatus) -> Table:
    from rich.table import Table

    table = Table(
        title=f"recording {status.elapsed_s:.0f} s, {status.written:,} frames written",
        caption=status.trouble or "Ctrl-C ends the recording",
    )
    for name in ("network", "state", "frames", "frames/s", "load", "errors", "lost"):
        table.add_column(name, justify="left" if name in ("network", "state") else "right")
    for c in status.channels:
        table.add_row(
            c.network,
            _state(c),
            f"{c.frames:,}",
            f"{c.frames_per_s:,.0f}",
            "-" if c.load is None else f"{c.load:.0%}",
            f"{c.errors:,}",
            f"{c.dropped:,}" + (f" + {c.overflows} overflows" if c.overflows else ""),
        )
    return table
