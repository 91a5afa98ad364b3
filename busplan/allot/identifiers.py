"""The identifiers of a whole plan: which to change on each network, and what that brings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from busplan.allot.fewest import Enough, Fewest, fewest_changes
from busplan.allot.numbers import new_identifiers
from busplan.allot.order import NetworkOrder
from busplan.frames.identifier import format_identifier
from busplan.plan.vehicle import Stream, Vehicle, arbitration_rank
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.gateways import VehicleTiming, vehicle_timing
from busplan.timing.queue_model import Status, queue_model
from busplan.timing.response import with_faults

MOST_ROUNDS = 4
"""A change on one network moves the jitter that a gateway brings to others: so often all is held
against each other again."""

Rebuild = Callable[[Mapping[str, int]], Vehicle]
"""The vehicle of the plan with other identifiers, by the labels of its messages."""
Told = Callable[[str], None]
"""Told the network that is being worked on."""


@dataclass(frozen=True, slots=True)
class IdentifierChange:
    """One message that gets another identifier, and what for."""

    stream: Stream
    becomes: int
    reason: str

    @property
    def was(self) -> str:
        """The identifier of today, as text."""
        return format_identifier(self.stream.message.identifier, self.stream.message.extended)

    @property
    def new(self) -> str:
        """The new identifier, as text."""
        return format_identifier(self.becomes, self.stream.message.extended)


@dataclass(frozen=True, slots=True)
class NetworkAnswer:
    """What was found for one network.

    ``wrong_before`` and ``wrong_after`` count messages that are late or share an identifier.
    ``bound``: no answer changes fewer, with the jitter that gateways bring as it is then.
    ``impossible``: messages that cannot all be in time, whatever the identifiers that may change.
    """

    network: str
    messages: int
    may_change: int
    wrong_before: int
    wrong_after: int
    changes: tuple[IdentifierChange, ...]
    bound: int
    impossible: tuple[Stream, ...] = ()
    unjudged: int = 0
    """Messages without a period, a deadline or a known way on the bus: nobody knows of these."""
    waits: bool = False
    """Whether a gateway brings messages whose delay has no bound, so that nothing can be found."""

    @property
    def proven(self) -> bool:
        """Whether no answer changes fewer."""
        return len(self.changes) == self.bound


@dataclass(frozen=True, slots=True, repr=False)
class Allotment:
    """The answer for a plan: the changed vehicle, network by network."""

    before: Vehicle
    after: Vehicle
    networks: tuple[NetworkAnswer, ...]
    fault_interval_ns: int | None

    def __repr__(self) -> str:
        return f"<Allotment of {self.before.name!r}: {len(self.changes)} identifiers change>"

    @property
    def changes(self) -> tuple[IdentifierChange, ...]:
        """All of them, network by network."""
        return tuple(c for n in self.networks for c in n.changes)

    @property
    def bound(self) -> int:
        """No answer changes fewer identifiers."""
        return sum(n.bound for n in self.networks)

    @property
    def solved(self) -> bool:
        """Whether no message of the networks looked at is late or shares an identifier."""
        return not any(n.wrong_after for n in self.networks)


def allot_identifiers(
    before: Vehicle,
    rebuild: Rebuild,
    *,
    networks: Sequence[str] | None = None,
    fault_interval_ns: int | None = None,
    seconds: float = 10.0,
    clock: Callable[[], float] | None = None,
    told: Told = lambda name: None,
) -> Allotment:
    """The fewest identifiers to change so that every message is in time, on each network.

    ``networks``: those to look at, all by default. ``fault_interval_ns`` [ns] assumes a bus error
    so often on every network, instead of what the plan states. ``seconds`` bounds the search on one
    network, by a ``clock`` [s]; without one it ends when the answer is proven. The timing of the
    changed plan has the last word (``wrong_after``).
    """
    names = tuple(networks or before.networks)
    found: dict[str, NetworkAnswer] = {}
    timing = _timing(before, fault_interval_ns)
    wrong_before = {name: wrong(timing, name) for name in names}
    current = before
    for _ in range(MOST_ROUNDS):
        due = [n for n in names if wrong(timing, n) and not (n in found and found[n].impossible)]
        if not due:
            break
        earlier = dict(found)
        for name in due:
            told(name)
            enough = _until(clock, seconds)
            found[name] = _search(
                before, name, timing, fault_interval_ns, enough=enough, seconds=seconds
            )
        if found == earlier:
            break
        current = rebuild({c.stream.label: c.becomes for a in found.values() for c in a.changes})
        timing = _timing(current, fault_interval_ns)
    return Allotment(
        before,
        current,
        tuple(
            replace(
                found.get(name) or _untouched(before, name),
                wrong_before=len(wrong_before[name]),
                wrong_after=len(wrong(timing, name)),
                unjudged=_unjudged(timing, name),
            )
            for name in names
        ),
        fault_interval_ns,
    )


def wrong(timing: VehicleTiming, network: str) -> frozenset[str]:
    """Labels of the messages of a network that are late or share an identifier with another."""
    responses = timing.networks[network].responses
    uses = Counter(r.stream.key for r in responses)
    return frozenset(r.stream.label for r in responses if r.missed or uses[r.stream.key] > 1)


def _unjudged(timing: VehicleTiming, network: str) -> int:
    unknown = (Status.NO_PERIOD, Status.TOO_LONG)
    responses = timing.networks[network].responses
    return sum(r.status in unknown or r.deadline is None for r in responses)


def may_change(vehicle: Vehicle, stream: Stream) -> bool:
    """Whether the plan lets this message have another identifier of its own.

    Its part has free identifiers, its node sends it for itself, and it is no group of J1939, whose
    identifier says what it is.
    """
    rule = vehicle.nodes[stream.node].part.identifiers
    return rule == "free" and stream.own and stream.message.j1939 is None and not stream.namesake


def _until(clock: Callable[[], float] | None, seconds: float) -> Enough:
    if clock is None:
        return lambda: False
    end = clock() + seconds
    return lambda: clock() > end


def _timing(vehicle: Vehicle, fault_interval_ns: int | None) -> VehicleTiming:
    return vehicle_timing(with_faults(vehicle, fault_interval_ns) if fault_interval_ns else vehicle)


def _untouched(vehicle: Vehicle, name: str) -> NetworkAnswer:
    streams = tuple(vehicle.on(name))
    free = sum(may_change(vehicle, s) for s in streams)
    return NetworkAnswer(name, len(streams), free, 0, 0, (), 0)


def _search(
    before: Vehicle,
    name: str,
    timing: VehicleTiming,
    fault_interval_ns: int | None,
    *,
    enough: Enough,
    seconds: float,
) -> NetworkAnswer:
    """The answer for one network, from the plan as it stands, with the jitter of this timing."""
    model = queue_model(before, name, inherited_ns=timing.inherited_ns)
    begun = _untouched(before, name)
    if UNBOUNDED in model.inherited:
        return replace(begun, waits=True)
    messages = [s.message for s in model.streams]
    # What travels before everything else stands at the very top of the order.
    ranks = [
        -1 if part and upto <= _urgent(model.part) else arbitration_rank(m)
        for m, part, upto in zip(messages, model.part, model.upto, strict=True)
    ]
    faults = fault_interval_ns or before.networks[name].fault_interval_ns or 0
    network = NetworkOrder(model, faults, ranks, [m.extended for m in messages])
    free = [
        may_change(before, s) and not part
        for s, part in zip(model.streams, model.part, strict=True)
    ]
    found = fewest_changes(network, free, enough=enough, seconds=seconds)
    if found.order is None:
        stuck = tuple(model.streams[i] for i in found.impossible if not model.part[i])
        return replace(begun, bound=found.bound, impossible=stuck)
    return replace(begun, bound=found.bound, changes=tuple(_changes(network, found, timing, name)))


def _urgent(part: Sequence[bool]) -> int:
    """How many parts of sessions stand before every message."""
    count = 0
    while count < len(part) and part[count]:
        count += 1
    return count


def _changes(
    network: NetworkOrder, found: Fewest, timing: VehicleTiming, name: str
) -> Iterator[IdentifierChange]:
    assert found.order is not None
    streams = network.model.streams
    changed = frozenset(found.changed)
    numbers = new_identifiers(found.order, changed, network.ranks, network.wide)
    late = wrong(timing, name)
    place = {entry: row for row, entry in enumerate(found.order)}
    for i in found.changed:
        stream = streams[i]
        more_urgent = sum(1 for k in range(network.n) if k > i and place[k] < place[i])
        less_urgent = sum(1 for k in range(network.n) if k < i and place[k] > place[i])
        if stream.label in late and less_urgent >= more_urgent:
            shared = sum(s.key == stream.key for s in streams) > 1
            reason = "shares its identifier" if shared else "is late here"
        elif more_urgent > less_urgent:
            reason = f"makes way for {more_urgent}"
        else:
            reason = f"goes before {less_urgent}"
        yield IdentifierChange(stream, numbers[i], reason)
