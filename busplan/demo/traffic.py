"""From a scene to frames: the streams of the vehicle through the bus simulation, faults planted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from busplan.definitions.model import Message, Origin, Stated
from busplan.demo.scenes import Scene
from busplan.demo.scripts import payloads
from busplan.frames.columns import I64, U8
from busplan.frames.table import FrameTable
from busplan.plan.select import select_streams
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.simulation import Faults, Feed, Payloads, simulate
from busplan.timing.simulation_feeds import feeds_of, release_times
from busplan.wire.exact import exact_bits

DRIFT_PPM = 40.0
"""How far the nodes' clocks may be off; common practice for crystal clocks, no source."""
TIME_STEP_NS = 1_000
"""Time stamps of the recording device count whole microseconds."""
TWIN_DRIFT = 60e-6
"""How much faster the second sender of an identifier runs, so that the two meet halfway."""
MEETING_NS = 300_000
"""Closer than this, two senders of one identifier were waiting for the same frame to end, start
together and destroy each other's frame."""
ERROR_FRAME_BITS = 6 + 6 + 8 + 3
"""Two error flags one after the other, delimiter, intermission (ISO 11898-1)."""


def make_traffic(vehicle: Vehicle, scene: Scene, seed: int, start_ns: int) -> FrameTable:
    """All frames of a scene, in order of time, networks by their names in the plan.

    ``start_ns`` is the moment of the scene's start in nanoseconds since 1970.
    """
    span = round(scene.duration_s * 1e9)
    vehicle = replace(vehicle, streams=_streams(vehicle, scene))
    feeds = feeds_of(
        vehicle,
        span,
        seed=seed,
        networks=scene.networks,
        payloads=lambda stream, times: payloads(scene, stream, times, seed),
        drift_ppm=DRIFT_PPM,
    )
    feeds = tuple(_with_faults(feed, scene) for feed in feeds)
    feeds, meetings = _twins(feeds, span)
    feeds += tuple(_unknown_feeds(scene, span, seed))
    run = simulate(
        [n for n in vehicle.networks.values() if n.name in scene.networks],
        feeds,
        until_ns=span,
        faults=meetings,
        bits=exact_bits,
    )
    frames = run.frames(start_ns=start_ns)
    return replace(frames, time_ns=frames.time_ns // TIME_STEP_NS * TIME_STEP_NS)


def _streams(vehicle: Vehicle, scene: Scene) -> tuple[Stream, ...]:
    """The streams that are on the air, with the periods really kept."""
    streams: tuple[Stream, ...] = vehicle.streams
    if scene.messages:
        streams = select_streams(vehicle, scene.messages)
    if scene.nodes:
        streams = tuple(s for s in streams if s.node in scene.nodes)
    cycles = scene.planted.cycle_ms
    return tuple(
        replace(s, cycle=Stated(round(cycles[s.label] * 1e6), Origin.MEASURED))
        if s.label in cycles
        else s
        for s in streams
    )


def _with_faults(feed: Feed, scene: Scene) -> Feed:
    """A feed without the frames its silent node leaves out, and with some of its frames late."""
    stream = feed.stream
    due, queued = feed.due_ns, feed.queued_ns
    if span := scene.planted.silent.get(f"{stream.network}/{stream.node}"):
        keep = (due < span[0] * 1e9) | (due >= span[1] * 1e9)
        due, queued = due[keep], queued[keep]
    if late := scene.planted.late.get(stream.label):
        queued = queued.copy()
        queued[late_frames(due, late[0])] += round(late[1] * 1e9)
    return replace(feed, due_ns=due, queued_ns=queued)


def late_frames(due_ns: I64, every_s: float) -> I64:
    """Rows of the frames that are late: the first one due in each span of ``every_s`` but one."""
    number = due_ns // round(every_s * 1e9)
    return np.flatnonzero(np.diff(number, prepend=0) > 0)


def _twins(feeds: tuple[Feed, ...], span_ns: int) -> tuple[tuple[Feed, ...], Mapping[str, Faults]]:
    """Senders that share an identifier: their clocks drift past each other, and they collide."""
    first: dict[object, Feed] = {}
    result: list[Feed] = []
    meetings: dict[str, list[I64]] = {}
    for feed in feeds:
        twin = first.setdefault(feed.stream.key, feed)
        if twin is not feed:
            slip = np.rint((feed.due_ns - span_ns / 2) * TWIN_DRIFT).astype(np.int64)
            n = min(len(twin.due_ns), len(feed.due_ns))
            due = np.maximum(twin.due_ns[:n] + slip[:n], 0)
            feed = replace(feed, due_ns=due, queued_ns=due)
            together = np.abs(due - twin.due_ns[:n]) < MEETING_NS
            at = np.maximum(due, twin.due_ns[:n])[together] + MEETING_NS
            meetings.setdefault(feed.stream.network, []).append(at)
        result.append(feed)
    faults = {}
    for network, times in meetings.items():
        at = np.unique(np.concatenate(times))
        faults[network] = Faults(at, np.full(len(at), ERROR_FRAME_BITS, np.int64))
    return tuple(result), faults


def _always(data: U8) -> Payloads:
    """Payloads that never change."""
    return lambda times: np.tile(data, (len(times), 1))


def _unknown_feeds(scene: Scene, span_ns: int, seed: int) -> list[Feed]:
    """Frames under identifiers that no definition knows, with bytes that tell nothing."""
    feeds = []
    for network, node, identifier, period_ms in scene.planted.unknown:
        message = Message(f"0x{identifier:08X}", identifier, True, 8)
        cycle = Stated(round(period_ms * 1e6), Origin.ASSUMED)
        stream = Stream(network, node, message, cycle, cycle)
        due, queued = release_times(stream, span_ns, seed=seed, drift_ppm=DRIFT_PPM)
        data = np.random.default_rng([seed, identifier]).integers(0, 256, 8).astype(np.uint8)
        feeds.append(Feed(stream, due, queued, _always(data)))
    return feeds
