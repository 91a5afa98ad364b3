"""How far a network can grow, and how much disturbance it bears, before a deadline is missed.

The rules of this file: every answer is found by bisection over whole numbers on the same fixed
points as the response times, one network at a time, with the jitter that gateways bring in held at
what the plan gives. A deadline that follows from the cycle time shrinks with it; one that the plan
states stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.clocks import shrunk
from busplan.timing.queue_model import ONE_OFF_NS, QueueModel, Status, queue_model
from busplan.timing.solving import solve
from busplan.wire.load_limit import over_limit

STANDARD_BIT_RATES = (10_000, 20_000, 50_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""Bit rates [bit/s] that CiA 301 recommends (from memory)."""

STEPS = 10_000
"""Steps to the unit of the factor by which periods shrink."""
_MOST_STRETCH = 100
FAULT_STEP_NS = 1_000
FAULT_CEILING_NS = 60 * 10**9


@dataclass(frozen=True, slots=True)
class Slack:
    """How far one network is from its first missed deadline.

    * ``growth``: all messages can be sent this many times as often (1.6: periods may shrink to
      1/1.6); below 1 they are sent too often already; ``None`` when no factor helps.
    * ``limited_by``: the message that then misses first.
    * ``lowest_bit_rate`` [bit/s]: the lowest standard rate at which every deadline holds and the
      worst-case load is within its limit; ``None`` when none does. ``not_spoken_by``: nodes whose
      parts state other rates.
    * ``fault_interval_ns``: the least distance of bus errors that every deadline survives; ``None``
      when not even a single error is survived.
    """

    network: str
    growth: float | None
    limited_by: Stream | None
    lowest_bit_rate: int | None
    not_spoken_by: tuple[str, ...]
    fault_interval_ns: int | None


def network_slack(
    vehicle: Vehicle, network: str, *, inherited_ns: Mapping[str, int] | None = None
) -> Slack:
    """All answers for one network; ``inherited_ns`` as for the response times.

    Where no message can be analysed there is none: that nothing is late would be no evidence.
    """
    model = queue_model(vehicle, network, inherited_ns=inherited_ns)
    if not any(model.status[i] is Status.PROVEN for i in model.messages):
        return Slack(network, None, None, None, (), None)
    faults = vehicle.networks[network].fault_interval_ns or 0
    growth, limited_by = _growth(model, faults)
    lowest, strangers = lowest_bit_rate(vehicle, network, inherited_ns=inherited_ns)
    return Slack(network, growth, limited_by, lowest, strangers, _fault_interval(model))


def _growth(model: QueueModel, faults: int) -> tuple[float | None, Stream | None]:
    """The largest factor by which all messages can be sent more often, and what then misses."""

    def holds(steps: int) -> bool:
        return solve(scaled(model, steps), fault_every=faults, stop_at_miss=True).in_time

    steps = least(holds, 1, _MOST_STRETCH * STEPS)
    if steps is None:
        return None, _first_miss(model, faults)
    missing = _first_miss(scaled(model, steps - 1), faults) if steps > 1 else None
    return STEPS / steps, missing


def scaled(model: QueueModel, steps: int) -> QueueModel:
    """The model with all periods, and the deadlines that follow from them, times ``steps`` /
    :data:`STEPS`."""
    return shrunk_model(model, steps, [s.deadline == s.cycle for s in model.streams])


def shrunk_model(model: QueueModel, steps: int, follows: Sequence[bool]) -> QueueModel:
    """The same where ``follows`` tells of each entry whether its deadline does so."""

    def scale(ns: int) -> int:
        return ns if ns == ONE_OFF_NS else max(1, ns * steps // STEPS)

    deadline = [
        scale(ns) if with_period else ns
        for with_period, ns in zip(follows, model.deadline, strict=True)
    ]
    period = [
        ns if spaced else scale(ns) for ns, spaced in zip(model.period, model.spaced, strict=True)
    ]
    return replace(_with_rhythms(model, steps, period), deadline=deadline)


def _with_rhythms(model: QueueModel, steps: int, period: list[int]) -> QueueModel:
    """The model with these periods; those of one clock shrink in step, and where they cannot, the
    clock is forgotten."""
    rhythm, offset = list(model.rhythm), list(model.offset)
    for number in set(rhythm) - {-1}:
        members = [k for k, other in enumerate(rhythm) if other == number]
        times = [*(model.period[k] for k in members), *(model.offset[k] for k in members)]
        found = shrunk(times, steps, STEPS)
        for row, k in enumerate(members):
            if found is None:
                rhythm[k] = -1
            else:
                period[k], offset[k] = found[row], found[row + len(members)]
    return replace(model, period=period, rhythm=rhythm, offset=offset)


def _first_miss(model: QueueModel, faults: int) -> Stream | None:
    """The most urgent message that misses its deadline."""
    found = solve(model, fault_every=faults).response
    for i in model.messages:
        if model.status[i] is Status.PROVEN and not 0 <= found[i] <= model.deadline[i]:
            return model.streams[i]
    return None


def lowest_bit_rate(
    vehicle: Vehicle, network: str, *, inherited_ns: Mapping[str, int] | None = None
) -> tuple[int | None, tuple[str, ...]]:
    """The lowest standard bit rate [bit/s] at which every deadline holds and the worst-case load
    is within its limit, and the nodes whose parts state other rates."""
    net = vehicle.networks[network]
    faults = net.fault_interval_ns or 0
    for rate in STANDARD_BIT_RATES:
        if net.data_bit_rate is not None and rate > net.data_bit_rate:
            break
        model = queue_model(vehicle, network, inherited_ns=inherited_ns, bit_rate=rate)
        if over_limit(model.load, net.load_limit):
            continue
        if solve(model, fault_every=faults, stop_at_miss=True).in_time:
            return rate, not_speaking(vehicle, network, rate)
    return None, ()


def not_speaking(vehicle: Vehicle, network: str, rate: int) -> tuple[str, ...]:
    """The nodes of a network whose parts state other bit rates [bit/s]."""
    return tuple(
        node.name
        for node in vehicle.nodes_on(network)
        if node.on[network].bit_rates and rate not in node.on[network].bit_rates
    )


def _fault_interval(model: QueueModel) -> int | None:
    """The least distance of bus errors [ns] at which every deadline still holds."""

    def holds(steps: int) -> bool:
        return solve(model, fault_every=steps * FAULT_STEP_NS, stop_at_miss=True).in_time

    steps = least(holds, 1, FAULT_CEILING_NS // FAULT_STEP_NS)
    return None if steps is None else steps * FAULT_STEP_NS


def least(holds: Callable[[int], bool], low: int, high: int) -> int | None:
    """The least number from ``low`` to ``high`` that holds, when all above it hold too."""
    if not holds(high):
        return None
    while low < high:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle + 1
    return low
