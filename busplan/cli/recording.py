"""What commands that listen live share: the option, counts while it runs, ending in good order."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.output import say
from busplan.text.runs import wrapped
from busplan.wording import disarmed, percent

if TYPE_CHECKING:
    from rich.live import Live
    from rich.table import Table

    from busplan.live.recorder import Recorder
    from busplan.live.recording_status import RecordingStatus

Interfaces = Annotated[
    list[str],
    typer.Option(
        "--interface",
        "-i",
        help="NETWORK=KIND:CHANNEL[,KEY=VALUE...], once for each network; for example "
        "drive=socketcan:can0 or pack=pcan:PCAN_USBBUS1. KIND is any interface python-can "
        "supports.",
    ),
]


def say_how_silent(recorder: Recorder) -> None:
    """Tell on stderr of each open interface whether it also keeps from acknowledging."""
    for channel in recorder.status().channels:
        say(f"{channel.network}: {channel.silence}", err=True)


@contextmanager
def stop_on_signals() -> Iterator[threading.Event]:
    """An event that Ctrl-C, a polite kill and a closed terminal set.

    None of them then ends the program at once.
    """
    import signal

    stop = threading.Event()
    ways = [signal.SIGINT, signal.SIGTERM]
    # The terminal's window was closed: Windows tells of it, too, by a signal of its own.
    ways += [getattr(signal, name) for name in ("SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in ways}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Display:
    """Counts on stderr: a table that stays in place on a terminal, else a line now and then."""

    LINE_EVERY_S = 10.0

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._next_s = self.LINE_EVERY_S
        self._live: Live | None = None
        self._told_gone = 0

    def __enter__(self) -> Display:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the last counts standing; what comes later is told in lines."""
        if self._live is not None:
            self._live.stop()
        self._live, self._terminal = None, False

    def tell(self, words: str) -> None:
        """Tell the user something at once, above the table."""
        if self._live is None:
            say(words, err=True)
        else:
            indent = " " * (len(words) - len(words.lstrip()))
            width = self._live.console.width
            for line in wrapped(words.lstrip(), width, first=indent, rest=f"{indent}  "):
                self._live.console.print(disarmed(line), markup=False, highlight=False)

    def table(self, status: RecordingStatus) -> Table:
        """What stays in place on a terminal."""
        return _table(status)

    def update(self, status: RecordingStatus) -> None:
        """Show the counts of this tick; what became of removed files is told once, at once."""
        for words in status.gone[self._told_gone :]:
            self.tell(f"! {words}")
        self._told_gone = len(status.gone)
        if self._terminal and self._live is None:
            from rich.console import Console
            from rich.live import Live

            self._live = Live(console=Console(stderr=True), refresh_per_second=4)
            self._live.start()
        if self._live is not None:
            self._live.update(self.table(status))
        elif status.elapsed_s >= self._next_s:
            self._next_s += self.LINE_EVERY_S
            say(status.sentence, err=True)


def _table(status: RecordingStatus) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table(
        title=f"recording {status.elapsed_s:.0f} s, {status.written:,} frames written",
        caption=Text(disarmed(status.trouble or "Ctrl-C ends the recording")),
    )
    for name in ("network", "state", "frames", "frames/s", "load", "errors", "lost"):
        table.add_column(name, justify="left" if name in ("network", "state") else "right")
    for c in status.channels:
        table.add_row(
            Text(disarmed(c.network)),
            Text(disarmed(c.state)),
            f"{c.frames:,}",
            f"{c.frames_per_s:,.0f}",
            "-" if c.load is None else percent(c.load, 0),
            f"{c.errors:,}",
            f"{c.dropped:,}"
            + (f" + {c.overflows} overflows" if c.overflows else "")
            + (f" + {c.set_aside:,} odd" if c.set_aside else ""),
        )
    return table
