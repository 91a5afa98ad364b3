"""What to change in a plan, from Python."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplan.errors import UsageError
from busplan.face.findings import Findings
from busplan.face.given import a_number, a_vehicle, names
from busplan.plan.vehicle import Vehicle
from busplan.tables import html_of
from busplan.wording import one_line

if TYPE_CHECKING:
    import pandas as pd

    from busplan.allot.steps import Step
    from busplan.allot.wants import Want
    from busplan.plan.reader import OpenPlan

LONGEST_S = 86_400
ONLY = ("identifiers", "placement")
"""What alone may change."""


@dataclass(frozen=True, slots=True, repr=False)
class Allotted:
    """What to change so that all of a plan works, at the least cost.

    ``cost`` is ``None`` when no answer was found, ``bound``: no answer costs less, ``proven``: none
    costs less than this one. ``notes``: what one bus error more would take, or how close bus errors
    may come. ``changes`` one by one, ``plan`` the text of the changed plan with its
    comments kept, ``vehicle`` what that describes, ``findings`` what is left to say of it.
    ``conflict`` names parts that cannot live together, when that is why there is no answer; where
    only identifiers may change there are changes and a plan even so, for the other networks.
    """

    cost: float | None
    bound: float
    proven: bool
    headline: str
    notes: tuple[str, ...]
    changes: tuple[Step, ...]
    plan: str | None
    vehicle: Vehicle | None
    findings: Findings
    conflict: tuple[str, ...]
    document: dict[str, Any]
    """All of it as plain values, as ``busplan allot --json`` prints it."""

    def __repr__(self) -> str:
        lines = [f"<Allotted: {self.headline}>", *(f". {s.what}: {s.why}" for s in self.changes)]
        lines += self.notes
        return "\n".join(map(one_line, lines))

    def _repr_html_(self) -> str:
        return html_of(self.headline, self.to_frame())

    def to_frame(self) -> pd.DataFrame:
        """One row a change: what, its cost, why, and what speaks against its other places."""
        from busplan.allot.proposal_report import table_of

        return table_of(self.changes).to_frame()


def allot(
    vehicle: Vehicle,
    *,
    want: str = "in-time",
    only: str | None = None,
    networks: Iterable[str] | str | None = None,
    offsets: Iterable[str] | str | None = None,
    refused: Iterable[str] | str | None = None,
    fault_interval_ms: float | None = None,
    seconds: float | None = None,
) -> Allotted:
    """The cheapest changes that make all of a plan work, or which parts cannot live together.

    What may change, and what that costs, the plan says (``allowed``, ``keep``, ``[allot]``...).
    ``want`` is what every message shall bear: ``"in-time"``, ``"one-error"``, ``"growth=1.25"``
    (all sent so many times as often) or ``"most-robust"`` (bus errors as close as can be borne).
    ``only`` ``"placement"`` lets no identifier of a single message change, ``"identifiers"``
    nothing else; so do ``networks``, on which identifiers are looked at, and ``offsets``: nodes
    whose messages are spread over time first.
    ``refused`` names changes that may not be made, as ``changes[i].name`` tells them.
    ``fault_interval_ms`` lets every frame bear a bus error each so many ms on every network.
    The search takes about ``seconds`` at most (60; 10 a network for identifiers alone), and a third
    of them more for what one bus error takes (``notes``). The plan's file is read again, and stays
    as it is.

    >>> found = busplan.allot(busplan.load_plan("as_bought.toml"))
    >>> found.proven, found.cost <= found.bound + 0.01, len(found.to_frame())
    (True, True, 7)
    """
    from busplan.allot.wants import parse_want
    from busplan.plan.reader import OpenPlan

    path = Path(a_vehicle(vehicle, "allot").source)
    if not isinstance(want, str):
        raise UsageError(f"want is a text such as 'growth=1.25', not {want!r}")
    asked = parse_want(want)
    if only not in (None, *ONLY):
        raise UsageError(f"only takes {' or '.join(map(repr, ONLY))}, not {only!r}")
    unwanted = names(refused, "refused")
    of_messages = (names(networks, "networks"), names(offsets, "offsets"))
    alone = only == "identifiers" or any(of_messages)
    if alone and (unwanted or only == "placement"):
        raise UsageError(
            "networks and offsets are for identifiers alone, refused and placement for all else"
        )
    interval = None
    if fault_interval_ms is not None:
        interval = round(a_number(fault_interval_ms, "fault_interval_ms", 0.001, 1e9) * 1e6)
    usual = 10.0 if alone else 60.0
    most = usual if seconds is None else seconds
    most = a_number(most, "seconds", 0, LONGEST_S, beyond_least=True)
    opened = OpenPlan(path)
    if opened.vehicle.streams != vehicle.streams:
        raise UsageError(f"{path} is not what this vehicle was loaded from any more; load it again")
    if alone:
        return _alone(path, asked, of_messages, interval, most)
    return _whole(path, opened, asked, interval, tuple(unwanted), only is None, most)


def _whole(
    path: Path,
    opened: OpenPlan,
    want: Want,
    interval: int | None,
    refused: tuple[str, ...],
    identifiers: bool,
    seconds: float,
) -> Allotted:
    """Nodes may move."""
    import time

    from busplan.allot.proposal_report import headline, wanted_dict, wanted_sentences
    from busplan.allot.steps import steps
    from busplan.allot.wanted import Question, find
    from busplan.allot.whole import Limits
    from busplan.plan.reader import changed_text

    question = Question(opened.vehicle, opened.changed, want, interval, refused, identifiers)
    wanted = find(question, Limits(seconds, time.monotonic))
    found, best = wanted.proposal, wanted.proposal.best
    return Allotted(
        cost=None if best is None else best.cost,
        bound=found.bound,
        proven=found.proven,
        headline=headline(found),
        notes=tuple(wanted_sentences(wanted)),
        changes=() if best is None else steps(best),
        plan=None if best is None else changed_text(path, best.changed.document, path.parent),
        vehicle=None if best is None else best.vehicle,
        findings=Findings(() if best is None else best.findings),
        conflict=() if found.conflict is None else found.conflict.nodes,
        document=wanted_dict(wanted),
    )


def _alone(
    path: Path,
    want: Want,
    of_messages: tuple[tuple[str, ...], tuple[str, ...]],
    interval: int | None,
    seconds: float,
) -> Allotted:
    """Identifiers and offsets alone."""
    import time
    from functools import partial

    from busplan.allot.alone import identifiers_alone
    from busplan.allot.identifiers import allot_identifiers
    from busplan.allot.report import allot_findings
    from busplan.plan.reader import changed_text

    networks, offsets = of_messages
    answer = identifiers_alone(
        path,
        want,
        partial(allot_identifiers, clock=time.monotonic),
        networks=networks,
        offsets=offsets,
        fault_interval_ns=interval,
        seconds=seconds,
    )
    found, changed = answer.found, answer.changed()
    findings = allot_findings(found)
    each = found.before.freedom.costs.identifier
    stuck = [one for a in found.networks for one in a.impossible]
    return Allotted(
        cost=each * (len(found.changes) + len(answer.moves)) if found.solved else None,
        bound=each * found.bound,
        proven=found.solved and not answer.moves and all(a.proven for a in found.networks),
        headline=answer.headline(),
        notes=tuple(answer.sentences()),
        changes=answer.steps(each),
        plan=changed_text(path, changed.document, path.parent) if answer.changes else None,
        vehicle=changed.after if answer.changes else None,
        findings=Findings(findings),
        conflict=tuple(dict.fromkeys(s.node for one in stuck for s in one.streams)),
        document=answer.document(findings),
    )
