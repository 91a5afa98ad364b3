"""Recording several networks at once into one text log.

One thread listens to each interface and does nothing but collect (:mod:`busplan.live.channel`); one
loop turns what came into columns ten times a second, counts it, puts it in order of time, writes it
and hands it on. The log holds frames only. What else happened (interfaces gone and back, odd
frames, drops, a full disk, a file that was removed, a clock that jumped) goes into the *journal*.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from busplan.errors import BusplanError
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.live.channel import Channel, Listener
from busplan.live.controller import controller_states, overflows
from busplan.live.in_order import InOrder, clock_parts
from busplan.live.interface_spec import InterfaceSpec
from busplan.live.interfaces import Hears, open_receiver
from busplan.live.journal import JournalKind
from busplan.live.recording_status import ChannelStatus, RecordingStatus

if TYPE_CHECKING:
    import can

    from busplan.live.journal import Journal
    from busplan.live.log_writer import LogWriter

TICK_S = 0.1
"""Time between two writes: what a killed process can lose, with room to spare below a second."""
SWITCH_S = 0.0005
"""How long one thread may keep the interpreter from another while recording."""
RATE_SPAN_S = 1.0
"""Time over which rates and loads are shown."""
NOTHING_S = 5.0
"""After this time without any frame it is noted that nothing arrives."""
LOSS_EVERY_S = 1.0
"""Shortest time between two journal entries about lost frames."""
JUMP_NS = 500_000_000
"""Disagreement of wall clock and monotonic clock within a tick that is noted as a jump."""


def _warm_up() -> None:
    """Have the kernels compiled before frames come: it takes seconds on a first run."""
    from busplan.capture.textlog import textlog_lines
    from busplan.wire.exact import exact_bits

    one = FrameTable.from_columns(["x"], [0], [0], [1], [0], [1], [0])
    exact_bits(one)
    for _ in textlog_lines(one):
        pass


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
        opener: Callable[[InterfaceSpec], Hears] = open_receiver,
        on_frames: Callable[[FrameTable], None] | None = None,
        on_status: Callable[[RecordingStatus], None] | None = None,
        tick_s: float = TICK_S,
    ) -> None:
        self._channels = [Channel(spec) for spec in specs]
        self._listeners: list[Listener] = []
        self._in_order = InOrder(10 * JUMP_NS)
        self._names = tuple(spec.network for spec in specs)
        self._writer = writer
        self._journal = journal
        self._opener = opener
        self._on_frames = on_frames
        self._on_status = on_status
        self._tick_s = tick_s
        self._opened = False
        self._next_loss_s = 0.0
        self._told_dropped = 0
        self._begin = time.monotonic()

    def run(self, stop: threading.Event, *, seconds: float | None = None) -> RecordingStatus:
        """Record until ``stop`` is set or ``seconds`` have passed; returns the last counts.

        Raises :class:`InterfaceError` when an interface cannot be opened at the start. One that
        goes later is tried again each second, and the gap is noted.
        """
        self.open()
        self._journal.note(
            JournalKind.STARTED,
            **({} if self._writer is None else {"file": self._writer.files[0].name}),
            interfaces=[c.spec.written for c in self._channels],
            silence={c.spec.network: c.silence for c in self._channels},
        )
        done = threading.Event()
        # The writing loop must not keep the listening threads waiting for the interpreter: an
        # interface's buffer may hold less than a tenth of a second of a busy network.
        patience_s = sys.getswitchinterval()
        sys.setswitchinterval(SWITCH_S)
        self._listeners = [Listener(c, self._journal, self._opener, done) for c in self._channels]
        self._begin = time.monotonic()
        try:
            status = self._write_until(stop, seconds)
        finally:
            done.set()
            for listener in self._listeners:
                listener.join(5.0)
            status = self._tick(last=True)
            elapsed_s = time.monotonic() - self._begin
            for channel in self._channels:
                channel.measure(elapsed_s, (0.0, 0, 0))
            status = self.status()
            if self._writer is not None:
                self._writer.close()
                status = self.status()
            self._tell(at_once=True)
            sys.setswitchinterval(patience_s)
            self._journal.note(JournalKind.ENDED, written=status.written, dropped=status.dropped)
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
        begin = self._begin
        wall_ns, steady_ns = time.time_ns(), time.monotonic_ns()
        while True:
            left = None if seconds is None else begin + seconds - time.monotonic()
            ended = stop.wait(self._tick_s if left is None else max(0.0, min(self._tick_s, left)))
            now = time.monotonic()
            jump_ns = (time.time_ns() - wall_ns) - (time.monotonic_ns() - steady_ns)
            if abs(jump_ns) > JUMP_NS:
                self._journal.note(JournalKind.CLOCK_JUMPED, seconds=round(jump_ns / 1e9, 3))
                wall_ns, steady_ns = time.time_ns(), time.monotonic_ns()
            for listener in self._listeners:
                listener.watch()
            status = self._tick()
            if self._on_status is not None:
                self._on_status(status)
            if ended or (seconds is not None and now >= begin + seconds):
                return status

    def _tick(self, *, last: bool = False) -> RecordingStatus:
        table = self._collect()
        self._count(table)
        if self._writer is not None:
            ready = self._in_order.rest(table) if last else self._in_order.add(table)
            self._write(self._writer, ready)
        self._tell()
        if self._on_frames is not None:
            self._on_frames(table)
        return self.status()

    def _write(self, writer: LogWriter, table: FrameTable) -> None:
        from busplan.capture.textlog import textlog_lines

        trouble, rotation, files = writer.trouble, writer.rotation_trouble, len(writer.files)
        gone = len(writer.gone)
        writer.write(b"".join(textlog_lines(table)), time.monotonic_ns())
        for loss in writer.gone[gone:]:
            self._journal.move_beside(loss.now)
            self._journal.note(
                JournalKind.FILE_GONE, file=str(loss.was), now=str(loss.now), lost=loss.frames
            )
        if len(writer.files) != files:
            self._journal.note(JournalKind.NEXT_FILE, file=writer.files[-1].name)
        if writer.rotation_trouble not in (rotation, None):
            self._journal.note(JournalKind.NO_NEXT_FILE, trouble=writer.rotation_trouble)
        if writer.trouble != trouble:
            if writer.trouble is None:
                self._journal.note(JournalKind.DISK_BACK)
            else:
                self._journal.note(JournalKind.DISK_TROUBLE, trouble=writer.trouble)

    def _tell(self, *, at_once: bool = False) -> None:
        """Note what was lost, or never came, not more often than once a second."""
        now = time.monotonic()
        if now < self._next_loss_s and not at_once:
            return
        self._next_loss_s = now + LOSS_EVERY_S
        for c in self._channels:
            if not (c.frames or c.told_nothing) and now - self._begin > NOTHING_S:
                c.told_nothing = True
                self._journal.note(
                    JournalKind.NOTHING_HEARD, network=c.spec.network, seconds=NOTHING_S
                )
        for c in self._channels:
            if lost := c.overflows - c.told_overflows:
                c.told_overflows = c.overflows
                self._journal.note(JournalKind.OVERFLOW, network=c.spec.network, times=lost)
            if lost := c.odd - c.told_odd:
                c.told_odd = c.odd
                self._journal.note(
                    JournalKind.SET_ASIDE,
                    network=c.spec.network,
                    frames=lost,
                    reason=c.odd_reason,
                )
            dropped = c.dropped
            if lost := dropped - c.told_dropped:
                c.told_dropped = dropped
                self._journal.note(JournalKind.DROPPED, network=c.spec.network, frames=lost)
        dropped = self._writer.dropped_frames if self._writer else 0
        if lost := dropped - self._told_dropped:
            self._told_dropped = dropped
            self._journal.note(JournalKind.DROPPED, frames=lost)

    def _collect(self) -> FrameTable:
        """What all threads have collected, by time stamp, in parts where a clock was set back."""
        from busplan.capture.object_frames import message_chunk

        messages: list[can.Message] = []
        network: list[int] = []
        for number, channel in enumerate(self._channels):
            usable = channel.usable()
            messages.extend(usable)
            network.extend([number] * len(usable))
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
            return table.take(np.lexsort((table.time_ns, clock_parts(table))))
        return table

    def _count(self, table: FrameTable) -> None:
        from busplan.wire.exact import exact_bits
        from busplan.wire.lengths import durations_ns

        arbitration, data = exact_bits(table)
        now_s = time.monotonic() - self._begin
        overflow = overflows(table)
        for number, state in controller_states(table).items():
            channel = self._channels[number]
            if state.partition(" (")[0] != channel.controller.partition(" (")[0]:
                self._journal.note(
                    JournalKind.CONTROLLER, network=channel.spec.network, state=state
                )
            channel.controller = state
        for number, channel in enumerate(self._channels):
            mine = table.network == number
            if lost := int(np.count_nonzero(mine & overflow)):
                channel.overflows += lost
            count = int(np.count_nonzero(mine))
            channel.frames += count
            channel.errors += int(np.count_nonzero(mine & ((table.flags & ERROR) != 0)))
            if channel.spec.bit_rate is not None:
                busy = durations_ns(
                    arbitration[mine], data[mine], channel.spec.bit_rate, channel.spec.data_bit_rate
                )
                channel.busy_ns += int(busy.sum())
            if now_s - channel.measured[0] >= RATE_SPAN_S or channel.measured[0] == 0.0:
                channel.measure(now_s, channel.measured)
            if now_s - channel.measured[0] >= RATE_SPAN_S:
                channel.measured = (now_s, channel.frames, channel.busy_ns)

    def status(self) -> RecordingStatus:
        """The counts as they are now."""
        writer = self._writer
        channels = tuple(
            ChannelStatus(
                network=c.spec.network,
                listening=c.receiver is not None,
                frames=c.frames,
                frames_per_s=c.rate,
                load=c.load,
                errors=c.errors,
                dropped=c.dropped,
                overflows=c.overflows,
                set_aside=c.odd,
                breaks=c.breaks,
                controller=c.controller,
                silence=c.silence,
            )
            for c in self._channels
        )
        return RecordingStatus(
            elapsed_s=time.monotonic() - self._begin,
            channels=channels,
            written=writer.written_frames if writer else 0,
            waiting=self._in_order.held + writer.waiting_frames if writer else 0,
            dropped=sum(c.dropped for c in channels) + (writer.dropped_frames if writer else 0),
            files=tuple(str(p) for p in writer.files) if writer else (),
            gone=tuple(loss.told for loss in writer.gone) if writer else (),
            trouble=(writer.trouble or writer.rotation_trouble) if writer else None,
        )
