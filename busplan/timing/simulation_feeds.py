"""Feeds for the bus simulation from a vehicle: when every node queues its frames.

The rules of this file: each stream and each node draws from a random generator of its own, seeded
by the run's seed and its name, so that changing one part of a plan leaves the rest as it was.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from functools import partial
from zlib import crc32

import numpy as np

from busplan.frames.columns import I64, U8
from busplan.plan.carrying import forwarded_source
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.session_feeds import MOST_FRAMES, session_feeds, single_frame
from busplan.timing.sessions import no_known_way, session_of
from busplan.timing.simulation import Faults, Feed
from busplan.wire.lengths import INTERMISSION, frames_of

StreamPayloads = Callable[[Stream, I64], U8]
"""A stream and the times its frames are queued [ns], shape ``(n,)`` → payloads ``(n, length)``."""


def feeds_of(
    vehicle: Vehicle,
    span_ns: int,
    *,
    seed: int = 0,
    networks: Collection[str] | None = None,
    payloads: StreamPayloads | None = None,
    drift_ppm: float = 0.0,
    overwrite: bool = False,
) -> tuple[Feed, ...]:
    """One feed for each stream of the vehicle (of the named networks) that has a cycle time.

    Nodes are not synchronised: each starts at a random phase, and its clock runs fast or slow by up
    to ``drift_ppm`` [ppm]. Within a node, stated offsets hold; a stream without one gets a random
    offset. Jitter is uniform. Event-driven streams keep their least distance and wait on average
    as long again. Streams that a gateway forwards as they arrive follow their source; they are left
    out when that source is. What it sends on two networks is queued on both at once, its delay
    apart. So are those that :func:`left_out` names. A message too long for one frame is one
    feed a frame (:mod:`busplan.timing.session_feeds`).
    """
    missing = {s.label for s, _ in left_out(vehicle)}
    chosen = [
        s
        for s in vehicle.streams
        if (networks is None or s.network in networks) and s.label not in missing
    ]
    routes = {r.name: r for r in vehicle.routes}
    feeds = []
    for stream in chosen:
        fifo = queues_fifo(vehicle, stream.node)
        route = routes.get(stream.via) if stream.via else None
        source = forwarded_source(vehicle.streams, stream, route) if route else None
        if stream.forwarded:
            if route and source in chosen:
                feeds.append(
                    Feed(
                        stream,
                        fifo=fifo,
                        overwrite=overwrite,
                        forwards=source.label,
                        delay_ns=route.delay_ns,
                    )
                )
            continue
        copied = source if stream.sent_by == "copy" and source is not None else stream
        due, queued = release_times(copied, span_ns, seed=seed, drift_ppm=drift_ppm)
        if route is not None:
            due, queued = due + route.delay_ns, queued + route.delay_ns
        whole = _bound(payloads, stream)
        session = session_of(vehicle, stream)
        if session is not None:
            feeds += session_feeds(session, due, queued, whole, partial(queues_fifo, vehicle))
            continue
        if stream.message.segmented is not None:
            whole = partial(single_frame, stream.message, whole)
        feeds.append(Feed(stream, due, queued, whole, fifo, overwrite))
    return tuple(feeds)


def queues_fifo(vehicle: Vehicle, node: str) -> bool:
    """Whether a node of this name queues first-in-first-out; one that nobody knows does not."""
    return node in vehicle.nodes and vehicle.nodes[node].part.queue == "fifo"


def _bound(payloads: StreamPayloads | None, stream: Stream) -> Callable[[I64], U8] | None:
    return None if payloads is None else partial(payloads, stream)


def left_out(vehicle: Vehicle) -> tuple[tuple[Stream, str], ...]:
    """Streams that cannot be simulated, each with the reason."""
    found = []
    for stream in vehicle.streams:
        frames = frames_of(stream.message)[1]
        if no_known_way(stream.message):
            most = 64 if stream.message.fd else 8
            found.append((stream, f"longer than {most} bytes, and nobody says how it is sent"))
        elif frames > 1 and stream.via is not None:
            found.append((stream, "a gateway passes it on in several frames"))
        elif frames > MOST_FRAMES:
            found.append((stream, f"it takes {frames:,} frames"))
        elif stream.cycle is None and not stream.forwarded:
            found.append((stream, "nobody states a cycle time"))
    return tuple(found)


def release_times(
    stream: Stream, span_ns: int, *, seed: int = 0, drift_ppm: float = 0.0
) -> tuple[I64, I64]:
    """When the frames of one stream are due and queued within ``[0, span_ns)``, both ``(n,)``.

    Raises ``ValueError`` for a stream without a cycle time.
    """
    if stream.cycle is None:
        raise ValueError(f"{stream.label} has no cycle time")
    node = _generator(seed, stream.node)
    phase, drift = node.random(), node.uniform(-drift_ppm, drift_ppm) * 1e-6
    own = _generator(seed, stream.label)
    period = stream.cycle.ns
    offset = own.random() * period
    if stream.event:
        gaps = period + own.exponential(period, size=span_ns // period + 1)
        due = np.floor(offset + np.cumsum(gaps) - gaps[0]).astype(np.int64)
    else:
        steps = np.arange(span_ns // period + 2, dtype=np.int64)
        if stream.offset_ns is None:
            due = int(offset) + steps * period
            due += np.floor(steps * (period * drift)).astype(np.int64)
        else:
            # By the node's clock, which shows 0 at the moment ``start``.
            start = math.floor(phase * 1e9)
            clock = stream.offset_ns + (steps - (start + stream.offset_ns) // period) * period
            due = start + clock + np.floor(clock * drift).astype(np.int64)
    due = due[(due >= 0) & (due < span_ns)]
    late = own.integers(0, stream.jitter_ns, size=len(due), endpoint=True)
    return due, np.maximum.accumulate(due + late)


def random_faults(network: str, rate: float, span_ns: int, *, seed: int = 0) -> Faults:
    """Faults at random moments, on average ``rate`` [1/s] and never closer than half their mean
    distance, each with an error frame of 17 to 23 bits.

    Error flag 6 bits, up to 6 more while other nodes answer, delimiter 8, intermission 3
    (ISO 11898-1, all nodes error-active). Raises ``ValueError`` for a negative rate.
    """
    if rate < 0:
        raise ValueError(f"faults come at a rate of at least 0 a second, not {rate}")
    random = _generator(seed, f"faults on {network}")
    least = least_fault_distance_ns(rate)
    count = 0 if least is None else span_ns // least + 1
    gaps = (least or 0) + np.floor(random.exponential(least or 0, size=count)).astype(np.int64)
    at = np.cumsum(gaps)
    at = at[at < span_ns]
    return Faults(at, 6 + 8 + INTERMISSION + random.integers(0, 6, size=len(at), endpoint=True))


def least_fault_distance_ns(rate: float) -> int | None:
    """The least distance [ns] that :func:`random_faults` keeps; ``None`` for no faults."""
    return math.floor(0.5e9 / rate) if rate > 0 else None


def _generator(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([seed, crc32(name.encode())])
