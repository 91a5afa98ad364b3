"""Identifiers and send offsets alone: what changes where no node moves, step after step.

First the messages of asked nodes are spread over time, then parts with a list of offsets move to
another one where identifiers alone cannot help, then the fewest identifiers change.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from busplan.allot.fewest import Enough
from busplan.allot.identifiers import Allotment, bears
from busplan.allot.offset_gain import worth_it
from busplan.allot.offset_report import Spread, offsets_of
from busplan.allot.offsets import OffsetChange, propose_offsets
from busplan.allot.part_offsets import PartMove, move_parts
from busplan.allot.report import as_dict, sentences
from busplan.allot.steps import Step
from busplan.allot.wants import IN_TIME, ONE_ERROR, Want
from busplan.checks.document import whose
from busplan.findings import Finding
from busplan.plan.change import Change, set_identifiers, set_offsets, set_part_offsets
from busplan.plan.reader import Changed, change_plan, load_plan
from busplan.plan.select import select_networks
from busplan.plan.vehicle import Vehicle
from busplan.wording import counted

LESS = 3
"""What one bus error would take is searched for a third of the time."""


Search = Callable[..., Allotment]
""":func:`busplan.allot.identifiers.allot_identifiers`, or what calls it with the same arguments."""


@dataclass(frozen=True)
class Alone:
    """The answer: ``found``, ``more`` to bear one bus error as well, offsets and moved parts.

    ``kept`` are the changes of the plan that come before those of identifiers.
    """

    plan: Path
    found: Allotment
    more: Allotment | None
    moves: tuple[PartMove, ...]
    spread: Spread | None
    kept: tuple[Change, ...]

    @property
    def changes(self) -> bool:
        """Whether anything changes."""
        return bool(self.found.changes or self.moves or (self.spread and self.spread.tables))

    def changed(self) -> Changed:
        """The plan with all of it."""
        wanted = {c.stream.label: c.becomes for c in self.found.changes}
        return change_plan(self.plan, [*self.kept, set_identifiers(wanted)])

    def steps(self, identifier: float) -> tuple[Step, ...]:
        """Every change, where one of an identifier or of a part's offset costs so much."""
        offsets = () if self.spread is None else self.spread.found.changes
        return (
            *(
                Step("", f"{m.node} is set to offset {m.becomes:#x}", identifier, m.reason)
                for m in self.moves
            ),
            *(
                Step(
                    "",
                    f"{c.stream.label} gets {c.new} instead of {c.was}",
                    identifier,
                    f"it {c.reason}",
                )
                for c in self.found.changes
            ),
            *(
                Step(
                    "",
                    f"{c.stream.label} is sent at {c.becomes_ns / 1e6:g} ms of its node's clock",
                    0.0,
                    "apart from the node's others",
                )
                for c in offsets
            ),
        )

    def headline(self) -> str:
        """The answer in a line."""
        if not self.found.solved:
            late = sum(a.wrong_after for a in self.found.networks)
            return f"{counted(late, 'message')} still not {self.found.want.words}"
        if not self.found.changes:
            if not self.moves:
                return "No identifier has to change"
            part = counted(len(self.moves), "part is", "parts are")
            return f"{part} set to another offset, no identifier has to change"
        change = counted(len(self.found.changes), "identifier changes", "identifiers change")
        return f"{change}, at least {self.found.bound} must"

    def sentences(self) -> list[str]:
        """What the answer is worth, network by network."""
        told = [] if self.spread is None else list(self.spread.sentences())
        return told + list(sentences(self.found, self.more))

    def document(self, findings: tuple[Finding, ...]) -> dict[str, Any]:
        """Plain values for JSON."""
        told = whose(self.found.before)
        if self.spread:
            told["offsets"] = self.spread.as_dict()
        told["moves"] = [asdict(m) for m in self.moves]
        return told | as_dict(self.found, findings, self.more)


def identifiers_alone(
    plan: Path,
    want: Want,
    search: Search,
    *,
    networks: Sequence[str] = (),
    offsets: Sequence[str] = (),
    fault_interval_ns: int | None = None,
    seconds: float = 10.0,
    stop: Enough = lambda: False,
) -> Alone:
    """The fewest identifiers to change on ``networks`` (all by default), nodes' ``offsets`` first.

    ``seconds`` for each network, less when ``stop`` says so. Raises ``UsageError`` for names that
    the plan does not know.
    """
    as_is = load_plan(plan)
    names = select_networks(as_is, networks)
    kept: list[Change] = []
    spread, before = None, as_is
    if offsets:

        def spaced(some: Sequence[OffsetChange]) -> Vehicle:
            return change_plan(plan, [set_offsets(offsets_of(as_is, some))]).after

        proposed = propose_offsets(as_is, offsets, networks=names)
        proposed = worth_it(proposed, spaced, want, fault_interval_ns)
        kept.append(set_offsets(offsets_of(as_is, proposed.changes)))
        before = spaced(proposed.changes)
        spread = Spread(as_is, before, proposed)
    moves = move_parts(before, names, want=want, fault_interval_ns=fault_interval_ns)
    if moves:
        kept.append(set_part_offsets({m.node: m.becomes for m in moves}))
        before = change_plan(plan, kept).after

    def rebuild(changes: Mapping[str, int]) -> Vehicle:
        return change_plan(plan, [*kept, set_identifiers(changes)]).after

    search = partial(search, before, rebuild, networks=names, fault_interval_ns=fault_interval_ns)
    found, more = search(want=want, seconds=seconds), None
    errors = any(a.fault_every for a in found.networks)
    if want == IN_TIME and found.solved and not errors and not stop():
        more = found
        if not bears(found, ONE_ERROR):
            more = search(want=ONE_ERROR, seconds=seconds / LESS, near=found)
    return Alone(plan, found, more, moves, spread, tuple(kept))
