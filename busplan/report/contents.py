"""What a report tells, as values: from the vehicle and its commissioning."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from busplan.checks.registry import run_checks
from busplan.commission.entry import Entry, Result
from busplan.commission.state import (
    FAILED,
    NOT_SHOWN,
    OPEN,
    PROVEN,
    Commissioning,
    TestState,
    remarks_of,
)
from busplan.findings import Finding, Weight
from busplan.plan.vehicle import Vehicle
from busplan.version import __version__
from busplan.wording import counted

CAUTIONS = (
    "High voltage can kill. Work on the traction pack, its contactors and its cables belongs to "
    "licensed people who follow the makers' instructions and local codes.",
    "This report says what was measured, seen and recorded on the days it names. It is no approval "
    "and no proof of safety, and replaces neither an inspection that local codes ask for nor the "
    "makers' instructions.",
    "What is not shown or open was not tested. Proven means: within the stated limits, in that "
    "capture or by that person.",
)


_UNSTATED = frozenset(
    {"cable-not-stated", "stub-not-stated", "delay-not-stated", "one-clock-assumed"}
)
"""Notes without which "no faults" would say more than was judged."""


@dataclass(frozen=True, slots=True)
class NodeTold:
    """One node as built: its part and what it told of itself (version, serial number …)."""

    node: str
    part: str
    maker: str
    place: str
    networks: tuple[str, ...]
    told: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Report:
    """A vehicle, where its tests stand, who wrote the report and when (ISO 8601)."""

    vehicle: Vehicle
    commissioning: Commissioning
    date: str
    by: str = ""

    @property
    def verdict(self) -> str:
        """``proven``, ``failed`` or ``not shown``: proven only when every test is."""
        if self.commissioning.unaccepted or self.commissioning.journal.broken:
            return FAILED
        return PROVEN if self.commissioning.done else NOT_SHOWN

    @property
    def words(self) -> str:
        """The verdict in plain words."""
        state = self.commissioning
        if state.journal.broken:
            return "The journal has been changed: this report proves nothing."
        if not state.tests:
            return "The plan has no list of tests: nothing was commissioned."
        counts = state.counts
        if state.done:
            few = {1: "The one test of the list is proven"}
            said = few.get(len(state.tests), f"All {len(state.tests)} tests of the list are proven")
            faults = sum(f.weight is Weight.FAULT for f in self.plan_findings)
            but = f", but the plan itself has {counted(faults, 'fault')}" if faults else ""
            return f"{said}{but}."
        parts = []
        failed, accepted = len(state.unaccepted), len(self.accepted)
        if failed:
            parts.append(f"{counted(failed, 'test')} failed and nobody accepted that")
        if accepted:
            parts.append(f"{counted(accepted, 'failure')} accepted with a reason")
        if counts[NOT_SHOWN]:
            parts.append(f"{counts[NOT_SHOWN]} not shown")
        if counts[OPEN]:
            parts.append(f"{counts[OPEN]} open")
        lead = "Not ready to hand over" if failed else "Not all is proven"
        return f"{lead}: {', '.join(parts)}; {counts[PROVEN]} of {len(state.tests)} proven."

    @cached_property
    def _checked(self) -> tuple[Finding, ...]:
        return tuple(run_checks(self.vehicle))

    @property
    def plan_findings(self) -> tuple[Finding, ...]:
        """Faults and cautions of the plan held against itself, which no test of the list tells."""
        return tuple(f for f in self._checked if f.weight > Weight.NOTE)

    @property
    def plan_unstated(self) -> tuple[Finding, ...]:
        """What the plan leaves out: not judged, or counted as assumed."""
        return tuple(f for f in self._checked if f.weight is Weight.NOTE and f.code in _UNSTATED)

    @cached_property
    def accepted(self) -> tuple[TestState, ...]:
        """Failures that somebody accepted."""
        return tuple(t for t in self.commissioning.tests if t.accepted is not None)

    def of(self, state: str) -> tuple[TestState, ...]:
        """The tests that stand there."""
        return tuple(t for t in self.commissioning.tests if t.state == state)

    @cached_property
    def captures(self) -> tuple[tuple[Entry, Mapping[str, Any]], ...]:
        """Every capture that was entered, with its entry."""
        entries = self.commissioning.journal.entries
        return tuple((e, c) for e in entries for c in e.captures)

    @cached_property
    def notes(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What was noted while captures were recorded: the capture's name and the note."""
        return tuple((c["name"], n) for _, c in self.captures for n in c.get("notes", ()))

    @cached_property
    def nodes(self) -> tuple[NodeTold, ...]:
        """The nodes in plan order with what they told."""
        told = {name: tuple(lines) for name, lines in self._told().items()}
        return tuple(
            NodeTold(
                n.name,
                n.part.name,
                n.part.maker,
                n.place,
                tuple(n.on),
                told.get(n.name, ()),
            )
            for n in self.vehicle.nodes.values()
        )

    def _told(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for state in self.commissioning.tests:
            if state.test.kind != "expect" or state.proof is None:
                continue
            for item in _rows((state.proof[1].figures or {}).get("told")):
                text = f"{item.get('what')}: {', '.join(map(str, item.get('told') or ())) or '-'}"
                if item.get("answer") == "bad":
                    text += f" (expected {' or '.join(map(str, item.get('expected') or ()))})"
                found.setdefault(state.test.subject, []).append(text)
        return found

    def packs(self) -> Iterator[tuple[TestState, Entry, Mapping[str, Any]]]:
        """Each judged pack of the journal that decides a test, with its test and entry."""
        for state in self.commissioning.tests:
            if state.test.kind == "capture" and state.proof is not None:
                pack = (state.proof[1].figures or {}).get("pack")
                if isinstance(pack, Mapping):
                    yield state, state.proof[0], pack

    def failed_before(self, state: TestState) -> Result | None:
        """The latest failure of a test that is proven since."""
        failed = [r for _, r in state.history if r.answer == FAILED]
        return failed[-1] if failed and state.repaired else None

    def remarks(self, state: TestState) -> tuple[Entry, ...]:
        """What people remarked about a test."""
        return tuple(remarks_of(state.test, self.commissioning.journal.entries))

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values for JSON."""
        return {
            "busplan": __version__,
            "vehicle": self.vehicle.name,
            "invented": self.vehicle.invented,
            "date": self.date,
            "by": self.by,
            "verdict": self.verdict,
            "words": self.words,
            "networks": [
                {"network": n.name, "bit_rate": n.bit_rate, "data_bit_rate": n.data_bit_rate}
                for n in self.vehicle.networks.values()
            ],
            "nodes": [
                {
                    "node": n.node,
                    "part": n.part,
                    "maker": n.maker,
                    "place": n.place,
                    "networks": list(n.networks),
                    "told": list(n.told),
                }
                for n in self.nodes
            ],
            "plan_findings": [f.as_dict() for f in self.plan_findings],
            "plan_not_stated": [f.as_dict() for f in self.plan_unstated],
            "commissioning": self.commissioning.as_dict(),
            "cautions": list(CAUTIONS),
        }


def _rows(value: object) -> Sequence[Mapping[str, Any]]:
    """Rows of a journal's table; what is none is left out."""
    return [r for r in value if isinstance(r, Mapping)] if isinstance(value, list) else []


def rows_of(pack: Mapping[str, Any], name: str) -> Sequence[Mapping[str, Any]]:
    """The modules or cells of a judged pack as it stands in the journal."""
    return _rows(pack.get(name))
