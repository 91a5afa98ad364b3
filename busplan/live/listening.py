"""A live test of a node: listen for a while and, only when handed a line to send through, ask it.

The rules of this file: it opens nothing that could send. Whoever wants the node asked or fed hands
in a :class:`busplan.live.asking.Line` and answers for the consent.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from busplan.errors import UsageError
from busplan.frames.table import FrameTable
from busplan.live.journal import Journal, JournalKind

if TYPE_CHECKING:
    from busplan.live.asking import Line
    from busplan.live.interface_spec import InterfaceSpec
    from busplan.live.recording_status import RecordingStatus

Stop = threading.Event
"""Set to end a live test early."""
TRANSMIT_CAUTION = (
    "Transmitting as asked. Requests can make a node act: keep hands, tools and people clear of "
    "everything it drives, and have the high-voltage side disconnected."
)

ACKNOWLEDGE_CAUTION = (
    "The adapter acknowledges as told: in its normal mode it also answers what it cannot read with "
    "error flags, so at a wrong bit rate it disturbs every node. Only on a bench with this one "
    "node, never on a vehicle."
)
ALONE = (
    "this adapter only listens, so it acknowledges nothing: a node alone with it repeats its first "
    "frame for ever. Have a second node on the bench, or use --acknowledge"
)

ASK_AFTER_S = 1.0
"""So long after the start, or after power-on, the first question is asked."""


class Task(Protocol):
    """Something that is sent while the test listens.

    ``at_once``: from the start on, else once the node should be up.
    """

    @property
    def at_once(self) -> bool:
        """See above."""

    def begin(self) -> None:
        """Start; called again and again once its time has come."""

    def end(self) -> None:
        """Stop at once, before the interface closes."""

    @property
    def done(self) -> bool:
        """Whether the test may end."""


class Guide:
    """Who leads the tester through a live test; this one says nothing.

    Each method is called in the thread that runs the test and should return at once.
    """

    def say(self, words: str) -> None:
        """What happens next, or what could not be done."""

    def cue(self, words: str) -> None:
        """What the tester has to do this very moment."""

    def told(self, words: str) -> None:
        """What goes out on the bus, as it does."""

    def listening(self, status: RecordingStatus) -> None:
        """The counts so far, ten times a second."""

    def frames(self, table: FrameTable) -> None:
        """What has just come, ten times a second; may be empty."""

    def heard(self) -> None:
        """Listening has ended."""


@dataclass(frozen=True, eq=False)
class LiveCapture:
    """What came while one interface was listened to, and where it is kept.

    ``begin_ns`` and ``end_ns`` are when listening began and ended, ``first_ns`` when the first
    frame was handed on, by this computer's clock; ``sha256`` is the hash of ``log``.
    """

    table: FrameTable
    begin_ns: int
    end_ns: int
    first_ns: int
    date: datetime
    log: Path
    sha256: str
    journal: Journal


def listen(
    spec: InterfaceSpec,
    *,
    seconds: float,
    stem: str,
    folder: Path | None = None,
    cues: Sequence[tuple[float, str]] = (),
    acknowledge: bool = False,
    line: Line | None = None,
    tasks: Sequence[Task] = (),
    stop: Stop | None = None,
    guide: Guide | None = None,
) -> LiveCapture:
    """Listen for ``seconds`` [s], or until ``stop``, into ``folder``/``stem``-DATE-TIME.log.

    ``cues``: what the guide tells the tester, so long [s] after the start. Without a ``line`` it
    never sends a frame; with ``acknowledge`` the adapter is in its normal mode and gives
    acknowledge bits. Through a line the ``tasks`` send, from a moment after the start or the cue
    on; the test goes on until they are done, and what they sent is in the log as ours. Raises
    :class:`UsageError` for a folder that cannot be made and
    :class:`~busplan.errors.InterfaceError` for an interface that cannot be opened.
    """
    from busplan.capture.checksum import sha256_of
    from busplan.capture.read import read_capture
    from busplan.live.interfaces import LISTEN_ONLY, Hears, open_acknowledging, open_receiver
    from busplan.live.log_writer import LogWriter
    from busplan.live.recorder import Recorder

    guide = guide or Guide()
    date = datetime.now().astimezone()
    log = _free(folder or Path(), f"{stem}-{date:%Y%m%d-%H%M%S}")
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{log.parent}: cannot be made: {error.strerror}") from error
    journal = Journal(log.with_name(log.name + ".journal"))
    guide.say(f"listening for {seconds:g} s into {log}")
    arrived: list[int] = []

    def came(table: FrameTable) -> None:
        if len(table) and not arrived:
            arrived.append(time.time_ns())
        guide.frames(table)

    stop = stop or Stop()
    over = Stop() if tasks else stop
    course = _Course(
        seconds=seconds,
        guide=guide,
        journal=journal,
        cues=list(cues),
        line=line,
        tasks=tasks,
        stop=stop,
        over=over,
    )
    opener: Callable[[InterfaceSpec], Hears] = open_acknowledging if acknowledge else open_receiver
    if acknowledge:
        guide.say(ACKNOWLEDGE_CAUTION)
    if line is not None:
        guide.say(TRANSMIT_CAUTION)
        line.journal, line.told, opener = journal, guide.told, line.open
    recorder = Recorder(
        [spec],
        LogWriter(log),
        journal,
        opener=opener,
        on_frames=came,
        on_status=course.tick,
    )
    recorder.open()
    for channel in recorder.status().channels:
        guide.say(f"{channel.network}: {channel.silence}")
        if channel.silence == LISTEN_ONLY:
            guide.say(ALONE)
    begin_ns = time.time_ns()
    try:
        status = recorder.run(over, seconds=None if tasks else seconds)
    finally:
        for task in tasks:
            task.end()
        guide.heard()
    if tasks and stop.is_set():
        guide.say("ended by hand: nothing more is sent")
    end_ns = time.time_ns()
    table = read_capture(log).frames if status.written else FrameTable.empty([spec.network])
    first_ns = arrived[0] if arrived else end_ns
    return LiveCapture(
        table=table,
        begin_ns=begin_ns,
        end_ns=end_ns,
        first_ns=first_ns,
        date=date,
        log=log,
        sha256=sha256_of(log),
        journal=journal,
    )


@dataclass
class _Course:
    """What happens in the course of a test: cues, what is sent, the end."""

    seconds: float
    guide: Guide
    journal: Journal
    cues: list[tuple[float, str]]
    line: Line | None
    tasks: Sequence[Task]
    stop: Stop
    over: Stop

    def __post_init__(self) -> None:
        prompted = min((at for at, _ in self.cues[-1:]), default=0.0)
        self._ask_after_s = min(ASK_AFTER_S, self.seconds / 2) + prompted

    def tick(self, status: RecordingStatus) -> None:
        """Ten times a second."""
        while self.cues and status.elapsed_s >= self.cues[0][0]:
            words = self.cues.pop(0)[1]
            self.journal.note(JournalKind.PROMPT, words=words)
            self.guide.cue(words)
        self.guide.listening(status)
        if self.tasks:
            self._send(status.elapsed_s)

    def _send(self, elapsed_s: float) -> None:
        ended = self.stop.is_set()
        for task in () if ended else self.tasks:
            if task.at_once or elapsed_s >= self._ask_after_s:
                task.begin()
        if ended or (elapsed_s >= self.seconds and all(t.done for t in self.tasks)):
            for task in self.tasks:
                task.end()
            if self.line is not None:
                self.line.wait_recorded()
            self.over.set()


def _free(folder: Path, stem: str) -> Path:
    """A log that does not exist yet: two tests may begin in one second."""
    names = (stem if n == 1 else f"{stem}-{n}" for n in count(1))
    return next(p for name in names if not (p := folder / f"{name}.log").exists())
