"""Worst-case response times of the messages of one network.

The rules of this file: a response time counts from the event that makes a node queue a frame to the
end of that frame's intermission, as in the published analysis (:mod:`busplan.timing.fixed_point`);
for a message that a gateway forwards unchanged the event is its arrival at the gateway. What is not
known counts against the plan: a message without a period delays each other message once, equal
identifiers delay each other, a message too long for one frame delays others by its whole session.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from busplan.definitions.model import Stated
from busplan.plan.vehicle import Network, Stream, Vehicle, arbitration_rank
from busplan.timing import fixed_point
from busplan.timing.fixed_point import UNBOUNDED
from busplan.wire.lengths import ERROR_BITS_WORST, duration_ns, frames_of, message_bits
from busplan.wording import counted

HORIZON_NS = 10 * 10**9
"""A busy period longer than this counts as one that never ends."""

ONE_OFF_NS = 1 << 60
"""Stands for the period of a message that states none: it delays every other message once."""

COMPILED_FROM = 80
"""Messages on a network from which compiled fixed points pay for loading the compiler."""


class Status(StrEnum):
    """Whether a message has a proven response time, and if not, why."""

    PROVEN = "proven"
    NO_PERIOD = "no period"
    """Neither definition nor plan states a period or least distance: not analysable."""
    OVERLOAD = "overload"
    """The busy period never ends: frames pile up and no time can be promised."""
    TOO_LONG = "too long"
    """Longer than one frame: sent by a transport session, whose pauses are not analysed."""


@dataclass(frozen=True, slots=True)
class QueueModel:
    """One network as integers [ns], in order of arbitration; every list has one entry a stream.

    ``upto`` counts the streams that arbitrate like or before each one; ``frame`` is the longest
    form of all its frames, ``single`` of one of them (they differ for a session); ``queue``
    numbers the first-in-first-out queue it waits in, −1 for a queue by priority; ``inherited`` is
    the part of ``jitter`` that came through a gateway, :data:`UNBOUNDED` when that has no bound.
    """

    streams: tuple[Stream, ...]
    status: tuple[Status, ...]
    upto: list[int]
    single: list[int]
    frame: list[int]
    period: list[int]
    jitter: list[int]
    inherited: list[int]
    deadline: list[int]
    queue: list[int]
    bit: int
    fault_cost: int


@dataclass(frozen=True, slots=True)
class Solution:
    """Response times [ns] (:data:`UNBOUNDED` where there is none) and where they come from.

    ``instance`` is q, ``window`` the queuing delay w [ns]; ``head`` is f_k and ``queued`` the
    moment a [ns], for first-in-first-out queues.
    ``in_time`` is false when a deadline is missed or a busy period never ends; with
    ``stop_at_miss`` the lists are then incomplete.
    """

    response: list[int]
    instance: list[int]
    window: list[int]
    head: list[int]
    queued: list[int]
    in_time: bool


@dataclass(frozen=True, slots=True)
class Delay:
    """What another stream adds to a message's worst case: so many frames, so much time [ns]."""

    stream: Stream
    frames: int
    ns: int


@dataclass(frozen=True, slots=True)
class Response:
    """The worst case of one message.

    ``frame_ns`` is its longest frame; ``jitter_ns`` all of its jitter; ``instance`` the instance
    of the busy period that is worst (0 the first); ``blocked_by`` the longest frame that may
    already be on the wire although it arbitrates later. All times [ns].
    """

    stream: Stream
    status: Status
    frame_ns: int
    jitter_ns: int
    response_ns: int | None
    deadline: Stated | None
    blocked_by: Stream | None
    blocking_ns: int
    instance: int
    fifo: bool

    @property
    def headroom_ns(self) -> int | None:
        """Deadline minus response time [ns]; negative when missed, ``None`` when unknown."""
        if self.response_ns is None or self.deadline is None:
            return None
        return self.deadline.ns - self.response_ns

    @property
    def missed(self) -> bool:
        """Whether the worst case comes after the deadline, or never."""
        headroom = self.headroom_ns
        return self.status is Status.OVERLOAD or (headroom is not None and headroom < 0)


@dataclass(frozen=True, slots=True, repr=False)
class NetworkTiming:
    """Response times of a network's messages, in order of arbitration.

    ``load`` is the worst-case load (longest frames, messages without a period left out).
    """

    network: Network
    fault_interval_ns: int | None
    responses: tuple[Response, ...]
    model: QueueModel
    solution: Solution

    def __repr__(self) -> str:
        late = f"{len(self.missed)} late, {len(self.unproven)} not analysed"
        messages = counted(len(self.responses), "message")
        return f"<NetworkTiming of {self.network.name!r}: {messages}, {late}>"

    @property
    def load(self) -> float:
        """Share of time the network is busy when every frame has its longest form."""
        model = self.model
        pairs = zip(model.frame, model.period, strict=True)
        return sum(frame / period for frame, period in pairs if period < ONE_OFF_NS)

    @property
    def missed(self) -> tuple[Response, ...]:
        """The messages that miss their deadline in the worst case."""
        return tuple(r for r in self.responses if r.missed)

    @property
    def unproven(self) -> tuple[Response, ...]:
        """The messages that cannot be analysed."""
        unknown = (Status.NO_PERIOD, Status.TOO_LONG)
        return tuple(r for r in self.responses if r.status in unknown)

    def delays(self, response: Response) -> tuple[Delay, ...]:
        """What delays a proven message in its worst case, most time first, blocking left out."""
        if response.response_ns is None:
            return ()
        model, head = self.model, self.solution.head
        i = next(k for k, r in enumerate(self.responses) if r is response)
        own = model.queue[i]
        window = self.solution.window[i]
        found = []
        for k in range(_level(model, i)):
            if own >= 0 and model.queue[k] == own:
                queued = self.solution.queued[i] + model.jitter[k]
                frames = queued // model.period[k] + 1 - (k == i)
            elif k == i:
                frames = self.solution.instance[i]
            else:
                ready = window + model.jitter[k] + head[k] + model.bit
                frames = (ready - 1) // model.period[k] + 1
            if frames > 0:
                found.append(Delay(model.streams[k], frames, frames * model.frame[k]))
        return tuple(sorted(found, key=lambda d: -d.ns))


def response_times(
    vehicle: Vehicle,
    network: str,
    *,
    inherited_ns: Mapping[str, int] | None = None,
    fault_interval_ns: int | None = None,
) -> NetworkTiming:
    """Worst-case response times on one network.

    ``inherited_ns`` [ns] is the jitter that forwarded messages, by label, bring along,
    :data:`UNBOUNDED` when it has no bound; :func:`busplan.timing.gateways.vehicle_timing` finds it.
    ``fault_interval_ns`` [ns] is the least distance of two bus errors, by default what the plan
    states for the network.
    """
    net = vehicle.networks[network]
    faults = fault_interval_ns or net.fault_interval_ns
    model = queue_model(vehicle, network, inherited_ns=inherited_ns)
    solution = solve(model, fault_every=faults or 0)
    responses = tuple(_response(model, solution, i) for i in range(len(model.streams)))
    return NetworkTiming(net, faults, responses, model, solution)


def with_faults(vehicle: Vehicle, interval_ns: int) -> Vehicle:
    """The vehicle with one bus error assumed on every network each ``interval_ns`` [ns]."""
    networks = {
        name: replace(network, fault_interval_ns=interval_ns)
        for name, network in vehicle.networks.items()
    }
    return replace(vehicle, networks=networks)


def queue_model(
    vehicle: Vehicle,
    network: str,
    *,
    inherited_ns: Mapping[str, int] | None = None,
    bit_rate: int | None = None,
) -> QueueModel:
    """One network as the analysis sees it; ``bit_rate`` [bit/s] replaces the plan's."""
    net = vehicle.networks[network]
    rate = bit_rate or net.bit_rate
    streams = vehicle.on(network)
    ranks = [arbitration_rank(s.message) for s in streams]
    queues: dict[str, int] = {}
    for name, node in vehicle.nodes.items():
        if network in node.on and node.part.queue == "fifo":
            queues[name] = len(queues)
    arrived = inherited_ns or {}
    inherited = [arrived.get(s.label, 0) for s in streams]
    status, single, frame = [], [], []
    for stream in streams:
        one, frames = frames_of(stream.message)
        ns = duration_ns(message_bits(one)[1], rate, net.data_bit_rate)
        single.append(ns)
        frame.append(frames * ns)
        stated = stream.cycle is not None and stream.cycle.ns > 0
        known = Status.PROVEN if stated else Status.NO_PERIOD
        status.append(Status.TOO_LONG if frames > 1 else known)
    return QueueModel(
        streams=streams,
        status=tuple(status),
        upto=[_last_equal(ranks, i) for i in range(len(ranks))],
        single=single,
        frame=frame,
        period=[s.cycle.ns if s.cycle and s.cycle.ns > 0 else ONE_OFF_NS for s in streams],
        jitter=[s.jitter_ns + max(j, 0) for s, j in zip(streams, inherited, strict=True)],
        inherited=inherited,
        deadline=[s.deadline.ns if s.deadline else ONE_OFF_NS for s in streams],
        queue=[queues.get(s.node, -1) for s in streams],
        bit=-(-(10**9) // rate),
        fault_cost=-(-ERROR_BITS_WORST * 10**9 // rate),
    )


def solve(model: QueueModel, *, fault_every: int = 0, stop_at_miss: bool = False) -> Solution:
    """Solve the fixed points of one network; ``fault_every`` [ns] 0 means no bus errors."""
    n = len(model.frame)
    proven = [s is Status.PROVEN for s in model.status]
    head = [UNBOUNDED if j == UNBOUNDED else 0 for j in model.inherited]
    solution = Solution([UNBOUNDED] * n, [0] * n, [0] * n, head, [0] * n, True)
    in_time = _solve_queues(model, solution, fault_every)
    for i in range(n):
        if model.queue[i] >= 0 and proven[i]:
            late = solution.response[i] > model.deadline[i]
            in_time = in_time and solution.response[i] >= 0 and not late
    if in_time or not stop_at_miss:
        skip = [q >= 0 or not p for q, p in zip(model.queue, proven, strict=True)]
        in_time = _solve_priorities(model, solution, skip, fault_every, stop_at_miss) and in_time
    pairs = zip(solution.response, model.deadline, proven, strict=True)
    if in_time and not stop_at_miss:
        in_time = all(0 <= r <= d for r, d, p in pairs if p)
    return replace(solution, in_time=bool(in_time))


def _solve_priorities(
    model: QueueModel, out: Solution, skip: list[bool], fault_every: int, stop_at_miss: bool
) -> bool:
    inputs = [model.upto, model.single, model.frame, model.period, model.jitter, model.inherited]
    inputs += [model.deadline, out.head]
    results = [out.response, out.instance, out.window]
    settings = (model.bit, fault_every, model.fault_cost, HORIZON_NS, stop_at_miss)
    if len(model.frame) < COMPILED_FROM:
        function: Callable[..., bool] = fixed_point.priority_responses
        return function(*inputs, skip, *settings, *results)
    import numpy as np

    from busplan.timing import compiled_fixed_point as compiled

    function = compiled.priority_responses
    arrays = [np.array(values, np.int64) for values in inputs]
    filled = [np.array(values, np.int64) for values in results]
    fine = function(*arrays, np.array(skip), *settings, *filled)
    for values, found in zip(results, filled, strict=True):
        values[:] = found.tolist()
    return bool(fine)


def _solve_queues(model: QueueModel, out: Solution, fault_every: int) -> bool:
    """Settle f_k over all first-in-first-out queues of the network, from f = 0 upwards."""
    queues = sorted({q for q in model.queue if q >= 0})
    delays = dict.fromkeys(queues, 0)
    changed = bool(queues)
    while changed:
        changed = False
        for q in queues:
            if delays[q] == UNBOUNDED:
                continue
            delay, queued = _fifo_delay(model, q, out.head, fault_every)
            if delay != delays[q]:
                delays[q] = delay
                changed = True
                for k, other in enumerate(model.queue):
                    if other == q:
                        out.head[k] = delay
                        out.queued[k] = queued
    for q in queues:
        inside = [k for k, other in enumerate(model.queue) if other == q]
        shortest = min(model.frame[k] for k in inside)
        for k in inside:
            if delays[q] != UNBOUNDED:
                own = model.streams[k].jitter_ns
                out.response[k] = own + delays[q] + shortest
                out.window[k] = delays[q] + out.queued[k]
    return all(d != UNBOUNDED for d in delays.values())


def _fifo_delay(
    model: QueueModel, queue: int, head: list[int], fault_every: int
) -> tuple[int, int]:
    member = [q == queue for q in model.queue]
    if any(h == UNBOUNDED for h, inside in zip(head, member, strict=True) if inside):
        return UNBOUNDED, 0
    inputs = [model.upto, model.single, model.frame, model.period, model.jitter, head]
    settings = (model.bit, fault_every, model.fault_cost, HORIZON_NS)
    if len(model.frame) < COMPILED_FROM:
        function: Callable[..., tuple[int, int]] = fixed_point.fifo_delay
        return function(member, *inputs, *settings)
    import numpy as np

    from busplan.timing import compiled_fixed_point as compiled

    function = compiled.fifo_delay
    arrays = [np.array(values, np.int64) for values in inputs]
    delay, queued = function(np.array(member), *arrays, *settings)
    return int(delay), int(queued)


def _last_equal(ranks: list[int], i: int) -> int:
    last = i + 1
    while last < len(ranks) and ranks[last] == ranks[i]:
        last += 1
    return last


def _level(model: QueueModel, i: int) -> int:
    """How many streams can go before stream ``i``: for a queue, before its last member."""
    if model.queue[i] < 0:
        return model.upto[i]
    return max(model.upto[k] for k, q in enumerate(model.queue) if q == model.queue[i])


def _response(model: QueueModel, solution: Solution, i: int) -> Response:
    stream, status = model.streams[i], model.status[i]
    later = range(_level(model, i), len(model.frame))
    blocker = max(later, key=lambda k: model.single[k], default=None)
    response: int | None = solution.response[i]
    if status is not Status.PROVEN:
        response = None
    elif response == UNBOUNDED:
        status, response = Status.OVERLOAD, None
    return Response(
        stream=stream,
        status=status,
        frame_ns=model.single[i],
        jitter_ns=model.jitter[i],
        response_ns=response,
        deadline=stream.deadline,
        blocked_by=None if blocker is None else model.streams[blocker],
        blocking_ns=0 if blocker is None else model.single[blocker],
        instance=solution.instance[i],
        fifo=model.queue[i] >= 0,
    )
