"""Worst-case response times that differ between two plans."""

from __future__ import annotations

from dataclasses import dataclass

from busplan.plan.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class ResponseChange:
    """A message's worst-case response time before and after [ms]; ``None``: no bound."""

    message: str
    before_ms: float | None
    after_ms: float | None
    deadline_ms: float | None
    late_before: bool
    late_after: bool


def response_changes(before: Vehicle, after: Vehicle) -> tuple[ResponseChange, ...]:
    """Messages of both plans whose worst case differs, those that change most first.

    A message whose node has moved to another network is held against itself on the one it left.
    """
    from busplan.timing.gateways import vehicle_timing

    old, new = vehicle_timing(before).by_label, vehicle_timing(after).by_label
    moved = {r.stream.path[1:]: r for label, r in old.items() if label not in new}
    found = []
    for label, response in new.items():
        was = old.get(label) or moved.get(response.stream.path[1:])
        if was is None:
            continue
        if (was.response_ns, was.missed) == (response.response_ns, response.missed):
            continue
        found.append(
            ResponseChange(
                label,
                _ms(was.response_ns),
                _ms(response.response_ns),
                None if response.deadline is None else response.deadline.ms,
                was.missed,
                response.missed,
            )
        )
    return tuple(sorted(found, key=_weight))


def _ms(ns: int | None) -> float | None:
    return None if ns is None else ns / 1e6


def _weight(one: ResponseChange) -> tuple[bool, bool, float]:
    """Newly late first, then mended ones, then by how many times as long."""
    a, b = one.before_ms, one.after_ms
    times = float("inf") if not a or not b else max(a / b, b / a)
    return not (one.late_after and not one.late_before), one.late_before == one.late_after, -times
