"""One network of a plan as the search for identifiers sees it, and why it may have no answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.allot import impossible
from busplan.allot.impossible import Freed
from busplan.allot.order import NetworkOrder
from busplan.allot.wants import Want, model_under
from busplan.frames.columns import Mask
from busplan.plan.movable import ANY
from busplan.plan.vehicle import Stream, Vehicle, arbitration_rank
from busplan.timing.gateways import VehicleTiming
from busplan.timing.queue_model import QueueModel, queue_model
from busplan.timing.slack import STANDARD_BIT_RATES, not_speaking


@dataclass(frozen=True, slots=True)
class ImpossibleSet:
    """Messages of which none can be left out, and that cannot all be in time (``shared``: that
    cannot all have identifiers of their own). ``frees``: what would make the set possible, each
    alone; ``strangers``: nodes that do not speak the bit rate among it."""

    streams: tuple[Stream, ...]
    shared: bool
    frees: tuple[Freed, ...]
    strangers: tuple[str, ...] = ()


def may_change(vehicle: Vehicle, stream: Stream) -> bool:
    """Whether the plan lets this message have another identifier of its own.

    Its part has free identifiers, nobody has refused to change this one, its node sends it for
    itself, and it is no group of J1939, whose identifier says what it is.
    """
    rule = vehicle.nodes[stream.node].part.identifiers
    if f"{stream.node}/{stream.path[2]}" in vehicle.freedom.kept:
        return False
    return rule == "free" and stream.own and stream.message.j1939 is None and not stream.namesake


def free_entries(vehicle: Vehicle, model: QueueModel) -> Mask:
    """Which entries may get another identifier."""
    pairs = zip(model.streams, model.part, strict=True)
    return np.array([may_change(vehicle, s) and not part for s, part in pairs], np.bool_)


def network_order(vehicle: Vehicle, model: QueueModel, fault_every: int) -> NetworkOrder:
    """The search over one network; reserved identifiers of the plan are not given."""
    messages = [s.message for s in model.streams]
    # What travels before everything else stands at the very top of the order.
    ranks = [
        -1 if part and upto <= _urgent(model.part) else arbitration_rank(m)
        for m, part, upto in zip(messages, model.part, model.upto, strict=True)
    ]
    freedom = vehicle.freedom.networks.get(model.streams[0].network, ANY) if messages else ANY
    wide = [m.extended for m in messages]
    return NetworkOrder(model, fault_every, ranks, wide, freedom.reserved)


def _urgent(part: Sequence[bool]) -> int:
    """How many parts of sessions stand before every message."""
    count = 0
    while count < len(part) and part[count]:
        count += 1
    return count


def question(
    vehicle: Vehicle,
    name: str,
    inherited_ns: Mapping[str, int],
    bar: tuple[Want, int],
    rate: int | None = None,
) -> impossible.Network:
    """One network to be asked whether sets of its messages can live together, under what is wanted
    and the least distance of bus errors [ns]; ``rate`` [bit/s] instead of the plan's."""
    want, fault_every = bar
    model = queue_model(vehicle, name, inherited_ns=inherited_ns, bit_rate=rate)
    model = model_under(model, want)
    free = tuple(free_entries(vehicle, model).tolist())
    return impossible.Network(model, free, lambda some: network_order(vehicle, some, fault_every))


def impossible_of(
    vehicle: Vehicle, name: str, timing: VehicleTiming, want: Want, fault_every: int
) -> Iterator[ImpossibleSet]:
    """Why the identifiers of a network cannot be brought in order."""

    net = vehicle.networks[name]
    most = net.data_bit_rate or STANDARD_BIT_RATES[-1]
    rates = [r for r in STANDARD_BIT_RATES if net.bit_rate < r <= most]
    bar = (want, fault_every)
    inherited = timing.inherited_ns
    network = question(vehicle, name, inherited, bar)
    for members in impossible.impossible_sets(network):
        streams = tuple(network.model.streams[i] for i in members)
        frees = tuple(
            impossible.frees(
                network, members, lambda r: question(vehicle, name, inherited, bar, r), rates
            )
        )
        rate = next((f.value for f in frees if f.what == "bit rate"), None)
        shared = len({s.key for s in streams}) < len(streams)
        strangers = () if rate is None else not_speaking(vehicle, name, rate)
        yield ImpossibleSet(streams, shared, frees, strangers)
