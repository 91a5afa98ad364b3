"""The critical instant: the pattern of releases that response-time analysis takes for the worst.

For one message on its network: just after the longest frame of lower priority has started, the
message and everything more urgent is queued at once, each having used up its jitter, and from then
on is queued as early as its period allows (Davis et al. 2007, section 3; from memory). A message in
a first-in-first-out queue comes last of all that its node queues in that moment. Frames are as long
as they can be. What a node sends at stated offsets keeps them: of all moments of its clock the one
is played from which it queues most while the message waits, for the message's own node the one at
which the message is queued.

Bus errors come as close to each other as they may, each in the last bit that an error can break of
one of the longest frames that go before the message, or of the message itself. The analysis counts
the whole frame and its intermission as lost, so such a run stays three bits an error below it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import lcm

import numpy as np

from busplan.definitions.model import Origin, Stated
from busplan.frames.columns import I64
from busplan.plan.vehicle import Stream, Vehicle, arbitration_rank
from busplan.timing.clocks import in_rhythm
from busplan.timing.queue_model import ONE_OFF_NS, queue_model
from busplan.timing.sessions import no_known_way, session_of
from busplan.timing.simulation import Faults, Feed, Simulation, simulate
from busplan.timing.simulation_feeds import queues_fifo
from busplan.timing.simulation_setup import intermission_ns
from busplan.timing.solving import solve
from busplan.wire.lengths import (
    ERROR_BITS_WORST,
    duration_ns,
    frames_of,
    message_bits,
    worst_table_bits,
)

LONGEST_CLOCK_NS = 10 * 10**9
MOST_MOMENTS = 2_000
"""So much of a node's clock, and so many moments for each message, are searched for the worst."""


@dataclass(frozen=True, eq=False)
class CriticalRun:
    """The simulated critical instant of one message and the longest response it gave [ns]."""

    stream: Stream
    simulation: Simulation
    response_ns: int


def critical_instant(
    vehicle: Vehicle,
    stream: Stream,
    span_ns: int,
    *,
    inherited_ns: Mapping[str, int] | None = None,
    fault_every_ns: int | None = None,
) -> CriticalRun:
    """Play the critical instant of ``stream`` for ``span_ns`` from the moment of queueing on.

    ``inherited_ns`` is the jitter [ns] that forwarded messages bring along, by label; it delays
    their release, and counts as part of the gateway's time, not of the message's response.
    ``fault_every_ns`` is the least distance [ns] of two bus errors, ``None`` for none at all.
    Raises ``ValueError`` when the stream has no cycle time.
    """
    if stream.cycle is None:
        raise ValueError(f"{stream.label} has no cycle time")
    network = vehicle.networks[stream.network]
    rivals = _rivals(vehicle, stream, fault_every_ns or 0, inherited_ns or {})
    others = [s for s, _ in rivals]
    at_once = {s.label: count for s, count in rivals}
    fifo = {s.label: queues_fifo(vehicle, s.node) for s in [*others, stream]}
    own_queue = [s for s in others if fifo[stream.label] and s.node == stream.node]
    lowest = max(arbitration_rank(s.message) for s in [stream, *own_queue])
    inherited = inherited_ns or {}
    together = 2 + max(s.jitter_ns + inherited.get(s.label, 0) for s in [stream, *others])
    urgent = [s for s in [stream, *others] if arbitration_rank(s.message) <= lowest]
    in_step = _in_step(vehicle, stream, urgent, fault_every_ns or 0, inherited)

    def feed(sent: Stream, start_ns: int) -> Feed:
        arrived = inherited.get(sent.label, 0)
        period = sent.cycle.ns if sent.cycle is not None else span_ns + together
        steps = np.arange(span_ns // period + 2 + (arrived + sent.jitter_ns) // period)
        first = in_step.get(sent.label, -sent.jitter_ns - arrived)
        event = start_ns + first + steps.astype(np.int64) * period
        queued = np.maximum(event, start_ns)
        keep = queued < start_ns + span_ns
        # A frame that was late at the gateway is due only when it has arrived there.
        due = np.minimum(event + arrived, queued)
        count = at_once.get(sent.label, 1)
        due, queued = np.repeat(due[keep], count), np.repeat(queued[keep], count)
        return Feed(sent, due, queued, fifo=fifo[sent.label])

    feeds = [feed(stream, together)]
    blockers = []
    for other in others:
        if arbitration_rank(other.message) > lowest:
            blockers.append(other)
        else:
            feeds.append(feed(other, together - 1 if other in own_queue else together))
    n_urgent = len(feeds)
    if blockers:
        longest = max(blockers, key=lambda s: _frame_ns(vehicle, s))
        at = np.array([together - 2], np.int64)
        feeds.append(Feed(longest, at, at))
    run = simulate([network], feeds, bits=worst_table_bits)
    faults: list[int] = []
    while fault_every_ns is not None:
        moment = _next_fault(run, n_urgent, faults[-1] + fault_every_ns if faults else 0)
        if moment is None:
            break
        faults.append(moment)
        broken = Faults(np.array(faults), np.full(len(faults), ERROR_BITS_WORST))
        run = simulate([network], feeds, faults={network.name: broken}, bits=worst_table_bits)
    return CriticalRun(stream, run, int(run.response_ns[run.rows_of(0)].max()))


def _in_step(
    vehicle: Vehicle,
    stream: Stream,
    urgent: Sequence[Stream],
    faults: int,
    inherited_ns: Mapping[str, int],
) -> dict[str, int]:
    """The first event [ns], counted from the critical instant, of what is sent at stated offsets,
    by label; it may be queued no earlier than that instant."""
    nodes: dict[str, list[Stream]] = {}
    for sent in urgent:
        if in_rhythm(sent) and not queues_fifo(vehicle, sent.node):
            nodes.setdefault(sent.node, []).append(sent)
    if not nodes:
        return {}
    model = queue_model(vehicle, stream.network, inherited_ns=inherited_ns)
    place = next(i for i in model.messages if model.streams[i].label == stream.label)
    window = max(solve(model, fault_every=faults).window[place], 0) + model.bit
    found: dict[str, int] = {}
    for members in nodes.values():
        own = [m for m in members if m is stream]
        starts = _moments(own or members)
        work = np.zeros(len(starts), np.int64)
        for m in members:
            begin, period = _clock(m)
            if m is not stream:
                upto = -((begin - starts - window) // period)
                count = upto + (begin - starts + m.jitter_ns) // period
                work += count * _frame_ns(vehicle, m)
        start = int(starts[np.argmax(work)])
        for m in members:
            begin, period = _clock(m)
            found[m.label] = (begin - start + m.jitter_ns) % period - m.jitter_ns
    return found


def _moments(members: Sequence[Stream]) -> I64:
    """Moments of a clock at which one of these can be queued last, some thousand at most."""
    span = min(lcm(*(_clock(m)[1] for m in members)), LONGEST_CLOCK_NS)
    moments = [
        np.arange(begin, begin + max(span, period), period, dtype=np.int64)[:MOST_MOMENTS]
        + m.jitter_ns
        for m in members
        for begin, period in [_clock(m)]
    ]
    return np.concatenate(moments)


def _clock(stream: Stream) -> tuple[int, int]:
    """Offset and period [ns] of what is sent in a rhythm."""
    assert stream.offset_ns is not None
    assert stream.cycle is not None
    return stream.offset_ns, stream.cycle.ns


def _next_fault(run: Simulation, n_urgent: int, earliest_ns: int) -> int | None:
    """When an error hurts the first feed most, from a time on: at the end of the first of the
    longest frames that are sent no later than its slowest one; ``None`` when it has gone by then.
    """
    own = run.rows_of(0)
    last = run.end_ns[own[np.argmax(run.response_ns[own])]]
    moment = run.end_ns - intermission_ns(run.networks[0]) - 1
    can = (run.feed < n_urgent) & (moment >= earliest_ns) & (run.end_ns <= last)
    if not can.any():
        return None
    length = np.where(can, run.end_ns - run.start_ns, 0)
    return int(moment[np.argmax(length)])


def _rivals(
    vehicle: Vehicle, stream: Stream, faults: int, inherited_ns: Mapping[str, int]
) -> list[tuple[Stream, int]]:
    """What delays a message: other messages, sessions as their parts, and how many frames of each
    come at once. Messages that nobody knows how to send in parts are left out."""
    found = []
    for other in vehicle.on(stream.network):
        if other.label == stream.label or no_known_way(other.message):
            continue
        if session_of(vehicle, other) is None:
            one = frames_of(other.message)[0]
            found.append((other if one is other.message else replace(other, message=one), 1))
    model = queue_model(vehicle, stream.network, inherited_ns=inherited_ns)
    if not model.sessions:
        return found
    solved = solve(model, fault_every=faults)
    for k, inside in enumerate(model.part):
        if inside:
            cycle = None
            if solved.period[k] < ONE_OFF_NS:
                cycle = Stated(solved.period[k], Origin.PLAN)
            at_once = solved.frame[k] // model.single[k]
            found.append((replace(model.streams[k], cycle=cycle), at_once))
    return found


def _frame_ns(vehicle: Vehicle, stream: Stream) -> int:
    network = vehicle.networks[stream.network]
    return duration_ns(message_bits(stream.message)[1], network.bit_rate, network.data_bit_rate)
