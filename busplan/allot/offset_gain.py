"""Which proposed send offsets bring anything: those of a node that shorten no wait are let go.

What counts is the whole vehicle: how many messages are late, then the sum of all worst-case
response times, both as they are wanted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from busplan.allot.offsets import OffsetChange, OffsetProposal
from busplan.allot.wants import Want, faults_under, model_under
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.gateways import vehicle_timing
from busplan.timing.queue_model import Status, queue_model
from busplan.timing.solving import solve

Rebuild = Callable[[Sequence[OffsetChange]], Vehicle]
"""The vehicle with some of the changes."""


def worth_it(
    found: OffsetProposal,
    rebuild: Rebuild,
    want: Want,
    fault_interval_ns: int | None = None,
) -> OffsetProposal:
    """The proposal without the offsets, node by node and network by network, that gain nothing."""
    kept = found.changes
    places = tuple(dict.fromkeys(map(_place, kept)))
    with_all = faults_under(rebuild(kept), want, fault_interval_ns)
    inherited = vehicle_timing(with_all).inherited_ns
    waits = {n: _waits(with_all, n, inherited, want) for n, _ in places}
    vehicle = with_all
    for place in places if len(places) > 1 else ():
        # Whatever they do elsewhere comes of what they do on their own network.
        here = place[0]
        fewer = tuple(c for c in kept if _place(c) != place)
        old = {c.stream.label: c.stream for c in kept if _place(c) == place}
        without = _restored(vehicle, old)
        if (longer := _waits(without, here, inherited, want)) <= waits[here]:
            kept, vehicle, waits[here] = fewer, without, longer
    if kept:
        before = faults_under(rebuild(()), want, fault_interval_ns)
        after = faults_under(rebuild(kept), want, fault_interval_ns)
        if _all_waits(before, want) <= _all_waits(after, want):
            kept = ()
    left = set(map(_place, kept))
    return replace(found, changes=kept, idle=tuple(p for p in places if p not in left))


def _place(change: OffsetChange) -> tuple[str, str]:
    return change.stream.path[:2]


def _restored(vehicle: Vehicle, old: Mapping[str, Stream]) -> Vehicle:
    """The vehicle with some messages as they were."""
    return replace(vehicle, streams=tuple(old.get(s.label, s) for s in vehicle.streams))


def _all_waits(vehicle: Vehicle, want: Want) -> tuple[int, int]:
    """:func:`_waits` on all networks together."""
    inherited = vehicle_timing(vehicle).inherited_ns
    found = [_waits(vehicle, name, inherited, want) for name in vehicle.networks]
    return sum(late for late, _ in found), sum(total for _, total in found)


def _waits(
    vehicle: Vehicle, name: str, inherited: Mapping[str, int], want: Want
) -> tuple[int, int]:
    """How many messages of a network are late or have no bound, and the sum of the others' bounds
    [ns]."""
    late = total = 0
    model = model_under(queue_model(vehicle, name, inherited_ns=inherited), want)
    every = vehicle.networks[name].fault_interval_ns or 0
    response = solve(model, fault_every=every).response
    for i in model.messages:
        if model.status[i] is Status.PROVEN:
            bound = response[i]
            late += bound == UNBOUNDED or bound > model.deadline[i]
            total += 0 if bound == UNBOUNDED else bound
    return late, total
