"""Send offsets for nodes whose firmware one writes: when their clock shall send each message.

Messages of the shortest period come first; each takes the slot that lies farthest from all releases
of those placed before (greedy spreading, common in the trade, no source). Only distances within a
node count: nodes are never assumed to keep any among each other.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from math import gcd

import numpy as np

from busplan.errors import UsageError
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.sessions import session_of
from busplan.wire.lengths import duration_ns, frames_of, message_bits

TICK_NS = 1_000_000
"""Offsets are whole milliseconds, the tick of most firmware (common practice, no source)."""

MOST_SLOTS = 10_000
"""Slots that are tried for one message."""


@dataclass(frozen=True, slots=True)
class OffsetChange:
    """One message that its node shall send at another offset of its clock [ns]."""

    stream: Stream
    was_ns: int | None
    becomes_ns: int


@dataclass(frozen=True, slots=True)
class OffsetProposal:
    """Offsets of some nodes. ``left_out``: messages that can have none, each with the reason.

    ``idle``: where other offsets would gain nothing, network and node; they are not proposed.
    """

    nodes: tuple[str, ...]
    changes: tuple[OffsetChange, ...]
    left_out: tuple[tuple[Stream, str], ...]
    idle: tuple[tuple[str, str], ...] = ()


def propose_offsets(
    vehicle: Vehicle,
    nodes: Sequence[str],
    *,
    networks: Collection[str] | None = None,
    tick_ns: int = TICK_NS,
) -> OffsetProposal:
    """Offsets in whole ticks [ns] for what these nodes send (on the named networks).

    :class:`UsageError` for a node that the plan has not.
    """
    for name in nodes:
        if name not in vehicle.nodes:
            known = suggestion(name, vehicle.nodes, "node")
            raise UsageError(f'there is no node "{name}"{known}')
    changes: list[OffsetChange] = []
    left_out: list[tuple[Stream, str]] = []
    for name in dict.fromkeys(nodes):
        for network in vehicle.nodes[name].on:
            if networks is not None and network not in networks:
                continue
            streams = [s for s in vehicle.on(network) if s.node == name]
            unfit = [(s, reason) for s in streams if (reason := _unfit(vehicle, s))]
            left_out += unfit
            out = {s.label for s, _ in unfit}
            fit = [s for s in streams if s.label not in out]
            for stream, offset in zip(fit, _spread(vehicle, fit, tick_ns), strict=True):
                if stream.offset_ns != offset:
                    changes.append(OffsetChange(stream, stream.offset_ns, offset))
    return OffsetProposal(tuple(dict.fromkeys(nodes)), tuple(changes), tuple(left_out))


def _unfit(vehicle: Vehicle, stream: Stream) -> str:
    """Why a message gets no offset."""
    if vehicle.nodes[stream.node].part.queue == "fifo":
        return "its node queues first-in-first-out, where nothing is gained that can be proven"
    if stream.via is not None:
        return "a gateway passes it on"
    if stream.event:
        return "it is sent on event"
    if stream.cycle is None or stream.cycle.ns <= 0:
        return "nobody states its period"
    if session_of(vehicle, stream) is not None or frames_of(stream.message)[1] > 1:
        return "it is sent in several frames"
    return ""


def _spread(vehicle: Vehicle, streams: Sequence[Stream], tick_ns: int) -> list[int]:
    """An offset [ns] for each message of one node on one network."""
    found = [0] * len(streams)
    placed: list[int] = []
    periods = [s.cycle.ns if s.cycle else 0 for s in streams]
    frames = [_frame_ns(vehicle, s) for s in streams]
    for i in sorted(range(len(streams)), key=lambda i: (periods[i], -frames[i])):
        slots = np.arange(min(max(periods[i] // tick_ns, 1), MOST_SLOTS), dtype=np.int64) * tick_ns
        nearest = np.full(len(slots), periods[i], np.int64)
        crowding = np.zeros(len(slots))
        for k in placed:
            # Two periods meet at every distance that differs by their greatest common divisor.
            common = gcd(periods[i], periods[k])
            ahead = (slots - found[k]) % common
            apart = np.minimum(ahead, common - ahead)
            nearest = np.minimum(nearest, apart)
            crowding += frames[k] / (apart + tick_ns)
        best = np.flatnonzero(nearest == nearest.max())
        found[i] = int(slots[best[np.argmin(crowding[best])]])
        placed.append(i)
    return found


def _frame_ns(vehicle: Vehicle, stream: Stream) -> int:
    network = vehicle.networks[stream.network]
    bits = message_bits(stream.message)[1]
    return duration_ns(bits, network.bit_rate, network.data_bit_rate)
