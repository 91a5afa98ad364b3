"""What a change does: findings that go, come or change, and the load of each network."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from busplan.checks.planned_load import PlannedLoad, network_loads
from busplan.checks.registry import run_checks
from busplan.findings import Finding, by_weight, count_findings
from busplan.plan.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class LoadChange:
    """A network's load before and after; ``None`` where the network does not exist."""

    network: str
    before: PlannedLoad | None
    after: PlannedLoad | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "network": self.network,
            "before": _load_dict(self.before),
            "after": _load_dict(self.after),
        }


Keep = Callable[[Iterable[Finding]], tuple[Finding, ...]]
"""Leaves of some findings those that are asked for."""


@dataclass(frozen=True, slots=True)
class Difference:
    """The difference between two vehicles; ``changed`` holds pairs of the same code and place.

    ``follows`` are sentences on what else the change brought with it.
    """

    gone: tuple[Finding, ...]
    new: tuple[Finding, ...]
    changed: tuple[tuple[Finding, Finding], ...]
    same: tuple[Finding, ...]
    loads: tuple[LoadChange, ...]
    follows: tuple[str, ...] = ()

    @property
    def after(self) -> tuple[Finding, ...]:
        """Every finding of the second vehicle, heaviest first."""
        return tuple(by_weight([*self.new, *(b for _, b in self.changed), *self.same]))

    def narrowed(self, keep: Keep, networks: Collection[str] = ()) -> Difference:
        """The difference of the findings that ``keep`` leaves, and the loads of some networks."""
        return replace(
            self,
            gone=keep(self.gone),
            new=keep(self.new),
            changed=tuple(pair for pair in self.changed if keep(pair[1:])),
            same=keep(self.same),
            loads=tuple(c for c in self.loads if not networks or c.network in networks),
        )

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "follows": list(self.follows),
            "loads": [change.as_dict() for change in self.loads],
            "new": [f.as_dict() for f in self.new],
            "changed": [
                {"before": old.as_dict(), "after": new.as_dict()} for old, new in self.changed
            ],
            "gone": [f.as_dict() for f in self.gone],
            "same": [f.as_dict() for f in self.same],
            "counts": count_findings(self.after),
        }


def compare(before: Vehicle, after: Vehicle, *, follows: Iterable[str] = ()) -> Difference:
    """Check both vehicles and tell the difference; ``follows`` is told with it."""
    old, new = list(run_checks(before)), list(run_checks(after))
    same = [f for f in new if f in old]
    old = [f for f in old if f not in same]
    new = [f for f in new if f not in same]
    changed = _pairs(old, new)
    gone = [f for f in old if all(f is not a for a, _ in changed)]
    come = [f for f in new if all(f is not b for _, b in changed)]
    loads_before, loads_after = network_loads(before), network_loads(after)
    loads = tuple(
        LoadChange(name, loads_before.get(name), loads_after.get(name))
        for name in dict.fromkeys([*loads_before, *loads_after])
    )
    return Difference(
        gone=tuple(gone),
        new=tuple(come),
        changed=tuple(changed),
        same=tuple(same),
        loads=loads,
        follows=tuple(follows),
    )


def _load_dict(one: PlannedLoad | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "bit_rate": one.network.bit_rate,
        "data_bit_rate": one.network.data_bit_rate,
        "nominal": one.nominal,
        "worst": one.worst,
        "limit": one.network.load_limit,
    }


def _pairs(old: Sequence[Finding], new: Sequence[Finding]) -> list[tuple[Finding, Finding]]:
    """Findings of one code at one place, paired in order."""
    waiting = list(new)
    pairs = []
    for finding in old:
        for other in waiting:
            if (finding.code, finding.where) == (other.code, other.where):
                pairs.append((finding, other))
                waiting.remove(other)
                break
    return pairs
