"""One network as the analysis sees it: what waits in which queue, as integers [ns].

The rules of this file: a message too long for one frame stands where its identifier puts it, but
delays nobody there; the frames of its session stand where their own identifiers put them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from busplan.plan.vehicle import Stream, Vehicle, arbitration_rank
from busplan.timing.clocks import in_rhythm
from busplan.timing.sessions import Session, no_known_way, session_of
from busplan.wire.lengths import ERROR_BITS_WORST, duration_ns, frames_of, message_bits

ONE_OFF_NS = 1 << 60
"""Stands for the period of a message that states none: it delays every other message once."""


class Status(StrEnum):
    """Whether a message has a proven response time, and if not, why."""

    PROVEN = "proven"
    NO_PERIOD = "no period"
    """Neither definition nor plan states a period or least distance: not analysable."""
    OVERLOAD = "overload"
    """The busy period never ends: frames pile up and no time can be promised."""
    TOO_LONG = "too long"
    """Longer than one frame, and nobody says how it is sent in parts."""


@dataclass(frozen=True, slots=True)
class PlacedSession:
    """A session in a model: ``place`` is the entry of its message, ``entries`` those of its parts,
    ``counts`` how many frames each part has. Times [ns] as in
    :class:`busplan.timing.sessions.Session`."""

    session: Session
    place: int
    entries: tuple[int, ...]
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class QueueModel:
    """One network as integers [ns], in order of arbitration; every list has one entry a message,
    and one for each part of a session.

    ``part`` marks the latter. ``upto`` counts the entries that arbitrate like or before each one;
    ``frame`` is the longest form of all frames that come at once, ``single`` of one of them
    (``frame`` is 0 for a message that its session carries); ``queue`` numbers the
    first-in-first-out queue it waits in, −1 for a queue by priority; ``inherited`` is the part of
    ``jitter`` that came through a gateway, :data:`UNBOUNDED` when that has no bound; ``spaced``
    marks parts whose ``period`` is the distance their sender keeps between two frames; ``rhythm``
    numbers the clock by which a message is sent at its ``offset``, −1 for none of them
    (:mod:`busplan.timing.rhythms`). ``load`` is the worst-case load, messages without a period left
    out.
    """

    streams: tuple[Stream, ...]
    status: tuple[Status, ...]
    part: tuple[bool, ...]
    upto: list[int]
    single: list[int]
    frame: list[int]
    period: list[int]
    jitter: list[int]
    inherited: list[int]
    deadline: list[int]
    queue: list[int]
    spaced: tuple[bool, ...]
    rhythm: list[int]
    offset: list[int]
    sessions: tuple[PlacedSession, ...]
    load: float
    bit: int
    fault_cost: int

    @property
    def messages(self) -> tuple[int, ...]:
        """The entries that are messages, not parts of a session."""
        return tuple(i for i, part in enumerate(self.part) if not part)


@dataclass(frozen=True, slots=True)
class _Entry:
    rank: int
    stream: Stream
    status: Status
    single: int
    frame: int
    period: int
    session: Session | None = None
    part: int = -1
    spaced: bool = False


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

    def wire_ns(stream: Stream) -> int:
        one = frames_of(stream.message)[0]
        return duration_ns(message_bits(one)[1], rate, net.data_bit_rate)

    entries: list[_Entry] = []
    load = 0.0
    for stream in vehicle.on(network):
        period = stream.cycle.ns if stream.cycle and stream.cycle.ns > 0 else ONE_OFF_NS
        session = session_of(vehicle, stream)
        known = Status.NO_PERIOD if period == ONE_OFF_NS else Status.PROVEN
        status = Status.TOO_LONG if no_known_way(stream.message) else known
        rank, single = arbitration_rank(stream.message), wire_ns(stream)
        whole = frames_of(stream.message)[1] * single
        if session is None:
            entries.append(_Entry(rank, stream, status, single, whole, period))
        else:
            entries.append(_Entry(rank, stream, status, 0, 0, period, session))
            entries += _parts(session, period, wire_ns)
            whole = len(session.order) * single
        load += whole / period if period < ONE_OFF_NS else 0.0
    entries.sort(key=lambda e: e.rank)
    return _model(vehicle, network, entries, load, inherited_ns or {}, rate)


def _parts(session: Session, period: int, wire_ns: Callable[[Stream], int]) -> list[_Entry]:
    found = []
    for number, part in enumerate(session.parts):
        single = wire_ns(part.stream)
        rank = -1 if part.urgent else arbitration_rank(part.stream.message)
        spaced = part.spacing_ns > 0
        found.append(
            _Entry(
                rank=rank,
                stream=part.stream,
                status=Status.PROVEN,
                single=single,
                frame=single if spaced else part.count * single,
                period=part.spacing_ns or period,
                session=session,
                part=number,
                spaced=spaced,
            )
        )
    return found


def _model(
    vehicle: Vehicle,
    network: str,
    entries: list[_Entry],
    load: float,
    arrived: Mapping[str, int],
    rate: int,
) -> QueueModel:
    queues: dict[str, int] = {}
    for name, node in vehicle.nodes.items():
        if network in node.on and node.part.queue == "fifo":
            queues[name] = len(queues)
    ranks = [e.rank for e in entries]
    part = tuple(e.part >= 0 for e in entries)
    carried = [e.session is not None and e.part < 0 for e in entries]
    inherited = [0 if e.part >= 0 else arrived.get(e.stream.label, 0) for e in entries]
    sessions = []
    for place, entry in enumerate(entries):
        if entry.session is not None and entry.part < 0:
            mine = [i for i, e in enumerate(entries) if e.session is entry.session and part[i]]
            counts = tuple(entry.session.parts[entries[i].part].count for i in mine)
            sessions.append(PlacedSession(entry.session, place, tuple(mine), counts))
    streams = tuple(e.stream for e in entries)
    numbers = {name: number for number, name in enumerate(vehicle.nodes) if name not in queues}
    rhythm = [
        numbers.get(e.stream.node, -1)
        if e.session is None and e.frame == e.single and in_rhythm(e.stream)
        else -1
        for e in entries
    ]
    return QueueModel(
        streams=streams,
        status=tuple(e.status for e in entries),
        part=part,
        upto=[_last_equal(ranks, i) for i in range(len(ranks))],
        single=[e.single for e in entries],
        frame=[e.frame for e in entries],
        period=[e.period for e in entries],
        jitter=[s.jitter_ns + max(j, 0) for s, j in zip(streams, inherited, strict=True)],
        inherited=inherited,
        deadline=[
            s.deadline.ns if s.deadline and not inside else ONE_OFF_NS
            for s, inside in zip(streams, part, strict=True)
        ],
        queue=[
            -1 if through else queues.get(e.stream.node, -1)
            for e, through in zip(entries, carried, strict=True)
        ],
        spaced=tuple(e.spaced for e in entries),
        rhythm=rhythm,
        offset=[
            s.offset_ns or 0 if number >= 0 else 0
            for s, number in zip(streams, rhythm, strict=True)
        ],
        sessions=tuple(sessions),
        load=load,
        bit=-(-(10**9) // rate),
        fault_cost=-(-ERROR_BITS_WORST * 10**9 // rate),
    )


def _last_equal(ranks: list[int], i: int) -> int:
    last = i + 1
    while last < len(ranks) and ranks[last] == ranks[i]:
        last += 1
    return last
