"""Worst-case response times of the messages of one network.

The rules of this file: a response time counts from the event that makes a node queue a frame to the
end of that frame's intermission, as in the published analysis (:mod:`busplan.timing.fixed_point`);
for a message that a gateway forwards unchanged the event is its arrival at the gateway. What is not
known counts against the plan: a message without a period delays each other message once, equal
identifiers delay each other. A message too long for one frame is due when its session begins and
through when the last frame of that is (:mod:`busplan.timing.sessions`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from busplan.definitions.model import Stated
from busplan.plan.vehicle import Network, Stream, Vehicle
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.queue_model import QueueModel, Status, queue_model
from busplan.timing.rhythms import frames_in
from busplan.timing.sessions import Session
from busplan.timing.solving import Solution, solve
from busplan.wording import counted


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
    already be on the wire although it arbitrates later. ``session`` has the frames that carry a
    message too long for one. All times [ns].
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
    session: Session | None = None

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
        return self.model.load

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
        if response.response_ns is None or response.session is not None:
            return ()
        model, found = self.model, self.solution
        head, jitter, period, frame = found.head, found.jitter, found.period, found.frame
        row = next(k for k, r in enumerate(self.responses) if r is response)
        i = model.messages[row]
        own = model.queue[i]
        window = self.solution.window[i]
        level = _level(model, i)
        together = {}
        if own < 0:
            together = frames_in(model, found.rhythms, level, i, window + model.bit)
        delays = []
        for k in range(level):
            if own >= 0 and model.queue[k] == own:
                queued = self.solution.queued[i] + jitter[k]
                frames = queued // period[k] + 1 - (k == i)
            elif k == i:
                frames = self.solution.instance[i]
            elif own < 0 and found.rhythms.joined[k]:
                frames = together.get(k, 0)
            else:
                ready = window + jitter[k] + head[k] + model.bit
                frames = (ready - 1) // period[k] + 1
            if frames > 0 and frame[k]:
                each = frame[k] // model.single[k]
                delays.append(Delay(model.streams[k], frames * each, frames * frame[k]))
        return tuple(sorted(delays, key=lambda d: -d.ns))


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
    responses = tuple(_response(model, solution, i) for i in model.messages)
    return NetworkTiming(net, faults, responses, model, solution)


def with_faults(vehicle: Vehicle, interval_ns: int) -> Vehicle:
    """The vehicle with one bus error assumed on every network each ``interval_ns`` [ns]."""
    networks = {
        name: replace(network, fault_interval_ns=interval_ns)
        for name, network in vehicle.networks.items()
    }
    return replace(vehicle, networks=networks)


def _level(model: QueueModel, i: int) -> int:
    """How many streams can go before stream ``i``: for a queue, before its last member."""
    if model.queue[i] < 0:
        return model.upto[i]
    return max(model.upto[k] for k, q in enumerate(model.queue) if q == model.queue[i])


def _response(model: QueueModel, solution: Solution, i: int) -> Response:
    stream, status = model.streams[i], model.status[i]
    session = next((p.session for p in model.sessions if p.place == i), None)
    later = () if session else range(_level(model, i), len(model.frame))
    blocker = max((k for k in later if model.frame[k]), key=lambda k: model.single[k], default=None)
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
        session=session,
    )
