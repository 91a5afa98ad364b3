"""Playing recorded or simulated frames in real time onto software buses, for learning and tests.

The rules of this file: only software buses, never hardware; each frame keeps its distance to the
first one, measured against one monotonic clock, so that no delay adds up; frames that are due
together are sent together.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busplan.errors import UsageError
from busplan.frames.kinds import BRS, ERROR, ESI, EXTENDED, FD, REMOTE
from busplan.frames.table import FrameTable
from busplan.live.interface_spec import SOFTWARE_BUSES, InterfaceSpec
from busplan.live.interfaces import Sender, open_sender

if TYPE_CHECKING:
    import can

REST_S = 0.002
"""Shortest sleep between two batches."""


BURST_S = 0.02
"""Most played time sent without a rest."""


@dataclass(frozen=True, slots=True)
class Played:
    """What has been played: frames, those of networks without a bus, and the worst lateness [s]."""

    frames: int
    left_out: int
    latest_s: float


def software_spec(network: str, text: str, number: int) -> InterfaceSpec:
    """The software bus that plays one network: ``virtual[:NAME]`` or ``udp_multicast[:GROUP]``.

    Every network needs a bus of its own: ``virtual`` buses are called ``NAME-network``,
    ``udp_multicast`` uses one port a network, counted from 43113 up in plan order. Raises
    :class:`UsageError` for anything else.
    """
    kind, _, channel = text.partition(":")
    if kind not in SOFTWARE_BUSES:
        mapped = (
            "; it holds for all networks, each with a bus of its own there, so no NETWORK= stands "
            "before it"
        )
        raise UsageError(
            f"--to {text!r}: only software buses are played to: write udp_multicast[:GROUP] or "
            f"virtual[:NAME]{mapped if '=' in kind else ''}"
        )
    if kind == "virtual":
        return InterfaceSpec(network, kind, f"{channel or 'busplan'}-{network}")
    port = FIRST_PORT + number
    return InterfaceSpec(network, kind, channel or GROUP, {"port": port, "hop_limit": 0})


GROUP = "239.74.163.2"
"""Multicast group of the demo buses: administratively scoped (RFC 2365), so it stays local."""
FIRST_PORT = 43_113


def play(
    table: FrameTable,
    specs: Mapping[str, InterfaceSpec],
    *,
    speed: float = 1.0,
    stop: threading.Event | None = None,
    opener: Callable[[InterfaceSpec], Sender] = open_sender,
    progress: Callable[[float, int], None] | None = None,
) -> Played:
    """Send the frames of ``table`` in time order, each network to its bus.

    ``progress`` receives the played time [s] and the frames sent. Error frames cannot be sent on a
    software bus and count as left out. Raises :class:`UsageError` for a bus that is hardware.
    """
    hardware = [s for s in specs.values() if s.kind not in SOFTWARE_BUSES]
    if hardware:
        raise UsageError(f"{hardware[0]}: only software buses are played to")
    stop = stop or threading.Event()
    order = np.argsort(table.time_ns, kind="stable")
    due_s = (table.time_ns[order] - table.origin_ns) / 1e9 / speed
    senders: dict[int, Sender] = {}
    try:
        for number, network in enumerate(table.networks):
            if network in specs:
                senders[number] = opener(specs[network])
        return _send_all(table, order, due_s, senders, stop, progress)
    finally:
        for sender in senders.values():
            sender.close()


def _send_all(
    table: FrameTable,
    order: np.ndarray,
    due_s: np.ndarray,
    senders: Mapping[int, Sender],
    stop: threading.Event,
    progress: Callable[[float, int], None] | None,
) -> Played:
    begin = time.monotonic()
    at = sent = left_out = 0
    latest = 0.0
    while at < len(order) and not stop.is_set():
        now = time.monotonic() - begin
        # After a delay, catch up in short bursts: a receiver's buffer holds only so many frames.
        due_until = min(now, float(due_s[at]) + BURST_S)
        until = int(np.searchsorted(due_s, due_until, side="right"))
        if until > at:
            latest = max(latest, now - float(due_s[at]))
        for row in order[at:until]:
            sender = senders.get(int(table.network[row]))
            if sender is None or table.flags[row] & ERROR:
                left_out += 1
            else:
                sender.send(message_of(table, int(row)))
                sent += 1
        at = until
        if progress is not None:
            progress(now, sent)
        if at < len(order):
            stop.wait(max(REST_S, float(due_s[at]) - (time.monotonic() - begin)))
    return Played(sent, left_out, latest)


def message_of(table: FrameTable, row: int) -> can.Message:
    """One row as a python-can message."""
    import can

    flags = int(table.flags[row])
    remote = bool(flags & REMOTE)
    return can.Message(
        arbitration_id=int(table.identifier[row]),
        is_extended_id=bool(flags & EXTENDED),
        is_fd=bool(flags & FD),
        bitrate_switch=bool(flags & BRS),
        error_state_indicator=bool(flags & ESI),
        is_remote_frame=remote,
        dlc=int(table.length[row]) if remote else None,
        data=None if remote else table.bytes_of(row),
    )
