"""What routes of signals do to values: range, steps, units, names."""

from __future__ import annotations

import math
from collections.abc import Iterator

from busplan.definitions.model import Signal, raw_range
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.carrying import gives, takes
from busplan.plan.route import Route
from busplan.plan.vehicle import Stream, Vehicle
from busplan.wording import listing, plain

_NEAR = 1e-9
"""Relative difference that comes from arithmetic."""


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Values that do not arrive as they were sent."""
    for route in vehicle.routes:
        if route.kind != "signal":
            continue
        targets = [
            (s, s.message.signal(route.arrives_as)) for s in vehicle.streams if gives(route, s)
        ]
        for stream in vehicle.streams:
            if stream.node == route.through or not takes(route, stream):
                continue
            source = stream.message.signal(route.what)
            for carrier, target in targets:
                yield from _judged(vehicle, route, (stream, source), (carrier, target))
        for carrier, target in targets:
            yield from _put_in(vehicle, route, carrier, target)


def _judged(
    vehicle: Vehicle, route: Route, sent: tuple[Stream, Signal], given: tuple[Stream, Signal]
) -> Iterator[Finding]:
    (stream, source), (carrier, target) = sent, given
    where = _where(vehicle, route, carrier)
    way = (
        f"{route.what} of {stream.node} goes into {target.name} of {carrier.message.name} on "
        f"{route.target}"
    )
    converted = (route.scale, route.offset) != (1, 0)
    if source.unit != target.unit and source.unit and target.unit and not converted:
        yield Finding(
            "route-unit-differs",
            Weight.CAUTION,
            where,
            f"{way}: {source.unit} there becomes {target.unit} here without a conversion.",
            f"Whoever reads {target.name} takes {source.unit} for {target.unit}.",
            "State scale and offset of the route, or correct the unit that is wrong.",
        )
        return
    yield from _cut(where, way, route, source, target)
    step, kept = abs(source.scale * route.scale), abs(target.scale)
    if not source.is_float and not target.is_float and kept > step * (1 + _NEAR):
        yield Finding(
            "route-resolution-lost",
            Weight.NOTE,
            where,
            f"{way}: steps of {step:g} {target.unit} become steps of {kept:g} {target.unit}.",
            "Smaller changes are lost on the way.",
            f"Leave it if nobody on {route.target} needs finer steps.",
            (
                Figure("step sent", float(step), target.unit),
                Figure("step kept", float(kept), target.unit),
            ),
        )
    yield from _named_otherwise(where, way, route, source, target, converted)


def _cut(where: Where, way: str, route: Route, source: Signal, target: Signal) -> Iterator[Finding]:
    low, high = sorted(v * route.scale + route.offset for v in _range(source))
    least, most = _holds(target)
    # Rounding to the next step counts as held, and so does what arithmetic leaves behind.
    room = abs(target.scale) / 2
    if math.isfinite(low) and math.isfinite(high):
        room += _NEAR * max(abs(low), abs(high))
    if low >= least - room and high <= most + room:
        return
    yield Finding(
        "route-range-cut",
        Weight.CAUTION,
        where,
        f"{way}: it can be {plain(low, 10)} to {plain(high, 10)} {target.unit}, and there is room "
        f"for {plain(least, 10)} to {plain(most, 10)}.",
        "Values beyond that arrive wrong: cut off, or wrapped round to the other end.",
        "Give it more bits or another scale there, or correct scale and offset of the route.",
        (
            Figure("least sent", float(low), target.unit),
            Figure("most sent", float(high), target.unit),
            Figure("least held", float(least), target.unit),
            Figure("most held", float(most), target.unit),
        ),
    )


def _named_otherwise(
    where: Where, way: str, route: Route, source: Signal, target: Signal, converted: bool
) -> Iterator[Finding]:
    if converted or (source.scale, source.offset) != (target.scale, target.offset):
        return
    differ = [
        f"{raw} is {name} there and {target.choices[raw]} here"
        for raw, name in source.choices.items()
        if raw in target.choices and target.choices[raw].casefold() != name.casefold()
    ]
    if differ:
        yield Finding(
            "route-names-differ",
            Weight.CAUTION,
            where,
            f"{way}, where its values have other names: {listing(differ)}.",
            "Whoever reads it there takes one state for another.",
            "Find out which names are right.",
            (Figure("values", len(differ)),),
        )


def _put_in(vehicle: Vehicle, route: Route, carrier: Stream, target: Signal) -> Iterator[Finding]:
    """Whether the signal can hold what the gateway puts in after its time-out."""
    value = route.timeout_value
    if value is None:
        return
    least, most = _holds(target)
    if isinstance(value, str):
        good = value in target.choices.values()
        told = f'"{value}" is the name of none of its values ({listing(target.choices.values())})'
    else:
        span = f"{plain(least, 10)} to {plain(most, 10)}"
        good = least - abs(target.scale) / 2 <= value <= most + abs(target.scale) / 2
        told = f"{plain(value, 10)} does not fit into {span} {target.unit}".rstrip()
    if not good:
        yield Finding(
            "route-range-cut",
            Weight.CAUTION,
            _where(vehicle, route, carrier),
            f"After its time-out the route of {route.label} puts a value into "
            f"{carrier.message.name} on {route.target} that it cannot hold: {told}.",
            "What arrives instead is not what the plan says.",
            "State a timeout_value that the signal can hold.",
        )


def _where(vehicle: Vehicle, route: Route, carrier: Stream) -> Where:
    return Where(
        route.target,
        route.through,
        carrier.message.name,
        route.arrives_as,
        file=vehicle.source,
        line=route.line,
    )


def _range(signal: Signal) -> tuple[float, float]:
    """The physical values a signal can have: the stated range, or all that its bits can hold."""
    low, high = signal.minimum, signal.maximum
    if low is not None and high is not None and low < high:
        least, most = _holds(signal)
        return max(low, least), min(high, most)
    return _holds(signal)


def _holds(signal: Signal) -> tuple[float, float]:
    """The physical values that the bits of a signal can hold; without end for a float."""
    if signal.is_float:
        return -math.inf, math.inf
    low, high = sorted(raw * signal.scale + signal.offset for raw in raw_range(signal))
    return low, high
