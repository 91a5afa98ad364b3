"""What somebody asks to see of a replay: a screen at a moment, with all that goes with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Protocol

from busplan.errors import UsageError
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.span import Span, measure_span
from busplan.replay.verdict import joined, judge_behaviour, judge_pack, with_failures

if TYPE_CHECKING:
    from busplan.behaviour.report import BehaviourReport
    from busplan.pack.report import PackReport

SCREENS = (
    *("pack", "verdict", "networks", "messages", "findings", "span", "board", "behaviours"),
    "pair",
)
JUDGED = frozenset({"pack", "verdict", "findings"})
"""Screens that show what the evaluation of the pack found."""
FOLLOWED = frozenset({"findings", "behaviours"})
"""Screens that show what became of the plan's behaviours."""


class Documented(Protocol):
    """What has its own document, here a board at a moment."""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""


@dataclass(frozen=True, eq=False)
class Asked:
    """The moment, a filter, a span, signals, a second capture, the evaluation of the pack.

    ``span_ns`` is the whole capture where it is ``None``; the second capture is shown ``shift_ns``
    later than the first.
    """

    replay: Replay
    t_ns: int
    words: str = ""
    span_ns: tuple[int, int] | None = None
    signals: Sequence[SignalAddress] = ()
    beside: Replay | None = None
    shift_ns: int = 0
    report: PackReport | None = None
    board: Documented | None = None
    behaviours: BehaviourReport | None = None

    @cached_property
    def shot(self) -> Snapshot:
        """The moment."""
        return self.replay.snapshot(self.t_ns)

    @cached_property
    def span(self) -> Span:
        """The figures of the span."""
        a_ns, b_ns = self.span_ns or (0, self.replay.span_ns)
        return measure_span(self.replay, a_ns, b_ns, self.signals)

    @cached_property
    def second(self) -> tuple[Replay, Snapshot]:
        """The second capture and its moment; ``UsageError`` when there is only one."""
        if self.beside is None:
            raise UsageError("the pair screen compares two captures; give the second with --beside")
        return self.beside, self.beside.snapshot(self.shot.t_ns + self.shift_ns)


def check_screen(name: str) -> str:
    """The screen's name; ``UsageError`` when there is none of it."""
    if name not in SCREENS:
        raise UsageError(f"there is no screen {name!r}{suggestion(name, SCREENS, 'screen')}")
    return name


def judged(asked: Asked, screen: str) -> Asked:
    """The same with what the screen shows of evaluations: of the pack, of behaviours."""
    if screen in JUDGED:
        report = judge_pack(asked.replay)
        asked = replace(asked, replay=joined(asked.replay, report), report=report)
    if screen in FOLLOWED:
        told = asked.behaviours or judge_behaviour(asked.replay)
        shown = with_failures(asked.replay, told)
        asked = replace(asked, replay=shown, behaviours=told)
    return asked
