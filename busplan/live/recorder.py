"""Recording several networks at once into one text log.

One thread listens to each interface and does nothing but collect; one loop turns what came into
columns ten times a second, counts it, writes it and hands it on. The log holds frames only.
What else happened (interfaces gone and back, drops, a full disk, a clock that jumped) goes into the
*journal*: a file of JSON lines beside the log, written the same append-only way.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from busplan.capture.frames import ERROR, FrameTable
from busplan.errors import BusplanError, InterfaceError
from busplan.live.interfaces import InterfaceSpec, Receiver, open_receiver

if TYPE_CHECKING:
    import can

    from busplan.live.log_writer import LogWriter

TICK_S = 0.1
"""Time between two writes: what a killed process can lose, with room to spare below a second."""
SWITCH_S = 0.0005
"""How long one thread may keep the interpreter from another while recording."""
RETRY_S = 1.0
"""Time between two attempts to open an interface that has gone."""
COLLECT_LIMIT = 1_000_000
"""Frames an interface may run ahead of the writing loop before the newest are dropped."""
JUMP_NS = 500_000_000
"""Disagreement of wall clock and monotonic clock within a tick that is noted as a jump."""


@dataclass(frozen=True, slots=True)
class ChannelStatus:
    """One network as it is being recorded. ``load`` is a share of the bit time, 0 to 1.

    ``dropped`` counts frames that we had to drop; ``overflows`` how often the interface reported
    that its own buffer ran over, which loses an unknown number of frames.
    """

    network: str
    listening: bool
    frames: int
    frames_per_s: float
    load: float | None
    errors: int
    dropped: int
    overflows: int
    silence: str


@dataclass(frozen=True, slots=True)
class RecordingStatus:
    """The recording as a whole, once a tick. ``trouble`` says why the disk takes nothing."""

    elapsed_s: float
    channels: tuple[ChannelStatus, ...]
    written: int
    waiting: int
    dropped: int
    files: tuple[str, ...]
    trouble: str | None


class Journal:
    """What happened around a recording, as JSON lines; without a path it is only remembered."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.entries: list[dict[str, Any]] = []
        self._lock = threading.Lock()

    def note(self, what: str, **details: Any) -> None:
        """Append one entry with the time of the wall clock (UTC)."""
        entry = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "what": what}
        entry.update(details)
        with self._lock:
            self.entries.append(entry)
            if self.path is not None:
                try:
                    with self.path.open("a", encoding="utf-8") as file:
                        file.write(json.dumps(entry, ensure_ascii=False) + "\n")
                except OSError:
                    # A full disk refuses the journal as well; the writer says so on the screen.
                    return


@dataclass
class _Channel:
    spec: InterfaceSpec
    receiver: Receiver | None = None
    collected: deque[can.Message] = field(default_factory=deque)
    frames: int = 0
    errors: int = 0
    dropped: int = 0
    overflows: int = 0
    silence: str = ""
    rate: float = 0.0
    load: float | None = None


def _warm_up() -> None:
    """Have the kernels compiled before frames come: it takes seconds on a first run."""
    from busplan.capture.textlog import textlog_lines
    from busplan.wire.exact import exact_bits

    one = FrameTable.from_columns(["x"], [0], [0], [1], [0], [1], [0])
    exact_bits(one)
    for _ in textlog_lines(one):
        pass


def overflows(table: FrameTable) -> npt.NDArray[np.bool_]:
    """Which error frames say that the interface's receive buffer ran over; ``(n_frames,)``.

    As Linux reports it: error class 0x004 (controller), bit 0x01 of byte 1 (receive overflow);
    ``include/uapi/linux/can/error.h``, from memory.
    """
    found = np.zeros(len(table), np.bool_)
    for row in np.flatnonzero(table.flags & ERROR):
        controller = bool(table.identifier[row] & 0x004) and table.length[row] >= 2
        found[row] = controller and bool(table.bytes_of(int(row))[1] & 0x01)
    return found


class Recorder:
    """Listens to interfaces and writes what comes.

    ``writer`` may be ``None`` to watch without recording. ``on_frames`` receives each tick's
    frames, or none, as a table with network names; ``on_status`` the counts. ``opener`` opens
    interfaces; the recorder never has anything that could send.
    """

    def __init__(
        self,
        specs: Sequence[InterfaceSpec],
        writer: LogWriter | None,
        journal: Journal,
        *,
        opener: Callable[[InterfaceSpec], Receiver] = open_receiver,
        on_frames: Callable[[FrameTable], None] | None = None,
        on_status: Callable[[RecordingStatus], None] | None = None,
        tick_s: float = TICK_S,
    ) -> None:
        self._channels = [_Channel(spec) for spec in specs]
        self._names = tuple(spec.network for spec in specs)
        self._writer = writer
        self._journal = journal
        self._opener = opener
        self._on_frames = on_frames
        self._on_status = on_status
        self._tick_s = tick_s
        self._opened = False
        self._begin = time.monotonic()

    def run(self, stop: threading.Event, *, seconds: float | None = None) -> RecordingStatus:
        """Record until ``stop`` is set or ``seconds`` have passed; returns the last counts.

        Raises :class:`InterfaceError` when an interface cannot be opened at the start. One that
        goes later is tried again each second, and the gap is noted.
        """
        self.open()
        self._journal.note(
            "started",
            interfaces=[str(c.spec) for c in self._channels],
            silence={c.spec.network: c.silence for c in self._channels},
        )
        done = threading.Event()
        # The writing loop must not keep the listening threads waiting for the interpreter: an
        # interface's buffer may hold less than a tenth of a second of a busy network.
        patience_s = sys.getswitchinterval()
        sys.setswitchinterval(SWITCH_S)
        threads = [
            threading.Thread(target=self._listen, args=(c, done), daemon=True)
            for c in self._channels
        ]
        for thread in threads:
            thread.start()
        self._begin = time.monotonic()
        try:
            status = self._write_until(stop, seconds)
        finally:
            done.set()
            for thread in threads:
                thread.join(timeout=5)
            status = self._tick(self._tick_s)
            if self._writer is not None:
                self._writer.close()
                status = self.status()
            sys.setswitchinterval(patience_s)
            self._journal.note("ended", written=status.written, dropped=status.dropped)
        return status

    def open(self) -> None:
        """Open all interfaces and the log; :meth:`run` does it when it has not been done.

        Raises :class:`InterfaceError` or :class:`UsageError`; then nothing stays open.
        """
        if self._opened:
            return
        _warm_up()
        try:
            for channel in self._channels:
                channel.receiver = self._opener(channel.spec)
                channel.silence = channel.receiver.silence
            if self._writer is not None:
                self._writer.open(time.monotonic_ns())
        except BusplanError:
            for channel in self._channels:
                if channel.receiver is not None:
                    channel.receiver.close()
            raise
        self._opened = True

    def _write_until(self, stop: threading.Event, seconds: float | None) -> RecordingStatus:
        begin = last = self._begin
        wall_ns, steady_ns = time.time_ns(), time.monotonic_ns()
        while True:
            left = None if seconds is None else begin + seconds - time.monotonic()
            ended = stop.wait(self._tick_s if left is None else max(0.0, min(self._tick_s, left)))
            now = time.monotonic()
            jump_ns = (time.time_ns() - wall_ns) - (time.monotonic_ns() - steady_ns)
            if abs(jump_ns) > JUMP_NS:
                self._journal.note("clock jumped", seconds=round(jump_ns / 1e9, 3))
                wall_ns, steady_ns = time.time_ns(), time.monotonic_ns()
            status = self._tick(max(now - last, 1e-3))
            last = now
            if self._on_status is not None:
                self._on_status(status)
            if ended or (seconds is not None and now >= begin + seconds):
                return status

    def _listen(self, channel: _Channel, done: threading.Event) -> None:
        """One interface's thread: collect; when the interface goes, try again until it is back."""
        gone_since: float | None = None
        while not done.is_set():
            try:
                if channel.receiver is None:
                    channel.receiver = self._opener(channel.spec)
                message = channel.receiver.receive(0.1)
            except InterfaceError as error:
                if channel.receiver is not None:
                    channel.receiver.close()
                    channel.receiver = None
                if gone_since is None:
                    gone_since = time.monotonic()
                    self._journal.note(
                        "interface gone", network=channel.spec.network, reason=str(error)
                    )
                done.wait(RETRY_S)
                continue
            if gone_since is not None:
                gap_s = time.monotonic() - gone_since
                self._journal.note(
                    "interface back", network=channel.spec.network, gap_s=round(gap_s, 3)
                )
                gone_since = None
            if message is None:
                continue
            if len(channel.collected) >= COLLECT_LIMIT:
                channel.dropped += 1
            else:
                channel.collected.append(message)
        if channel.receiver is not None:
            channel.receiver.close()

    def _tick(self, span_s: float) -> RecordingStatus:
        table = self._collect()
        self._count(table, span_s)
        if self._writer is not None:
            from busplan.capture.textlog import textlog_lines

            trouble = self._writer.trouble
            block = b"".join(textlog_lines(table))
            self._writer.write(block, time.monotonic_ns())
            if self._writer.trouble != trouble:
                self._journal.note("disk", trouble=self._writer.trouble or "takes data again")
        if self._on_frames is not None:
            self._on_frames(table)
        return self.status()

    def _collect(self) -> FrameTable:
        """What all threads have collected, by time stamp, unless a clock has jumped in between."""
        from busplan.capture.messages import message_chunk

        messages: list[can.Message] = []
        network: list[int] = []
        for number, channel in enumerate(self._channels):
            count = len(channel.collected)
            messages.extend(channel.collected.popleft() for _ in range(count))
            network.extend([number] * count)
        chunk = message_chunk(messages, network)
        table = FrameTable.from_columns(
            self._names,
            chunk.time_ns,
            chunk.network,
            chunk.identifier,
            chunk.flags,
            chunk.length,
            chunk.payload,
        )
        if len(table) and table.span_ns < 10 * JUMP_NS:
            return table.take(np.argsort(table.time_ns, kind="stable"))
        return table

    def _count(self, table: FrameTable, span_s: float) -> None:
        from busplan.wire.exact import exact_bits
        from busplan.wire.lengths import durations_ns

        arbitration, data = exact_bits(table)
        overflow = overflows(table)
        for number, channel in enumerate(self._channels):
            mine = table.network == number
            if lost := int(np.count_nonzero(mine & overflow)):
                channel.overflows += lost
                self._journal.note("overflow", network=channel.spec.network, times=lost)
            count = int(np.count_nonzero(mine))
            channel.frames += count
            channel.errors += int(np.count_nonzero(mine & ((table.flags & ERROR) != 0)))
            channel.rate = count / span_s
            if channel.spec.bit_rate is not None:
                busy = durations_ns(
                    arbitration[mine], data[mine], channel.spec.bit_rate, channel.spec.data_bit_rate
                )
                channel.load = float(busy.sum()) / 1e9 / span_s

    def status(self) -> RecordingStatus:
        """The counts as they are now."""
        writer = self._writer
        channels = tuple(
            ChannelStatus(
                c.spec.network,
                c.receiver is not None,
                c.frames,
                c.rate,
                c.load,
                c.errors,
                c.dropped,
                c.overflows,
                c.silence,
            )
            for c in self._channels
        )
        return RecordingStatus(
            time.monotonic() - self._begin,
            channels,
            written=writer.written_frames if writer else 0,
            waiting=writer.waiting_frames if writer else 0,
            dropped=sum(c.dropped for c in channels) + (writer.dropped_frames if writer else 0),
            files=tuple(str(p) for p in writer.files) if writer else (),
            trouble=writer.trouble if writer else None,
        )
