"""What the identifiers of a plan shall bear: today's traffic, a bus error, growth, or all they can.

Growth and the most that can be borne look at one network at a time, with the jitter that gateways
bring held at what the plan gives, as :mod:`busplan.timing.slack` does.
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

MOST_GROWTH = 100.0

Kind = Literal["in-time", "one-error", "growth", "most-robust"]


@dataclass(frozen=True, slots=True)
class Want:
    """What every message shall bear. ``growth``: all is sent so many times as often."""

    kind: Kind = "in-time"
    growth: float = 1.0

    def __str__(self) -> str:
        return f"growth={self.growth:g}" if self.kind == "growth" else self.kind

    @property
    def words(self) -> str:
        """What a message is that bears it."""
        if self.kind == "growth":
            return f"in time with everything sent {self.growth:g} times as often"
        return {
            "in-time": "in time",
            "one-error": "in time with one bus error",
            "most-robust": "in time with bus errors as close as any identifiers bear",
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


def of_placement(want: Want, fault_interval_ns: int | None) -> int | None:
    """The least distance of bus errors [ns] that a placement shall bear; :class:`UsageError` for
    what only identifiers are searched for."""
    if want.kind == "one-error":
        return fault_interval_ns or ONE_ERROR_NS
    if want.kind != "in-time":
        raise UsageError(f"{want} is searched for identifiers only: add --only identifiers")
    return fault_interval_ns


def timing_under(vehicle: Vehicle, want: Want, fault_interval_ns: int | None) -> VehicleTiming:
    """Response times of the whole vehicle as they are wanted; ``fault_interval_ns`` [ns] assumes
    bus errors on every network, instead of what the plan states."""
    if fault_interval_ns is not None:
        vehicle = with_faults(vehicle, fault_interval_ns)
    if want.kind == "one-error":
        networks = {
            name: replace(
                n, fault_interval_ns=min(n.fault_interval_ns or ONE_ERROR_NS, ONE_ERROR_NS)
            )
            for name, n in vehicle.networks.items()
        }
        vehicle = replace(vehicle, networks=networks)
    return vehicle_timing(vehicle)


def model_under(model: QueueModel, want: Want) -> QueueModel:
    """One network as it is wanted."""
    return scaled(model, int(STEPS / want.growth)) if want.kind == "growth" else model


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
