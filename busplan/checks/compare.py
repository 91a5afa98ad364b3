"""What a change does: findings that go, come or change, and the load of each network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplan.checks.planned_load import PlannedLoad, network_loads
from busplan.checks.registry import run_checks
from busplan.findings import Finding, by_weight
from busplan.plan.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class LoadChange:
    """A network's load before and after; ``None`` where the network does not exist."""

    network: str
    before: PlannedLoad | None
    after: PlannedLoad | None

    @property
    def same(self) -> bool:
        """Whether bit rate, limit and load are what they were."""
        if self.before is None or self.after is None:
            return False
        return (
            self.before.network == self.after.network
            and self.before.worst == self.after.worst
            and self.before.nominal == self.after.nominal
        )


@dataclass(frozen=True, slots=True)
class Difference:
    """The difference between two vehicles; ``changed`` holds pairs of the same code and place."""

    gone: tuple[Finding, ...]
    new: tuple[Finding, ...]
    changed: tuple[tuple[Finding, Finding], ...]
    same: tuple[Finding, ...]
    loads: tuple[LoadChange, ...]

    @property
    def after(self) -> tuple[Finding, ...]:
        """Every finding of the second vehicle, heaviest first."""
        return tuple(by_weight([*self.new, *(b for _, b in self.changed), *self.same]))


def compare(before: Vehicle, after: Vehicle) -> Difference:
    """Check both vehicles and tell the difference."""
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
    return Difference(tuple(gone), tuple(come), tuple(changed), tuple(same), loads)


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
