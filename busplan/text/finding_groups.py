"""Many findings told in few lines: one of each code in full, the places of the others counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busplan.findings import Finding, by_weight
from busplan.text.finding import INDENT, finding_block
from busplan.text.runs import wrapped
from busplan.wording import listing

MANY = 20
"""No more findings than this are all told in full: about what one looks through in a minute."""
FEW = 3
"""No more findings of one code than this are put together."""
_PLACES = 6


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """Findings of one code and weight that are told as one, the first in full."""

    first: Finding
    others: tuple[Finding, ...] = ()

    @property
    def all(self) -> tuple[Finding, ...]:
        """Every finding of the group."""
        return self.first, *self.others

    @property
    def places(self) -> tuple[str, ...]:
        """Where they are, network by network (or file), with how many there are, most first."""
        return places_counted(self.all)


def grouped(findings: Iterable[Finding]) -> tuple[FindingGroup, ...]:
    """Findings, heaviest first, with those of one code together when there are many."""
    ordered = by_weight(findings)
    by_code: dict[tuple[int, str], list[Finding]] = {}
    for finding in ordered:
        by_code.setdefault((finding.weight, finding.code), []).append(finding)
    if len(ordered) <= MANY:
        return tuple(FindingGroup(f) for f in ordered)
    groups = []
    for same in by_code.values():
        if len(same) > FEW:
            groups.append(FindingGroup(same[0], tuple(same[1:])))
        else:
            groups += [FindingGroup(f) for f in same]
    return tuple(groups)


def places_counted(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Networks or files of findings, each with how many of them it has, most first."""
    counts = Counter(f.where.network or f.where.file or "the plan" for f in findings)
    return tuple(f"{place} {count}" for place, count in counts.most_common())


def group_block(group: FindingGroup, columns: int, *, details: bool = True) -> list[str]:
    """A group on the command line: its first finding, then how many more there are and where."""
    lines = finding_block(group.first, columns, details=details)
    if group.others:
        told = (
            f"{len(group.others)} more {group.first.code}, in all "
            f"{listing(group.places, _PLACES)}; each with --code {group.first.code}"
        )
        lines += wrapped(told, columns, first=f"{INDENT}and: ", rest=INDENT + " " * 5, figures=True)
    return lines


def overview_rows(groups: Iterable[FindingGroup]) -> list[list[str]]:
    """A row a code: mark, code, how many, where most of them are."""
    found: dict[tuple[int, str], list[Finding]] = {}
    for group in groups:
        key = (group.first.weight, group.first.code)
        found.setdefault(key, []).extend(group.all)
    return [
        [
            same[0].weight.mark,
            code,
            str(len(same)),
            listing(places_counted(same), 1),
        ]
        for (_, code), same in found.items()
    ]
