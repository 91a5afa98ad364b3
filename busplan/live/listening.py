"""A live test of a node: listen for a while, then, only when handed a way to send, ask it.

The rules of this file: it opens nothing that could send. Whoever wants the node asked hands in how
to open a sender (:func:`busplan.live.interfaces.open_sender`) and answers for the consent.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.errors import UsageError
from busplan.frames.table import FrameTable
from busplan.live.journal import Journal

if TYPE_CHECKING:
    from busplan.findings import Finding
    from busplan.live.asking import Answer
    from busplan.live.interface_spec import InterfaceSpec
    from busplan.live.interfaces import Sender
    from busplan.live.questions import Question
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


class Guide:
    """Who leads the tester through a live test; this one says nothing.

    Each method is called in the thread that runs the test and should return at once.
    """

    def say(self, words: str) -> None:
        """What happens next, or what could not be done."""

    def cue(self, words: str) -> None:
        """What the tester has to do this very moment."""

    def listening(self, status: RecordingStatus) -> None:
        """The counts so far, ten times a second."""

    def heard(self) -> None:
        """Listening has ended."""


@dataclass(frozen=True, eq=False)
class LiveCapture:
    """What came while one interface was listened to, and where it is kept.

    ``begin_ns`` and ``end_ns`` are when listening began and ended, by this computer's clock;
    ``sha256`` is the hash of ``log``.
    """

    table: FrameTable
    begin_ns: int
    end_ns: int
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
    cue: tuple[float, str] | None = None,
    acknowledge: bool = False,
    stop: Stop | None = None,
    guide: Guide | None = None,
) -> LiveCapture:
    """Listen for ``seconds`` [s], or until ``stop``, into ``folder``/``stem``-DATE-TIME.log.

    ``cue``: what the guide tells the tester, so long [s] after the start. Never sends a frame;
    with ``acknowledge`` the adapter is in its normal mode and gives acknowledge bits. Raises
    :class:`UsageError` for a folder that cannot be made and
    :class:`~busplan.errors.InterfaceError` for an interface that cannot be opened.
    """
    from busplan.capture.checksum import sha256_of
    from busplan.capture.read import read_capture
    from busplan.live.interfaces import LISTEN_ONLY, open_acknowledging, open_receiver
    from busplan.live.log_writer import LogWriter
    from busplan.live.recorder import Recorder

    guide = guide or Guide()
    date = datetime.now().astimezone()
    log = (folder or Path()) / f"{stem}-{date:%Y%m%d-%H%M%S}.log"
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{log.parent}: cannot be made: {error.strerror}") from error
    journal = Journal(log.with_name(log.name + ".journal"))
    guide.say(f"listening for {seconds:g} s into {log}")

    def tick(status: RecordingStatus) -> None:
        nonlocal cue
        if cue is not None and status.elapsed_s >= cue[0]:
            guide.cue(cue[1])
            cue = None
        guide.listening(status)

    opener = open_acknowledging if acknowledge else open_receiver
    if acknowledge:
        guide.say(ACKNOWLEDGE_CAUTION)
    recorder = Recorder([spec], LogWriter(log), journal, opener=opener, on_status=tick)
    recorder.open()
    for channel in recorder.status().channels:
        guide.say(f"{channel.network}: {channel.silence}")
        if channel.silence == LISTEN_ONLY:
            guide.say(ALONE)
    begin_ns = time.time_ns()
    try:
        status = recorder.run(stop or Stop(), seconds=seconds)
    finally:
        guide.heard()
    end_ns = time.time_ns()
    table = read_capture(log).frames if status.written else FrameTable.empty([spec.network])
    return LiveCapture(table, begin_ns, end_ns, date, log, sha256_of(log), journal)


def ask_node(
    spec: InterfaceSpec,
    node: str,
    questions: Sequence[Question],
    sender: Callable[[InterfaceSpec], Sender],
    journal: Journal,
    *,
    stop: Stop | None = None,
    guide: Guide | None = None,
) -> tuple[tuple[Answer, ...], tuple[Finding, ...]]:
    """Send the questions and wait for each answer; what the answers amount to as findings.

    ``sender`` opens what can send, with the tester's consent. ``stop`` leaves out what has not
    been asked yet: who ends a test by hand wants nothing more to happen.
    """
    from busplan.live.asking import answer_findings, ask_all

    guide, stop = guide or Guide(), stop or Stop()
    if stop.is_set():
        guide.say("ended by hand: nothing is sent")
        return (), ()
    if not questions:
        guide.say("nothing to ask: this network has no J1939 layout; use --ask")
        return (), ()
    guide.say(TRANSMIT_CAUTION)
    opened = sender(spec)
    try:
        answers = ask_all(opened, questions, journal, stop)
    finally:
        opened.close()
    return tuple(answers), answer_findings(answers, spec.network, node)
