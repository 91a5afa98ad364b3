"""What an answer does to each network: loads, the tightest message, growth, bus errors survived."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from busplan.checks.planned_load import network_load
from busplan.plan.vehicle import Vehicle
from busplan.tables import unit
from busplan.timing.gateways import VehicleTiming, vehicle_timing
from busplan.timing.slack import network_slack


@dataclass(frozen=True, slots=True)
class State:
    """One network of one plan. ``load``: of its limit's base, in the worst case, as a fraction.

    ``late``: messages that miss their deadline; ``tightest``: the one with the least of its
    deadline left, and how much that is; ``growth`` and ``error_each_ms`` as in
    :class:`busplan.timing.slack.Slack`.
    """

    nodes: int
    bit_rate: int = field(metadata=unit("bit/s"))
    load: float
    limit: float
    late: int
    tightest: str
    left: float | None
    growth: float | None
    error_each_ms: float | None = field(metadata=unit("ms"))


@dataclass(frozen=True, slots=True)
class Effect:
    """One network before and after; ``None`` where it is not there."""

    network: str
    before: State | None
    after: State | None


def effects(before: Vehicle, after: Vehicle) -> tuple[Effect, ...]:
    """Every network that either plan has."""
    timed = vehicle_timing(before), vehicle_timing(after)
    names = dict.fromkeys((*before.networks, *after.networks))
    return tuple(_effect(name, before, after, timed) for name in names)


def _effect(
    name: str, before: Vehicle, after: Vehicle, timed: tuple[VehicleTiming, VehicleTiming]
) -> Effect:
    old = _state(before, name, timed[0]) if name in before.networks else None
    if old is not None and name in after.networks and _alike(before, after, name, timed):
        return Effect(name, old, old)
    new = _state(after, name, timed[1]) if name in after.networks else None
    return Effect(name, old, new)


def _alike(
    before: Vehicle, after: Vehicle, name: str, timed: tuple[VehicleTiming, VehicleTiming]
) -> bool:
    """Whether nothing on a network is different."""
    brought = [_of(t.inherited_ns, v, name) for t, v in zip(timed, (before, after), strict=True)]
    return (
        before.networks[name].bit_rate == after.networks[name].bit_rate
        and before.on(name) == after.on(name)
        and brought[0] == brought[1]
    )


def _of(inherited: Mapping[str, int], vehicle: Vehicle, name: str) -> dict[str, int]:
    return {s.label: inherited.get(s.label, 0) for s in vehicle.on(name)}


def _state(vehicle: Vehicle, name: str, timed: VehicleTiming) -> State:
    slack = network_slack(vehicle, name, inherited_ns=timed.inherited_ns)
    network = timed.networks[name]
    left = dict(_left(timed, name))
    tightest = min(left, key=lambda label: left[label], default="")
    interval = slack.fault_interval_ns
    return State(
        nodes=len(vehicle.nodes_on(name)),
        bit_rate=network.network.bit_rate,
        load=network_load(vehicle, name).worst,
        limit=network.network.load_limit,
        late=len(network.missed),
        tightest=tightest,
        left=left.get(tightest),
        growth=slack.growth,
        error_each_ms=None if interval is None else interval / 1e6,
    )


def _left(timed: VehicleTiming, name: str) -> Iterator[tuple[str, float]]:
    """Each message with the part of its deadline that is left in the worst case."""
    for r in timed.networks[name].responses:
        if r.deadline is not None and r.deadline.ns > 0 and r.response_ns is not None:
            label = f"{r.stream.node}/{r.stream.path[2]}"
            yield label, 1 - r.response_ns / r.deadline.ns
