"""Feeds laid out as flat arrays, ready for the compiled event loop.

The rules of this file: streams are ordered by network, then by arbitration; every stream owns a
stretch ``first[s]:first[s + 1]`` of the arrays over instances, as long as its source has frames.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import I32, I64, U8
from busplan.frames.kinds import BRS, EXTENDED, FD
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network, arbitration_rank
from busplan.timing.simulation_gates import gates_of
from busplan.timing.simulation_input import BitCount, Faults, Feed
from busplan.wire.lengths import INTERMISSION, durations_ns, wire_length


class Setup(NamedTuple):
    """Input of the event loop: of S streams on M networks, times in nanoseconds.

    * ``network_first`` ``(M+1,)``: streams of each network; ``network_of`` ``(S,)``;
    * ``first`` ``(S+1,)``: each stream's instances in ``due``, ``queued`` and ``duration``;
      ``known`` ``(S,)``: how many of them are known. Forwarded streams start with none; theirs are
      written and counted as their source's frames arrive;
    * ``queue_of`` ``(S,)``: number of the first-in-first-out queue, -1 for a queue by priority;
      ``queue_first``: room for each such queue;
    * ``overwrite`` ``(S,)``: a new instance takes the place of a waiting one;
    * ``forward_first`` ``(S+1,)``, ``forward_to``, ``forward_delay``: where each frame goes on to;
      ``chain_first`` ``(S,)``: -1, or where a forwarded stream notes, for each of its frames, the
      number of the instance (``chain_root``) and the output row (``chain_parent``) it came from;
    * ``gate_first`` ``(S,)``: -1, or where the last frame of a session notes, for each instance, in
      ``gate_to`` the stream (-1: none) whose next instance is queued ``gate_delay`` ``(S,)`` later,
      or at its own time if that comes after; such instances do not count as known before;
    * ``fault_first`` ``(M+1,)``, ``fault_at``, ``fault_busy``: faults of each network in time order
      and how long the wire is taken from each on;
    * ``intermission`` ``(M,)``: which no fault can break.
    """

    network_first: I64
    network_of: I32
    first: I64
    known: I64
    due: I64
    queued: I64
    duration: I32
    queue_of: I64
    queue_first: I64
    overwrite: npt.NDArray[np.bool_]
    forward_first: I64
    forward_to: I64
    forward_delay: I64
    chain_first: I64
    chain_root: I64
    chain_parent: I64
    gate_first: I64
    gate_to: I64
    gate_delay: I64
    fault_first: I64
    fault_at: I64
    fault_busy: I64
    intermission: I64


class Record(NamedTuple):
    """Output of the event loop.

    One row a frame in order of its end, one row an error frame (network, end), ``replaced``
    ``(S,)`` counts, and ``busy`` ``(M,)`` time the wire was in use. ``instance`` numbers the frame
    among those of the stream it started from; ``attempts`` stays at 65535 beyond that; ``parent``
    is empty when nothing is forwarded.
    """

    stream: I32
    instance: I32
    due: I64
    queued: I64
    start: I64
    end: I64
    attempts: npt.NDArray[np.uint16]
    parent: I64
    error_network: I32
    error_end: I64
    replaced: I64
    busy: I64


@dataclass(frozen=True, eq=False)
class Cargo:
    """What the frames of each feed look like, ``(S,)`` each, in the order of the feeds given.

    The payload of instance k stands at ``start + k * length`` of ``payload``.
    """

    network: npt.NDArray[np.uint16]
    identifier: npt.NDArray[np.uint32]
    flags: U8
    length: U8
    start: I64
    payload: U8


def intermission_ns(network: Network) -> int:
    """Duration of the intermission on a network [ns]."""
    return -(-INTERMISSION * 10**9 // network.bit_rate)


def cargo_of(networks: Sequence[Network], feeds: Sequence[Feed]) -> Cargo:
    """Payloads of all feeds, evaluated, and the frames they go into.

    Raises ``ValueError`` for a network, a forwarded stream or a payload that cannot be.
    """
    names = {n.name: i for i, n in enumerate(networks)}
    for feed in feeds:
        if feed.stream.network not in names:
            raise ValueError(f"{feed.stream.label}: no network {feed.stream.network!r} to send on")
    roots = roots_of(sources_of(feeds))
    blocks = [
        _payload_block(f, feeds[r].queued_ns) if r == i or f.payloads is not None else None
        for i, (f, r) in enumerate(zip(feeds, roots, strict=True))
    ]
    holders = [r if blocks[i] is None else i for i, r in enumerate(roots)]
    sizes = [0 if b is None else b.size for b in blocks]
    start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    messages = [f.stream.message for f in feeds]
    flags = [
        (EXTENDED if m.extended else 0)
        | (FD if m.fd else 0)
        | (BRS if m.fd and m.bit_rate_switch else 0)
        for m in messages
    ]
    return Cargo(
        np.array([names[f.stream.network] for f in feeds], np.uint16),
        np.array([m.identifier for m in messages], np.uint32),
        np.array(flags, np.uint8),
        np.array([_width(blocks[h]) for h in holders], np.uint8),
        start[holders],
        np.concatenate([np.empty(0, np.uint8), *(b.reshape(-1) for b in blocks if b is not None)]),
    )


def lay_out(
    networks: Sequence[Network],
    feeds: Sequence[Feed],
    cargo: Cargo,
    faults: Mapping[str, Faults],
    bits: BitCount,
) -> tuple[Setup, I64]:
    """The event loop's input, and which feed each of its streams is, shape ``(S,)``."""
    ranks = [arbitration_rank(f.stream.message) for f in feeds]
    place = np.array(
        sorted(range(len(feeds)), key=lambda i: (cargo.network[i], ranks[i])), np.int64
    )
    ordered = [feeds[i] for i in place]
    network_of = cargo.network[place].astype(np.int32)
    sources = sources_of(ordered)
    counts = [len(ordered[r].queued_ns) for r in roots_of(sources)]
    first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    due, queued = np.zeros(int(first[-1]), np.int64), np.zeros(int(first[-1]), np.int64)
    duration = np.zeros(int(first[-1]), np.int32)
    for s, feed in enumerate(ordered):
        mine = slice(int(first[s]), int(first[s + 1]))
        if sources[s] < 0:
            due[mine], queued[mine] = feed.due_ns, feed.queued_ns
        duration[mine] = _durations(networks[network_of[s]], cargo, int(place[s]), counts[s], bits)
    forwarded = [s for s in range(len(ordered)) if sources[s] >= 0]
    targets: list[list[int]] = [[] for _ in ordered]
    for t in forwarded:
        targets[sources[t]].append(t)
    forward_to = np.array([t for some in targets for t in some], np.int64)
    chain_first = np.full(len(ordered), -1, np.int64)
    room = 0
    for s in forwarded:
        chain_first[s] = room
        room += counts[s]
    queue_of, queue_first = _fifo_queues(ordered, counts)
    gates = gates_of(ordered)
    known = np.where(sources < 0, counts, 0).astype(np.int64)
    for stream, released in gates.known.items():
        known[stream] = released
    fault_first, fault_at, fault_busy = _fault_columns(networks, faults)
    setup = Setup(
        network_first=np.searchsorted(network_of, np.arange(len(networks) + 1)).astype(np.int64),
        network_of=network_of,
        first=first,
        known=known,
        due=due,
        queued=queued,
        duration=duration,
        queue_of=queue_of,
        queue_first=queue_first,
        overwrite=np.array([f.overwrite for f in ordered], np.bool_),
        forward_first=np.concatenate([[0], np.cumsum([len(t) for t in targets])]).astype(np.int64),
        forward_to=forward_to,
        forward_delay=np.array([ordered[t].delay_ns for t in forward_to], np.int64),
        chain_first=chain_first,
        chain_root=np.empty(room, np.int64),
        chain_parent=np.empty(room, np.int64),
        gate_first=gates.first,
        gate_to=gates.to,
        gate_delay=np.array([f.pause_ns for f in ordered], np.int64),
        fault_first=fault_first,
        fault_at=fault_at,
        fault_busy=fault_busy,
        intermission=np.array([intermission_ns(n) for n in networks], np.int64),
    )
    return setup, place


def blank_record(setup: Setup) -> Record:
    """Room for everything that could happen."""
    frames, faults = int(setup.first[-1]), len(setup.fault_at)
    return Record(
        stream=np.empty(frames, np.int32),
        instance=np.empty(frames, np.int32),
        due=np.empty(frames, np.int64),
        queued=np.empty(frames, np.int64),
        start=np.empty(frames, np.int64),
        end=np.empty(frames, np.int64),
        attempts=np.empty(frames, np.uint16),
        parent=np.empty(frames if len(setup.chain_root) else 0, np.int64),
        error_network=np.empty(faults, np.int32),
        error_end=np.empty(faults, np.int64),
        replaced=np.zeros(len(setup.known), np.int64),
        busy=np.zeros(len(setup.intermission), np.int64),
    )


def sources_of(feeds: Sequence[Feed]) -> I64:
    """Index of the feed that each forwarded feed repeats; -1 for those with times of their own."""
    labels = {f.stream.label: i for i, f in enumerate(feeds)}
    sources = np.full(len(feeds), -1, np.int64)
    for i, feed in enumerate(feeds):
        if feed.forwards is not None:
            if feed.forwards not in labels:
                raise ValueError(f"{feed.stream.label}: nobody sends {feed.forwards!r} to forward")
            sources[i] = labels[feed.forwards]
    return sources


def roots_of(sources: I64) -> list[int]:
    """For each feed the one at the start of its chain of gateways, itself if it is none's copy."""
    roots = np.arange(len(sources))
    for _ in range(len(sources)):
        roots = np.where(sources[roots] >= 0, sources[roots], roots)
    if len(sources) and (sources[roots] >= 0).any():
        raise ValueError("gateways forward a stream in a circle")
    return [int(r) for r in roots]


def _width(block: U8 | None) -> int:
    return 0 if block is None else block.shape[1]


def _payload_block(feed: Feed, times_ns: I64) -> U8:
    message, n = feed.stream.message, len(times_ns)
    if feed.payloads is None:
        return np.zeros((n, wire_length(message.length, fd=message.fd)), np.uint8)
    given = np.asarray(feed.payloads(times_ns), np.uint8)
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


def _durations(network: Network, cargo: Cargo, feed: int, count: int, bits: BitCount) -> I64 | int:
    """Time on the wire of each instance of a feed [ns]."""
    length = cargo.length[feed]
    frames = FrameTable(
        networks=(network.name,),
        time_ns=np.zeros(count, np.int64),
        network=np.zeros(count, np.uint16),
        identifier=np.full(count, cargo.identifier[feed]),
        flags=np.full(count, cargo.flags[feed]),
        length=np.full(count, length),
        start=cargo.start[feed] + np.arange(count) * np.int64(length),
        payload=cargo.payload,
    )
    return durations_ns(*bits(frames), network.bit_rate, network.data_bit_rate)


def _fifo_queues(feeds: Sequence[Feed], counts: Sequence[int]) -> tuple[I64, I64]:
    """Queue number of each feed (-1: by priority) and the room each queue needs."""
    numbers: dict[tuple[str, str], int] = {}
    rooms: list[int] = []
    queue_of = np.full(len(feeds), -1, np.int64)
    for s, feed in enumerate(feeds):
        if feed.fifo:
            number = numbers.setdefault((feed.stream.network, feed.stream.node), len(numbers))
            rooms.extend([0] * (number + 1 - len(rooms)))
            rooms[number] += counts[s]
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
