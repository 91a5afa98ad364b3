"""A proposal beside today's plan as lines: its changes, those refused, and what it does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplan.allot.effect import Effect, State, effects
from busplan.allot.proposal_report import conflict_sentences, headline, other_sentences
from busplan.allot.report import plan_told
from busplan.allot.steps import Step, steps
from busplan.allot.whole import Proposal
from busplan.findings import summary_line
from busplan.plan.vehicle import Vehicle
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, fill, text, wrap
from busplan.text.table import table_lines
from busplan.wording import percent


@dataclass(frozen=True, slots=True)
class Change:
    """One row of the list. ``refuse``: what it is refused by; ``step`` is ``None`` for what has
    been refused and so is no change."""

    refuse: str
    step: Step | None


@dataclass(frozen=True, slots=True)
class Shown:
    """A proposal with all that is shown of it. ``effects``: each network today and then."""

    found: Proposal
    changes: tuple[Change, ...]
    effects: tuple[Effect, ...]

    @property
    def headline(self) -> str:
        """The answer in a sentence."""
        return headline(self.found)


def shown(found: Proposal) -> Shown:
    """Everything that is shown of a proposal."""
    best = found.best
    made = () if best is None else steps(best)
    changes = [Change(s.name, s) for s in made]
    changes += [Change(name, None) for name in found.refused]
    done = () if best is None else effects(found.before, best.vehicle)
    return Shown(found, tuple(changes), done)


def change_text(change: Change) -> str:
    """A change in the list: ``+`` when proposed, ``x`` when refused."""
    if change.step is None:
        return f"x refused  {change.refuse}"
    mark = "+" if change.refuse else "="
    return f"{mark} {change.step.cost:7.2f}  {change.step.what}"


def change_lines(change: Change | None, columns: int) -> list[Line]:
    """Why a change is made, and what speaks against its other places."""
    if change is None:
        return []
    if change.step is None:
        return wrap("refused: space allows it again, and all is solved anew", columns)
    lines = wrap(f"{change.step.what}, because {change.step.why}", columns)
    for reason in change.step.elsewhere:
        lines += wrap(f"not {reason}", columns, FAINT, indent=4)
    if not change.refuse:
        lines += wrap("it cannot be refused by itself", columns, FAINT)
    return lines


def answer_lines(view: Shown, columns: int) -> list[Line]:
    """What stands in the way, when there is no answer, and what others would cost."""
    found = view.found
    lines: list[Line] = []
    if found.conflict is not None:
        for told in conflict_sentences(found.conflict, found.words):
            lines += wrap(told, columns, "fault")
    others = list(other_sentences(found))
    if others:
        lines += [[("", PLAIN)], [("other answers that cost little more", HEAD)]]
    for told in others:
        lines += wrap(told, columns, FAINT, indent=2)
    return lines


def network_lines(view: Shown, columns: int) -> list[Line]:
    """Each network today and with the changes: figures, and the nodes that come and go."""
    best = view.found.best
    if best is None:
        return []
    head = ["network", "kbit/s", "worst load", "late", "growth"]
    rows = [[e.network, *_figures(e.before, e.after)] for e in view.effects]
    first, *table = table_lines(head, rows, columns, right={1, 2, 3, 4}, shrink={0})
    lines: list[Line] = [[(first, HEAD)]]
    for effect, row in zip(view.effects, table, strict=True):
        worse = effect.after is not None and effect.after.late > 0
        same = effect.before == effect.after
        lines.append([(row, "fault" if worse else FAINT if same else PLAIN)])
        lines += _nodes(effect.network, view.found.before, best.vehicle, columns)
    lines.append([("", PLAIN)])
    judged = plan_told(changes=any(change.step for change in view.changes))
    lines += wrap(f"{judged}: {summary_line(best.findings)}", columns)
    return lines


def _figures(before: State | None, after: State | None) -> list[str]:
    def pair(old: str, new: str) -> str:
        return new if old == new else f"{old} > {new}"

    return [
        pair(*(f"{s.bit_rate // 1000}" if s else "-" for s in (before, after))),
        pair(*(percent(s.load) if s else "-" for s in (before, after))),
        pair(*(str(s.late) if s else "-" for s in (before, after))),
        pair(*(f"{s.growth:.2f}" if s and s.growth else "-" for s in (before, after))),
    ]


def _nodes(name: str, before: Vehicle, after: Vehicle, columns: int) -> list[Line]:
    """Nodes that come to a network and leave it."""
    old, new = ({n.name for n in v.nodes_on(name)} for v in (before, after))
    told = [f"+ {node}" for node in sorted(new - old)] + [f"- {node}" for node in sorted(old - new)]
    lines = [line for one in told for line in wrap(one, columns - 4, "changed")]
    return [[("    ", PLAIN), *line] for line in lines]


def head_lines(view: Shown | None, label: str, doing: str, columns: int) -> list[Line]:
    """Whose plan it is, and the answer or how far the search is: whole, over several lines."""
    told = doing or (view.headline if view is not None else "")
    lines = wrap(f"{label}: {told}", columns - 2, "title-dim")
    first = text(lines[0])
    if first.startswith(label):
        lines[0] = [(label, "title"), (first[len(label) :], "title-dim")]
    return [fill([(" ", "title-dim"), *line], columns, "title-dim") for line in lines]


def refused_after(view: Shown, change: Change) -> Sequence[str]:
    """What is refused when a change is refused, or allowed again where it was refused."""
    before = view.found.refused
    if change.step is None:
        return tuple(name for name in before if name != change.refuse)
    return (*before, change.refuse)
