"""Which proposed send offsets bring anything: those of a node that shorten no wait are let go.

What counts is the whole vehicle: how many messages are late, then the sum of all worst-case
response times, both as they are wanted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from busplan.allot.offsets import OffsetChange, OffsetProposal
from busplan.allot.wants import Want, faults_under, model_under
from busplan.plan.vehicle import Vehicle
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

    def waits(changes: Sequence[OffsetChange]) -> tuple[int, int]:
        return _waits(rebuild(changes), want, fault_interval_ns)

    kept, best = found.changes, waits(found.changes)
    places = tuple(dict.fromkeys((c.stream.network, c.stream.node) for c in kept))
    for place in places if len(places) > 1 else ():
        fewer = tuple(c for c in kept if (c.stream.network, c.stream.node) != place)
        if (without := waits(fewer)) <= best:
            kept, best = fewer, without
    if kept and waits(()) <= best:
        kept = ()
    left = {(c.stream.network, c.stream.node) for c in kept}
    return replace(found, changes=kept, idle=tuple(p for p in places if p not in left))


def _waits(vehicle: Vehicle, want: Want, fault_interval_ns: int | None) -> tuple[int, int]:
    """How many messages are late or have no bound, and the sum of the others' bounds [ns]."""
    vehicle = faults_under(vehicle, want, fault_interval_ns)
    inherited = vehicle_timing(vehicle).inherited_ns
    late = total = 0
    for name, network in vehicle.networks.items():
        model = model_under(queue_model(vehicle, name, inherited_ns=inherited), want)
        response = solve(model, fault_every=network.fault_interval_ns or 0).response
        for i in model.messages:
            if model.status[i] is Status.PROVEN:
                bound = response[i]
                late += bound == UNBOUNDED or bound > model.deadline[i]
                total += 0 if bound == UNBOUNDED else bound
    return late, total
