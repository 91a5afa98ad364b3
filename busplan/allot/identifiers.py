"""The identifiers of a whole plan: which to change on each network, and what that brings."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

from busplan.allot.fewest import Enough, Fewest, Waited, fewest_changes
from busplan.allot.networks import (
    ImpossibleSet,
    free_entries,
    impossible_of,
    may_change,
    network_order,
)
from busplan.allot.numbers import new_identifiers
from busplan.allot.order import Failure, NetworkOrder
from busplan.allot.wants import (
    IN_TIME,
    Want,
    distance_under,
    late_in,
    least_fault_distance,
    model_under,
    timing_under,
)
from busplan.frames.identifier import format_identifier
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.gateways import VehicleTiming
from busplan.timing.queue_model import Status, queue_model

MOST_ROUNDS = 4
"""A change on one network moves the jitter that a gateway brings to others: so often all is held
against each other again."""

Rebuild = Callable[[Mapping[str, int]], Vehicle]
"""The vehicle of the plan with other identifiers, by the labels of its messages."""
Each = Callable[[Callable[[str], "NetworkAnswer"], Sequence[str]], Iterable["NetworkAnswer"]]
Told = Callable[[str, int | None, int], None]
"""Told the network that is being worked on, how many change there in the best so far (``None``:
none yet), and in any at least."""


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

    ``wrong_before`` and ``wrong_after`` count messages that do not bear what is wanted, or share
    an identifier. ``fault_every`` [ns]: the least distance of bus errors they were held against, 0
    for none.
    ``bound``: no answer changes fewer, with the jitter that gateways bring as it is then.
    ``impossible``: sets of messages that cannot all be in time, whatever the identifiers that may
    change, each of the sets alone.
    """

    network: str
    messages: int
    may_change: int
    wrong_before: int
    wrong_after: int
    changes: tuple[IdentifierChange, ...]
    bound: int
    impossible: tuple[ImpossibleSet, ...] = ()
    unjudged: int = 0
    """Messages without a period, a deadline or a known way on the bus: nobody knows of these."""
    fault_every: int = 0
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
    want: Want = IN_TIME

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
    want: Want = IN_TIME,
    networks: Sequence[str] | None = None,
    fault_interval_ns: int | None = None,
    seconds: float = 10.0,
    clock: Callable[[], float] | None = None,
    told: Told = lambda name, best, bound: None,
    near: Allotment | None = None,
    stop: Enough = lambda: False,
    waited: Waited = lambda work: work(),
    each: Each = map,
) -> Allotment:
    """The fewest identifiers to change so that every message bears what is wanted, by network.

    ``networks``: those to look at, all by default. ``fault_interval_ns`` [ns] assumes a bus error
    so often on every network, instead of what the plan states. ``seconds`` bounds the search on one
    network, by a ``clock`` [s]; without one it ends when the answer is proven, or ``stop`` says so.
    ``near``: an answer to something less, whose changes are tried first. ``each``: how to go
    through the networks; one with threads searches several at once, for solver and kernels leave
    the interpreter free. ``waited`` runs the solver, and gives ``None`` when it did not wait for
    it. The timing of the changed plan has the last word (``wrong_after``).
    """
    names = tuple(networks or before.networks)
    found: dict[str, NetworkAnswer] = {}
    bars = {name: bar_of(before, name, want, fault_interval_ns) for name in names}
    timing = timing_under(before, want, fault_interval_ns)
    before_it = late = _wrong(before, names, want, timing, bars)
    current = before
    for _ in range(MOST_ROUNDS):
        due = [n for n in names if late[n] and not (n in found and found[n].impossible)]
        if not due:
            break
        earlier = dict(found)

        def search(name: str, timing: VehicleTiming = timing) -> NetworkAnswer:
            told(name, None, 0)
            enough = _until(clock, seconds, stop)
            bar = (want, bars[name])
            limits = _Limits(enough, seconds, waited, partial(told, name))
            tried = () if near is None else _labels(near, name)
            return _search(before, name, timing, bar, tried, limits)

        found |= zip(due, each(search, due), strict=True)
        if found == earlier:
            break
        current = rebuild({c.stream.label: c.becomes for a in found.values() for c in a.changes})
        timing = timing_under(current, want, fault_interval_ns)
        late = _wrong(current, names, want, timing, bars)
    return Allotment(
        before,
        current,
        tuple(
            replace(
                found.get(name) or _untouched(before, name),
                wrong_before=len(before_it[name]),
                wrong_after=len(late[name]),
                unjudged=unjudged(timing, name),
                fault_every=bars[name],
            )
            for name in names
        ),
        fault_interval_ns,
        want,
    )


def bar_of(vehicle: Vehicle, name: str, want: Want, fault_interval_ns: int | None) -> int:
    """The least distance of bus errors [ns] that messages of a network shall bear; 0 for none."""
    stated = fault_interval_ns or vehicle.networks[name].fault_interval_ns or 0
    if want.kind != "most-robust" or want.every_ns:
        return distance_under(stated, want) or 0
    inherited = timing_under(vehicle, IN_TIME, fault_interval_ns).inherited_ns
    model = queue_model(vehicle, name, inherited_ns=inherited)
    if UNBOUNDED in model.inherited:
        return stated
    free = free_entries(vehicle, model)

    def holds(distance: int) -> bool:
        return not isinstance(network_order(vehicle, model, distance).find(free), Failure)

    return least_fault_distance(holds) or stated


def _wrong(
    vehicle: Vehicle,
    names: Sequence[str],
    want: Want,
    timing: VehicleTiming,
    bars: Mapping[str, int],
) -> dict[str, frozenset[str]]:
    """Labels of the messages of each network that do not bear what is wanted."""
    return {
        name: late_in(
            model_under(queue_model(vehicle, name, inherited_ns=timing.inherited_ns), want),
            bars[name],
        )
        for name in names
    }


def bears(found: Allotment, want: Want) -> bool:
    """Whether the changed plan bears this too, on the networks looked at."""
    names = {a.network for a in found.networks}
    return not names & set(networks_wrong(found.after, want, found.fault_interval_ns))


def networks_wrong(vehicle: Vehicle, want: Want, fault_interval_ns: int | None) -> tuple[str, ...]:
    """The networks on which a message does not bear what is wanted, or shares an identifier."""
    names = tuple(vehicle.networks)
    timing = timing_under(vehicle, want, fault_interval_ns)
    bars = {name: bar_of(vehicle, name, want, fault_interval_ns) for name in names}
    found = _wrong(vehicle, names, want, timing, bars)
    return tuple(name for name in names if found[name])


def _labels(found: Allotment, name: str) -> frozenset[str]:
    answer = next((a for a in found.networks if a.network == name), None)
    return frozenset(c.stream.label for c in answer.changes) if answer else frozenset()


def unjudged(timing: VehicleTiming, network: str) -> int:
    """Messages of a network without a period, a deadline or a known way on the bus."""
    unknown = (Status.NO_PERIOD, Status.TOO_LONG)
    responses = timing.networks[network].responses
    return sum(r.status in unknown or r.deadline is None for r in responses)


def _until(clock: Callable[[], float] | None, seconds: float, stop: Enough) -> Enough:
    if clock is None:
        return stop
    end = clock() + seconds
    return lambda: stop() or clock() > end


def _untouched(vehicle: Vehicle, name: str) -> NetworkAnswer:
    streams = tuple(vehicle.on(name))
    free = sum(may_change(vehicle, s) for s in streams)
    return NetworkAnswer(name, len(streams), free, 0, 0, (), 0)


class _Limits(NamedTuple):
    """How long to search one network, and who hears how far it is."""

    enough: Enough
    seconds: float
    waited: Waited
    told: Callable[[int | None, int], None]


def _search(
    before: Vehicle,
    name: str,
    timing: VehicleTiming,
    bar: tuple[Want, int],
    near: Collection[str],
    limits: _Limits,
) -> NetworkAnswer:
    """The answer for one network, from the plan as it stands, with the jitter of this timing."""
    want, fault_every = bar
    model = model_under(queue_model(before, name, inherited_ns=timing.inherited_ns), want)
    begun = _untouched(before, name)
    if UNBOUNDED in model.inherited:
        return replace(begun, waits=True)
    network = network_order(before, model, fault_every)
    begin = [i for i in model.messages if model.streams[i].label in near]
    found = fewest_changes(
        network,
        free_entries(before, model).tolist(),
        enough=limits.enough,
        seconds=limits.seconds,
        begin=begin,
        waited=limits.waited,
        told=limits.told,
    )
    if found.order is None:
        stuck: tuple[ImpossibleSet, ...] = ()
        if found.impossible:
            stuck = tuple(impossible_of(before, name, timing, want, fault_every))
        return replace(begun, bound=found.bound, impossible=stuck)
    late = late_in(model, fault_every)
    return replace(begun, bound=found.bound, changes=tuple(_changes(network, found, late)))


def _changes(
    network: NetworkOrder, found: Fewest, late: Collection[str]
) -> Iterator[IdentifierChange]:
    assert found.order is not None
    streams = network.model.streams
    changed = frozenset(found.changed)
    numbers = new_identifiers(found.order, changed, network.ranks, network.wide, network.numbers)
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
