"""One line to a node: listened to, and, because the user said so, sent through at the same time.

The rules of this file: a :class:`Line` needs what opens a
:class:`~busplan.live.interfaces.Sender`, which only exists after an explicit consent. Every frame
it sends is in the journal before it goes out, and in the recording as ours.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from copy import copy
from typing import TYPE_CHECKING

from busplan.errors import InterfaceError
from busplan.frames.identifier import format_identifier
from busplan.live.answered import Answer
from busplan.live.dialogue import Dialogue
from busplan.live.journal import Journal, JournalKind
from busplan.live.questions import ANSWER_WITHIN_S, Question

if TYPE_CHECKING:
    import can

    from busplan.live.interface_spec import InterfaceSpec
    from busplan.live.interfaces import Sender

ECHO_S = 0.5
"""Within this time a frame just like one we sent is ours, brought back by the bus."""
OTHER_CLOCK_S = 1.0
"""Time stamps farther from ours than this are of another clock, and ours are moved to it."""
TAKEN_S = 1.0
"""So long the end of a test waits for its own frames to be recorded."""
LONGER_S = 5.0
"""How long a node may take that has said that its answer will follow (ISO 14229-2, from memory)."""


class Hearing:
    """What a recorder reads of a line; closing it closes the interface."""

    silence = "sends what it was told to, and acknowledges"

    def __init__(self, line: Line, sender: Sender) -> None:
        self._line = line
        self._sender = sender

    def receive(self, timeout_s: float) -> can.Message | None:
        """The next frame, one of ours included; ``None`` after ``timeout_s``."""
        own = self._line.sent_by_us()
        if own is not None:
            return own
        return self._line.heard(self._sender.receive(timeout_s))

    def close(self) -> None:
        """Close the interface."""
        self._sender.close()


class Line:
    """An interface that is recorded and sent through at once.

    ``opener`` opens what can send, with the user's consent; hand :meth:`open` to a recorder.
    """

    def __init__(self, opener: Callable[[InterfaceSpec], Sender]) -> None:
        self._opener = opener
        self._sender: Sender | None = None
        self._ours: deque[can.Message] = deque()
        self._echoes: deque[tuple[float, int, bytes]] = deque()
        self._taps: list[queue.SimpleQueue[tuple[float, tuple[int, bool, bytes]]]] = []
        self._lock = threading.Lock()
        self._offset_s = 0.0
        self.journal = Journal(None)
        self.frames = 0
        """So many frames were sent."""
        self.told: Callable[[str], None] = lambda _: None
        """Who shows the user each frame that goes out."""

    def open(self, spec: InterfaceSpec) -> Hearing:
        """Open the interface; again when it had gone."""
        self._sender = self._opener(spec)
        return Hearing(self, self._sender)

    def send(
        self,
        identifier: int,
        extended: bool,
        data: bytes,
        purpose: str,
        *,
        note: bool,
        fd: bool = False,
        switch: bool = False,
    ) -> float:
        """Send one frame; returns the moment before [s, monotonic]; ``note`` it in the journal.

        Raises :class:`InterfaceError` when the interface has gone or refuses it.
        """
        import can

        sender = self._sender
        if sender is None:
            raise InterfaceError("the interface is not open")
        name = format_identifier(identifier, extended).removeprefix("0x")
        text = f"{name}#{data.hex().upper()}"
        if note:
            self.journal.note(JournalKind.SENDING, frame=text, purpose=purpose)
            self.told(f"sending {text} ({purpose})")
        message = can.Message(
            arbitration_id=identifier,
            is_extended_id=extended,
            data=data,
            is_fd=fd,
            bitrate_switch=switch,
        )
        ours = copy(message)
        with self._lock:
            self._echoes.append((time.monotonic(), identifier, data))
            stamp, at = time.time() + self._offset_s, time.monotonic()
            sender.send(message)
            self.frames += 1
            ours.timestamp, ours.is_rx = stamp, False
            self._ours.append(ours)
        return at

    def sent_by_us(self) -> can.Message | None:
        """The oldest of our frames that no recorder has taken yet."""
        return self._ours.popleft() if self._ours else None

    def wait_recorded(self) -> None:
        """Wait until a recorder has taken all our frames, for a moment at most."""
        end = time.monotonic() + TAKEN_S
        while self._ours and time.monotonic() < end:
            time.sleep(0.002)

    def heard(self, message: can.Message | None) -> can.Message | None:
        """A frame that came, for the recorder; ``None`` where it is ours, brought back."""
        if message is None:
            return None
        off_s = message.timestamp - time.time()
        self._offset_s = off_s if abs(off_s) > OTHER_CLOCK_S else 0.0
        if message.is_error_frame or message.is_remote_frame:
            return message
        frame = message.arbitration_id, message.is_extended_id, bytes(message.data)
        if self._echo(frame[0], frame[2]):
            return None
        for tap in tuple(self._taps):
            tap.put((time.monotonic(), frame))
        return message

    def _echo(self, identifier: int, data: bytes) -> bool:
        if not self._echoes:
            return False
        with self._lock:
            now = time.monotonic()
            while self._echoes and now - self._echoes[0][0] > ECHO_S:
                self._echoes.popleft()
            for entry in self._echoes:
                if entry[1:] == (identifier, data):
                    self._echoes.remove(entry)
                    return True
        return False

    def ask(self, question: Question, stop: threading.Event) -> Answer:
        """Ask as often as wanted and wait for each answer; ``stop`` ends it early."""
        once = [self._ask_once(question, stop) for _ in range(question.times) if not stop.is_set()]
        after = sorted(a for a, _ in once if a is not None)
        last = next((d for a, d in reversed(once) if a is not None), None)
        granted = [d for a, d in once if a is not None and not d.refused]
        wrong = sum(not all(e.fits(d.data) for e in question.expected) for d in granted)
        return Answer(
            question,
            after[len(after) // 2] if after else None,
            None if last is None else last.identifier,
            b"" if last is None else last.data,
            "" if last is None else last.refused,
            asked=len(once),
            answered=len(after),
            wrong=wrong,
            least_s=after[0] if after else None,
            most_s=after[-1] if after else None,
            loose=last is not None and last.other is not None and last.data == last.other[1],
        )

    def _ask_once(self, question: Question, stop: threading.Event) -> tuple[float | None, Dialogue]:
        within = ANSWER_WITHIN_S if question.within_s is None else question.within_s
        dialogue = Dialogue(question)
        tap: queue.SimpleQueue[tuple[float, tuple[int, bool, bytes]]] = queue.SimpleQueue()
        self._taps.append(tap)
        after, other_at = None, float("inf")
        try:
            begin = self.send(
                question.identifier, question.extended, question.data, question.name, note=True
            )
            end = begin + within
            while not dialogue.done and not stop.is_set():
                left = end - time.monotonic()
                if left <= 0:
                    break
                try:
                    at, frame = tap.get(timeout=min(left, 0.1))
                except queue.Empty:
                    continue
                waited, begun = dialogue.waits, dialogue.begun
                for wanted in dialogue.hear(*frame):
                    self.send(*wanted, "transport of the answer", note=True)
                if dialogue.other is not None:
                    other_at = min(other_at, at)
                if dialogue.begun and after is None:
                    after = at - begin
                if (dialogue.waits, dialogue.begun) != (waited, begun):
                    end = time.monotonic() + (LONGER_S if dialogue.waits else within)
        finally:
            self._taps.remove(tap)
        if not dialogue.begun and dialogue.other is not None:
            # A node that speaks no such protocol has answered in its own way.
            dialogue.identifier, dialogue.data = dialogue.other
            after = other_at - begin
        if dialogue.begun and not dialogue.done and dialogue.other is None:
            after = None  # the rest of a long answer never came
        self.journal.note(
            JournalKind.ANSWER,
            after_s=after,
            data=dialogue.data.hex().upper(),
            **({"refused": dialogue.refused} if dialogue.refused else {}),
        )
        return after, dialogue


class Asker:
    """Asks questions through a line, in a thread of its own, once :meth:`begin` is called."""

    at_once = False

    def __init__(self, line: Line, questions: Sequence[Question]) -> None:
        self._line = line
        self._questions = questions
        self._over = threading.Event()
        self._thread: threading.Thread | None = None
        self.answers: list[Answer] = []
        self.trouble = ""

    def begin(self) -> None:
        """Start asking; does nothing the second time."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()

    @property
    def done(self) -> bool:
        """Whether all has been asked, or nothing more will be."""
        return self._thread is not None and not self._thread.is_alive()

    def end(self) -> None:
        """Ask nothing more, and wait until that is so."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        for question in self._questions:
            if self._over.is_set():
                return
            try:
                self.answers.append(self._line.ask(question, self._over))
            except InterfaceError as error:
                self.trouble = str(error)
                return
