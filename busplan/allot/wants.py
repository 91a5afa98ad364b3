"""What a plan shall bear: today's traffic, a bus error, growth, or bus errors as close as can be.

Growth looks at one network at a time, with the jitter that gateways bring held at what the plan
gives, as :mod:`busplan.timing.slack` does; so does most-robust where only identifiers change. Where
nodes may move, it means bus errors on every network at once, with all that they delay.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from busplan.checks.deadlines import ONE_ERROR_NS
from busplan.errors import UsageError
from busplan.plan.vehicle import Vehicle
from busplan.timing.fixed_point import UNBOUNDED
from busplan.timing.gateways import VehicleTiming, vehicle_timing
from busplan.timing.queue_model import QueueModel, Status
from busplan.timing.response import with_faults
from busplan.timing.slack import FAULT_CEILING_NS, FAULT_STEP_NS, STEPS, least, scaled
from busplan.timing.solving import solve
from busplan.wording import plain

MOST_GROWTH = 100.0

Kind = Literal["in-time", "one-error", "growth", "most-robust"]


@dataclass(frozen=True, slots=True)
class Want:
    """What every message shall bear. ``growth``: all is sent so many times as often.

    ``every_ns``: the distance of bus errors that is tried for ``most-robust``, on every network.
    """

    kind: Kind = "in-time"
    growth: float = 1.0
    every_ns: int = 0

    def __str__(self) -> str:
        return f"growth={self.growth:g}" if self.kind == "growth" else self.kind

    @property
    def short(self) -> str:
        """What is wanted, for one line of progress."""
        return f"errors each {plain(self.every_ns / 1e6)} ms" if self.every_ns else str(self)

    @property
    def words(self) -> str:
        """What a message is that bears it."""
        if self.kind == "growth":
            return f"in time with everything sent {self.growth:g} times as often"
        if self.every_ns:
            return f"in time with a bus error each {self.every_ns / 1e6:g} ms on every network"
        return {
            "in-time": "in time",
            "one-error": "in time with one bus error",
            "most-robust": "in time with bus errors as close as can be borne",
        }[self.kind]


IN_TIME = Want()
ONE_ERROR = Want("one-error")


def parse_want(text: str) -> Want:
    """``in-time``, ``one-error``, ``most-robust`` or ``growth=FACTOR``.

    :class:`UsageError` for anything else.
    """
    kind, _, value = text.partition("=")
    if kind == "growth":
        try:
            factor = float(value)
        except ValueError:
            factor = 0.0
        if 1.0 <= factor <= MOST_GROWTH:
            return Want("growth", factor)
    elif not value and kind in ("in-time", "one-error", "most-robust"):
        return Want(kind)  # type: ignore[arg-type]
    raise UsageError(
        f'"{text}" is nothing that can be wanted: in-time, one-error, most-robust, or growth= with '
        f"a factor from 1 to {MOST_GROWTH:g}, such as growth=1.25"
    )


def faults_under(vehicle: Vehicle, want: Want, fault_interval_ns: int | None) -> Vehicle:
    """The vehicle with the bus errors that shall be borne; ``fault_interval_ns`` [ns] assumes them
    on every network, instead of what the plan states."""
    if fault_interval_ns is not None:
        vehicle = with_faults(vehicle, fault_interval_ns)
    networks = {
        name: replace(n, fault_interval_ns=distance_under(n.fault_interval_ns, want))
        for name, n in vehicle.networks.items()
    }
    return replace(vehicle, networks=networks)


def distance_under(stated: int | None, want: Want) -> int | None:
    """The distance of bus errors [ns] that a network shall bear which is ``stated`` to have some so
    far apart; ``None`` for none."""
    most = ONE_ERROR_NS if want.kind == "one-error" else want.every_ns
    return min(stated or most, most) if most else stated


def timing_under(vehicle: Vehicle, want: Want, fault_interval_ns: int | None) -> VehicleTiming:
    """Response times of the whole vehicle with the bus errors that shall be borne."""
    return vehicle_timing(faults_under(vehicle, want, fault_interval_ns))


def steps_under(want: Want) -> int:
    """How periods shrink, in parts of :data:`busplan.timing.slack.STEPS`."""
    return int(STEPS / want.growth)


def model_under(model: QueueModel, want: Want) -> QueueModel:
    """One network as it is wanted."""
    return scaled(model, steps_under(want)) if want.kind == "growth" else model


def least_fault_distance(holds: Callable[[int], bool]) -> int | None:
    """The least distance of bus errors [ns] that holds; ``None``: not even a single one."""
    steps = least(lambda s: holds(s * FAULT_STEP_NS), 1, FAULT_CEILING_NS // FAULT_STEP_NS)
    return None if steps is None else steps * FAULT_STEP_NS


def late_in(model: QueueModel, fault_every: int) -> frozenset[str]:
    """Labels of the messages that are late, or share an identifier with another."""
    response = solve(model, fault_every=fault_every).response
    uses = Counter(model.streams[i].key for i in model.messages)
    return frozenset(
        model.streams[i].label
        for i in model.messages
        if uses[model.streams[i].key] > 1
        or (
            model.status[i] is Status.PROVEN
            and (response[i] == UNBOUNDED or response[i] > model.deadline[i])
        )
    )


def minimal(members: Sequence[int], impossible: Callable[[Sequence[int]], bool]) -> list[int]:
    """Members of an impossible set of which none can be left out, those named last kept first."""
    left = list(members)
    for one in members:
        fewer = [k for k in left if k != one]
        if fewer and impossible(fewer):
            left = fewer
    return left
