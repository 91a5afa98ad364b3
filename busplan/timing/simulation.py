"""Bus simulation: who is on the wire when, on all networks of a vehicle at once.

The rules of this file:

* A frame is *due* (its event happens), then *queued* at most the jitter later, then *starts* and
  *ends*. All times are integer nanoseconds from the start of the simulation. A frame ends with its
  intermission, as response-time analysis counts it; a capture shows the end of the frame itself.
* Whenever a wire falls idle, everything queued by that moment takes part in arbitration; the most
  urgent identifier wins, and equal identifiers are sent in the order of the feeds (the two senders
  never meet on the wire, which would destroy both frames).
* A node's queue is by priority (all its messages take part in arbitration) or first-in-first-out
  (only its oldest). Frames of one feed never overtake each other.
* Without ``overwrite`` every queued instance is sent, however late, as the analysis assumes. With
  it a new instance takes the place (also in a first-in-first-out queue) of one that still waits;
  the older one is lost and counted in ``Simulation.replaced``. A frame on the wire is never
  replaced, unless a fault breaks it.
* A fault breaks the frame on the wire at that moment: an error frame follows, then the frame takes
  part in arbitration again. A fault while nothing is sent does nothing.
* A gateway queues a frame on the next network a fixed delay after it ended on the first one.
* Everything random comes from a seed; the same input gives the same output.

The event loop itself is :mod:`busplan.timing.simulation_kernel`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from busplan.capture.frames import BRS, ERROR, EXTENDED, FD, FrameTable
from busplan.plan.vehicle import Network, Stream, arbitration_rank
from busplan.wire.exact import exact_bits
from busplan.wire.lengths import (
    INTERMISSION,
    durations_ns,
    wire_length,
)

I32 = npt.NDArray[np.int32]
I64 = npt.NDArray[np.int64]
U8 = npt.NDArray[np.uint8]

Payloads = Callable[[I64], U8]
"""Times when frames are queued [ns], shape ``(n,)`` → their payloads, ``(n, length)``.

Called once a feed, so that signal scripts are vectorised. The width is the length really sent; a
CAN FD payload is padded with zeros to the next possible length.
"""

BitCount = Callable[[FrameTable], tuple[I32, I32]]
"""Arbitration and data bits of each frame of a table: :func:`exact_bits`, or for worst cases
:func:`busplan.wire.lengths.worst_table_bits`."""

ERROR_CLASS = 0x88
"""What an interface reports for an error frame: protocol violation and bus error, as class bits of
the Linux SocketCAN error frame (from memory)."""


@dataclass(frozen=True, eq=False)
class Feed:
    """One stream's frames: when each is due and queued, and what it carries.

    ``due_ns`` and ``queued_ns`` have shape ``(n,)``; ``queued_ns`` never falls. ``payloads`` may be
    ``None``: zeros. A forwarded feed names the feed it repeats by that stream's label in
    ``forwards``, is queued ``delay_ns`` after each of its frames and has no times of its own; its
    payloads are those of its source.
    """

    stream: Stream
    due_ns: I64 = field(default_factory=lambda: np.empty(0, np.int64))
    queued_ns: I64 = field(default_factory=lambda: np.empty(0, np.int64))
    payloads: Payloads | None = None
    fifo: bool = False
    overwrite: bool = False
    forwards: str | None = None
    delay_ns: int = 0


@dataclass(frozen=True, eq=False)
class Faults:
    """Disturbances of one network: when [ns], rising, and the bits of the error frame after each.

    ``bits`` counts from the fault to the next possible start of frame.
    """

    at_ns: I64
    bits: I64


@dataclass(frozen=True, eq=False)
class Simulation:
    """What happened. Columns of shape ``(n_frames,)`` in order of the end of each frame.

    * ``feed`` index into ``feeds``; ``due_ns``, ``queued_ns``, ``start_ns`` (of the last attempt),
      ``end_ns`` (intermission included); ``attempts`` 1 unless faults broke it;
    * ``parent`` row of the frame a gateway forwarded as this one, -1 for all others; such a frame
      is due when the gateway queues it, its delay after the parent ended.

    Per feed: ``replaced`` instances lost to newer ones, ``unsent`` not sent by the end of the run
    (what was queued behind the last, unfinished frame included). Per network: ``busy_ns`` [ns] on
    the wire, error frames included. Per error frame: ``error_network``, ``error_end_ns``.
    """

    networks: tuple[Network, ...]
    feeds: tuple[Feed, ...]
    feed: I32
    due_ns: I64
    queued_ns: I64
    start_ns: I64
    end_ns: I64
    attempts: I32
    parent: I64
    replaced: I64
    unsent: I64
    busy_ns: I64
    error_network: I32
    error_end_ns: I64
    _instances: FrameTable
    _row: I64

    def __len__(self) -> int:
        return len(self.feed)

    @cached_property
    def response_ns(self) -> I64:
        """From due to end of each frame, jitter included: what response-time analysis bounds."""
        return self.end_ns - self.due_ns

    def rows_of(self, feed: int) -> I64:
        """Rows of one feed's frames, in order."""
        return np.flatnonzero(self.feed == feed)

    def frames(self, *, start_ns: int = 0, errors: bool = True) -> FrameTable:
        """The frames as a recorder on every network would see them, ordered by time.

        Time stamps are the end of each frame, without its intermission, plus ``start_ns``
        (nanoseconds since 1970 make them wall-clock times; 0 an arbitrary start).
        """
        table = self._instances
        rest = np.array([_intermission_ns(n) for n in self.networks], np.int64)
        network = table.network[self._row]
        time = self.end_ns - rest[network]
        n_errors = len(self.error_network) if errors else 0

        def column(frames: npt.NDArray[np.generic], error: object) -> npt.NDArray[np.generic]:
            tail = np.broadcast_to(np.asarray(error, frames.dtype), (n_errors,))
            return np.concatenate([frames, tail])

        error_at = self.error_end_ns - rest[self.error_network]
        time = column(time, error_at if n_errors else 0).astype(np.int64) + start_ns
        order = np.argsort(time, kind="stable")
        zeros = len(table.payload)
        return FrameTable(
            table.networks,
            time[order],
            column(network, self.error_network if n_errors else 0)[order].astype(np.uint16),
            column(table.identifier[self._row], ERROR_CLASS)[order].astype(np.uint32),
            column(table.flags[self._row], ERROR)[order].astype(np.uint8),
            column(table.length[self._row], 8)[order].astype(np.uint8),
            column(table.start[self._row], zeros)[order].astype(np.int64),
            np.concatenate([table.payload, np.zeros(8 if n_errors else 0, np.uint8)]),
            epoch=start_ns > 0,
        )


def simulate(
    networks: Sequence[Network],
    feeds: Sequence[Feed],
    *,
    until_ns: int | None = None,
    faults: Mapping[str, Faults] | None = None,
    bits: BitCount = exact_bits,
) -> Simulation:
    """Send the ``feeds`` over the ``networks``.

    ``until_ns`` ends the run; frames that have not ended by then are unsent. ``None`` sends
    everything. ``bits`` says how long each frame is: exactly, unless told otherwise. Raises
    ``ValueError`` when a feed names a network or a forwarded stream that is not there, or a payload
    that no frame can carry.
    """
    from busplan.timing.simulation_kernel import NEVER, run_networks

    names = [n.name for n in networks]
    for feed in feeds:
        if feed.stream.network not in names:
            raise ValueError(f"{feed.stream.label}: no network {feed.stream.network!r} to send on")
    place = sorted(
        range(len(feeds)),
        key=lambda i: (
            names.index(feeds[i].stream.network),
            arbitration_rank(feeds[i].stream.message),
        ),
    )
    ordered = [feeds[i] for i in place]
    sources = _sources(ordered)
    counts = np.array([len(ordered[_root(sources, s)].queued_ns) for s in range(len(ordered))])
    first = np.zeros(len(ordered) + 1, np.int64)
    np.cumsum(counts, out=first[1:])
    known = np.where(sources < 0, counts, 0).astype(np.int64)
    network_of = np.array([names.index(f.stream.network) for f in ordered], np.int32)
    instances = _instances(names, ordered, sources, first, network_of)
    duration = _durations(networks, instances, bits)

    forwarded = [s for s in range(len(ordered)) if sources[s] >= 0]
    targets = [[t for t in forwarded if sources[t] == s] for s in range(len(ordered))]
    forward_first = np.zeros(len(ordered) + 1, np.int64)
    np.cumsum([len(t) for t in targets], out=forward_first[1:])
    forward_to = np.array([t for some in targets for t in some], np.int64)
    chain_first = np.full(len(ordered), -1, np.int64)
    chain_room = 0
    for s in forwarded:
        chain_first[s] = chain_room
        chain_room += int(counts[s])
    chain_root = np.empty(chain_room, np.int64)
    chain_parent = np.empty(chain_room, np.int64)

    queue_of, queue_first = _fifo_queues(ordered, counts)
    fault_first, fault_at, fault_busy = _fault_columns(networks, faults or {})
    release = instances.time_ns
    total = int(first[-1])
    out_feed, out_slot = np.empty(total, np.int32), np.empty(total, np.int64)
    out_start, out_end = np.empty(total, np.int64), np.empty(total, np.int64)
    out_attempts = np.empty(total, np.int32)
    error_network, error_at = np.empty(len(fault_at), np.int32), np.empty(len(fault_at), np.int64)
    replaced = np.zeros(len(ordered), np.int64)
    busy = np.zeros(len(networks), np.int64)
    network_first = np.searchsorted(network_of, np.arange(len(networks) + 1)).astype(np.int64)
    n, n_errors = run_networks(
        network_first,
        network_of,
        first,
        known,
        release,
        duration,
        queue_of,
        queue_first,
        np.array([f.overwrite for f in ordered], np.bool_),
        forward_first,
        forward_to,
        np.array([ordered[t].delay_ns for t in forward_to], np.int64),
        chain_first,
        chain_root,
        chain_parent,
        fault_first,
        fault_at,
        fault_busy,
        np.array([_intermission_ns(m) for m in networks], np.int64),
        NEVER - 1 if until_ns is None else until_ns,
        out_feed,
        out_slot,
        out_start,
        out_end,
        out_attempts,
        error_network,
        error_at,
        replaced,
        busy,
    )
    stream, slot = out_feed[:n], out_slot[:n]
    row = first[stream] + slot
    queued = release[row]
    due = _due(ordered, sources, first)[row]
    parent = np.full(n, -1, np.int64)
    if forwarded:
        mine = np.flatnonzero(chain_first[stream] >= 0)
        link = chain_first[stream[mine]] + slot[mine]
        parent[mine] = chain_parent[link]
        due[mine] = queued[mine]
        row[mine] = first[stream[mine]] + chain_root[link]
    given = np.asarray(place, np.int32)
    sent = np.bincount(stream, minlength=len(ordered))
    unsent = known - replaced - sent
    back = np.argsort(given)
    return Simulation(
        tuple(networks),
        tuple(feeds),
        given[stream] if n else stream,
        due,
        queued,
        out_start[:n],
        out_end[:n],
        out_attempts[:n],
        parent,
        replaced[back],
        unsent[back],
        busy,
        error_network[:n_errors],
        error_at[:n_errors],
        instances,
        row,
    )


def _due(feeds: Sequence[Feed], sources: I64, first: I64) -> I64:
    """When each instance is due; forwarded ones are left open."""
    due = np.zeros(int(first[-1]), np.int64)
    for s, feed in enumerate(feeds):
        if sources[s] < 0:
            due[first[s] : first[s + 1]] = feed.due_ns
    return due


def _intermission_ns(network: Network) -> int:
    return -(-INTERMISSION * 10**9 // network.bit_rate)


def _sources(feeds: Sequence[Feed]) -> I64:
    """Index of the feed that each forwarded feed repeats; -1 for those with times of their own."""
    labels = {f.stream.label: i for i, f in enumerate(feeds)}
    sources = np.full(len(feeds), -1, np.int64)
    for i, feed in enumerate(feeds):
        if feed.forwards is not None:
            if feed.forwards not in labels:
                raise ValueError(f"{feed.stream.label}: nobody sends {feed.forwards!r} to forward")
            sources[i] = labels[feed.forwards]
    return sources


def _root(sources: I64, feed: int) -> int:
    """The feed at the start of a chain of gateways."""
    here = feed
    for _ in range(len(sources)):
        if sources[here] < 0:
            return here
        here = int(sources[here])
    raise ValueError("gateways forward a stream in a circle")


def _instances(
    names: Sequence[str], feeds: Sequence[Feed], sources: I64, first: I64, network_of: I32
) -> FrameTable:
    """Every frame that could be sent, feed by feed; times are those of queueing."""
    total = int(first[-1])
    release = np.zeros(total, np.int64)
    lengths = np.zeros(len(feeds), np.uint8)
    starts = np.zeros(len(feeds), np.int64)
    blocks: list[U8] = []
    stored = 0
    for s, feed in enumerate(feeds):
        if sources[s] >= 0:
            continue
        block = _payload_block(feed)
        lengths[s], starts[s] = block.shape[1], stored
        stored += block.size
        blocks.append(block.reshape(-1))
        release[first[s] : first[s + 1]] = feed.queued_ns
    roots = [_root(sources, s) for s in range(len(feeds))]
    lengths, starts = lengths[roots], starts[roots]
    counts = np.diff(first)
    within = np.arange(total) - np.repeat(first[:-1], counts)
    return FrameTable(
        tuple(names),
        release,
        np.repeat(network_of, counts).astype(np.uint16),
        np.repeat(np.array([f.stream.message.identifier for f in feeds], np.uint32), counts),
        np.repeat(np.array([_flags(f) for f in feeds], np.uint8), counts),
        np.repeat(lengths, counts),
        np.repeat(starts, counts) + within * np.repeat(lengths.astype(np.int64), counts),
        np.concatenate(blocks) if blocks else np.empty(0, np.uint8),
    )


def _flags(feed: Feed) -> int:
    message = feed.stream.message
    fd = FD | (BRS if message.bit_rate_switch else 0) if message.fd else 0
    return (EXTENDED if message.extended else 0) | fd


def _payload_block(feed: Feed) -> U8:
    message, n = feed.stream.message, len(feed.queued_ns)
    if feed.payloads is None:
        return np.zeros((n, wire_length(message.length, fd=message.fd)), np.uint8)
    given = np.asarray(feed.payloads(feed.queued_ns), np.uint8)
    if given.ndim != 2 or len(given) != n:
        raise ValueError(
            f"{feed.stream.label}: payloads of shape {given.shape} for {n} frames, not (n, length)"
        )
    width = wire_length(given.shape[1], fd=message.fd)
    if width == given.shape[1]:
        return given
    padded = np.zeros((n, width), np.uint8)
    padded[:, : given.shape[1]] = given
    return padded


def _durations(networks: Sequence[Network], instances: FrameTable, bits: BitCount) -> I64:
    arbitration, data = bits(instances)
    rate = np.array([n.bit_rate for n in networks], np.int64)
    data_rate = np.array([n.data_bit_rate or n.bit_rate for n in networks], np.int64)
    return durations_ns(arbitration, data, rate[instances.network], data_rate[instances.network])


def _fifo_queues(feeds: Sequence[Feed], counts: I64) -> tuple[I64, I64]:
    """Queue number of each feed (-1: by priority) and the room each queue needs."""
    numbers: dict[tuple[str, str], int] = {}
    rooms: list[int] = []
    queue_of = np.full(len(feeds), -1, np.int64)
    for s, feed in enumerate(feeds):
        if feed.fifo:
            number = numbers.setdefault((feed.stream.network, feed.stream.node), len(numbers))
            rooms.extend([0] * (number + 1 - len(rooms)))
            rooms[number] += int(counts[s])
            queue_of[s] = number
    queue_first = np.zeros(len(rooms) + 1, np.int64)
    np.cumsum(rooms, out=queue_first[1:])
    return queue_of, queue_first


def _fault_columns(
    networks: Sequence[Network], faults: Mapping[str, Faults]
) -> tuple[I64, I64, I64]:
    none = Faults(np.empty(0, np.int64), np.empty(0, np.int64))
    per_network = [faults.get(n.name, none) for n in networks]
    fault_first = np.zeros(len(networks) + 1, np.int64)
    np.cumsum([len(f.at_ns) for f in per_network], out=fault_first[1:])
    at = [f.at_ns.astype(np.int64) for f in per_network]
    busy = [
        -(-f.bits.astype(np.int64) * 10**9 // n.bit_rate)
        for f, n in zip(per_network, networks, strict=True)
    ]
    empty = [np.empty(0, np.int64)]
    return fault_first, np.concatenate(empty + at), np.concatenate(empty + busy)
