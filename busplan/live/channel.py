"""One interface of a recording: the thread that listens to it, and who looks after that thread."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from busplan.errors import InterfaceError
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.interfaces import Hears
from busplan.live.journal import JournalKind
from busplan.live.odd_frames import why_odd

if TYPE_CHECKING:
    import can

    from busplan.live.journal import Journal

RETRY_S = 1.0
"""Time between two attempts to open an interface that has gone."""
COLLECT_LIMIT = 1_000_000
"""Frames an interface may run ahead of the writing loop before the newest are dropped."""
HANGS_AFTER_S = 3.0
"""A reading call, asked to be back in a tenth of a second, that takes longer hangs."""
OPENING_HANGS_AFTER_S = 20.0
"""As :data:`HANGS_AFTER_S`, for opening an interface."""


@dataclass
class Channel:
    """Counts of one interface and what it has collected; see :class:`Listener` for its thread."""

    spec: InterfaceSpec
    receiver: Hears | None = None
    collected: deque[can.Message] = field(default_factory=deque)
    frames: int = 0
    errors: int = 0
    dropped: int = 0
    odd: int = 0
    odd_reason: str = ""
    overflows: int = 0
    breaks: int = 0
    told_nothing: bool = False
    told_dropped: int = 0
    told_odd: int = 0
    told_overflows: int = 0
    controller: str = ""
    silence: str = ""
    rate: float = 0.0
    load: float | None = None
    busy_ns: int = 0
    measured: tuple[float, int, int] = (0.0, 0, 0)
    """When rate and load were last worked out [s], and frames and busy time [ns] till then."""

    def measure(self, now_s: float, since: tuple[float, int, int]) -> None:
        """Rate and load from ``since`` until now [s]."""
        begin_s, frames, busy_ns = since
        span_s = max(now_s - begin_s, 1e-3)
        self.rate = (self.frames - frames) / span_s
        if self.spec.bit_rate is not None:
            self.load = (self.busy_ns - busy_ns) / 1e9 / span_s

    def usable(self) -> list[can.Message]:
        """What was collected until now, without frames that nothing could hold, which count."""
        messages = [self.collected.popleft() for _ in range(len(self.collected))]
        reasons = list(map(why_odd, messages))
        if not any(reasons):
            return messages
        self.odd_reason = next(r for r in reasons if r)
        self.odd += sum(r is not None for r in reasons)
        return [m for m, reason in zip(messages, reasons, strict=True) if reason is None]


class Listener:
    """Keeps one thread listening to a channel: collects, and opens again what has gone.

    A thread that dies or hangs is given up by :meth:`watch`, and another one starts with an
    interface opened anew; what the old one may still hand out is not collected.
    """

    def __init__(
        self,
        channel: Channel,
        journal: Journal,
        opener: Callable[[InterfaceSpec], Hears],
        done: threading.Event,
    ) -> None:
        self._channel = channel
        self._journal = journal
        self._opener = opener
        self._done = done
        self._turn = 0
        self._gone_since: float | None = None
        self._watched = time.monotonic()
        self._begin_thread()

    def _begin_thread(self) -> None:
        self._turn += 1
        self._beat, self._opening = time.monotonic(), False
        self._thread = threading.Thread(target=self._listen, args=(self._turn,), daemon=True)
        self._thread.start()

    def watch(self) -> None:
        """Look after the thread; to be called each tick."""
        alive = self._thread.is_alive()
        patience_s = OPENING_HANGS_AFTER_S if self._opening else HANGS_AFTER_S
        now = time.monotonic()
        late_s, away_s, self._watched = now - self._beat, now - self._watched, now
        if alive and away_s >= HANGS_AFTER_S:
            # Nobody watched either: the computer stood still, which the thread tells itself.
            self._beat = now
            return
        if alive and late_s < patience_s:
            return
        reason = f"it has not come back for {late_s:.0f} s" if alive else "it has ended"
        self._channel.receiver = None
        self._channel.breaks += 1
        self._gone_since = self._gone_since or self._beat
        self._journal.note(
            JournalKind.READER_LOST, network=self._channel.spec.network, reason=reason
        )
        self._begin_thread()

    def join(self, timeout_s: float) -> None:
        """Wait for the thread, so long at most [s]."""
        self._thread.join(timeout_s)

    def _listen(self, turn: int) -> None:
        """The thread: when the interface goes, try again until it is back."""
        channel = self._channel
        receiver, heard = channel.receiver, time.monotonic()
        while not self._done.is_set() and turn == self._turn:
            self._beat = time.monotonic()
            try:
                if receiver is None:
                    self._opening = True
                    receiver = self._opener(channel.spec)
                    self._opening = False
                    self._beat = heard = time.monotonic()
                message = receiver.receive(0.1)
            except Exception as error:  # a driver may raise anything; its interface has gone
                self._let_go(receiver, error, turn)
                receiver, heard = None, time.monotonic()
                continue
            if turn != self._turn:
                break
            channel.receiver = receiver
            now = time.monotonic()
            away_s, heard = now - heard, now
            if away_s >= HANGS_AFTER_S:
                self._journal.note(
                    JournalKind.STALLED, network=channel.spec.network, gap_s=round(away_s, 3)
                )
            if self._gone_since is not None:
                gap_s = round(time.monotonic() - self._gone_since, 3)
                self._gone_since = None
                self._journal.note(
                    JournalKind.INTERFACE_BACK, network=channel.spec.network, gap_s=gap_s
                )
            if message is None:
                continue
            if len(channel.collected) >= COLLECT_LIMIT:
                channel.dropped += 1
            else:
                channel.collected.append(message)
        if receiver is not None:
            receiver.close()

    def _let_go(self, receiver: Hears | None, error: Exception, turn: int) -> None:
        self._opening = False
        if receiver is not None:
            receiver.close()
        if turn != self._turn:
            return
        self._channel.receiver = None
        if self._gone_since is None:
            self._gone_since = time.monotonic()
            self._channel.breaks += 1
            known = isinstance(error, InterfaceError)
            reason = str(error) if known else f"{type(error).__name__}: {error}"
            self._journal.note(
                JournalKind.INTERFACE_GONE, network=self._channel.spec.network, reason=reason
            )
        self._done.wait(RETRY_S)
