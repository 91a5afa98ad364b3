"""What was found of each behaviour: values, tables, findings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import isfinite
from typing import Any

from busplan.answers import Answer
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.claims import Behaviour, operands
from busplan.tables import Table, unit
from busplan.wording import CAUTION, counted, plain

WORDS = {Answer.GOOD: "held", Answer.BAD: "failed", Answer.NOT_SHOWN: "not shown"}


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment or span at which a behaviour failed; times in s from the first frame.

    ``until_s`` is when it was right again, ``None`` when that was not seen. ``margin`` is in the
    behaviour's unit and ``margin_s`` in s, below 0, ``None`` where there is none.
    """

    at_s: float
    until_s: float | None
    margin: float | None
    margin_s: float | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a capture shows of one behaviour.

    ``came_up`` counts the moments (``moments`` true) or spans in which it was to be looked at:
    ``held`` and ``failed`` of them for certain, ``open`` still waiting when the capture ended,
    ``unsure`` with something not heard, ``close`` decided by less than ``resolution_s``, which is
    how exactly moments are seen. ``margin`` is the least margin over all that was told [``unit``],
    ``margin_s`` the least in time [s]; ``None`` where there is none. ``looked_s`` is how long its
    spans lasted in all and ``span_s`` the time judged; ``unknown_s`` of it nobody knows whether it
    came up.
    """

    behaviour: Behaviour
    answer: Answer
    moments: bool
    came_up: int
    held: int
    failed: int
    open: int
    unsure: int
    close: int
    margin: float | None
    unit: str
    margin_s: float | None
    resolution_s: float | None
    looked_s: float
    span_s: float
    unknown_s: float
    failures: tuple[Moment, ...] = ()
    """The first failures; ``failed`` counts all."""
    reason: str = ""
    """Why it is not shown."""

    @property
    def word(self) -> str:
        """``held``, ``failed`` or ``not shown``."""
        return WORDS[self.answer]

    @property
    def margin_text(self) -> str:
        """The least margins for people, ``""`` without any."""
        parts = []
        if self.margin is not None:
            parts.append(f"{plain(self.margin, sign=True)} {self.unit}".rstrip())
        if self.margin_s is not None:
            seen = ""
            if self.resolution_s is not None:
                seen = f" (seen to ±{plain(self.resolution_s, 2)} s)"
            parts.append(f"{self.margin_s:+.3f} s{seen}")
        return ", ".join(parts)

    @property
    def counts_text(self) -> str:
        """How often it came up and what became of it."""
        what = "time" if self.moments else "span"
        if not self.came_up:
            return "never came up"
        parts = [f"{self.held} held" if self.held else "", f"{self.failed} failed"]
        parts += [f"{self.unsure} not heard whole" if self.unsure else ""]
        parts += [f"{self.close} too close to tell" if self.close else ""]
        parts += [f"{self.open} still open at the end" if self.open else ""]
        told = ", ".join(p for p in parts if p and not p.startswith("0 "))
        return f"came up {counted(self.came_up, what)}: {told or 'none told'}"

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        from busplan.behaviour.words import sentence

        return {
            "name": self.behaviour.name,
            "says": sentence(self.behaviour),
            "ready": self.behaviour.ready or None,
            "source": self.behaviour.source,
            "note": self.behaviour.note,
            "answer": self.word,
            "came_up": self.came_up,
            "held": self.held,
            "failed": self.failed,
            "open": self.open,
            "unsure": self.unsure,
            "close": self.close,
            "margin": self.margin,
            "unit": self.unit,
            "margin_s": self.margin_s,
            "resolution_s": self.resolution_s,
            "looked_s": self.looked_s,
            "span_s": self.span_s,
            "unknown_s": self.unknown_s,
            "reason": self.reason,
            "failures": [
                {
                    "at_s": m.at_s,
                    "until_s": m.until_s,
                    "margin": m.margin,
                    "margin_s": m.margin_s,
                }
                for m in self.failures
            ],
        }


@dataclass(frozen=True, slots=True)
class BehaviourRow:
    """A line of the table of behaviours."""

    behaviour: str
    answer: str
    came_up: int
    held: int
    failed: int
    unsure: int
    close: int
    open: int
    margin: float | None
    margin_unit: str
    margin_s: float | None = field(metadata=unit("s"))
    first_failure_s: float | None = field(metadata=unit("s"))


@dataclass(frozen=True, eq=False, repr=False)
class BehaviourReport:
    """All behaviours of a plan over one capture."""

    verdicts: tuple[Verdict, ...]
    vehicle: str
    invented: bool
    span_s: float
    tolerated: tuple[Finding, ...] = ()
    """What reading the capture and the plan had to put up with; part of the verdict."""
    begin_ns: int = 0
    """The time of the first frame, from which all its times count."""
    begin_s: float = 0.0
    """How long after the first frame of the capture that is."""
    one_clock: str = ""
    """Which part was judged where the clock of the recording was set back."""

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """A fault for each that failed, a note for each that was not shown.

        Their places count from the first frame of the capture.
        """
        own = (f.later(self.begin_s) for v in self.verdicts for f in _findings(v))
        return (*own, *self.tolerated)

    def failures(self, origin_ns: int) -> Iterator[Finding]:
        """A fault for each that failed, with its moment counted from another time [ns].

        What came before that time stands at it.
        """
        by = self.begin_ns - origin_ns
        for finding in (f for v in self.verdicts if v.failed for f in _findings(v)):
            where = finding.where
            at = None if where.time_ns is None else max(where.time_ns + by, 0)
            yield replace(finding, where=replace(where, time_ns=at))

    @property
    def counts(self) -> dict[str, int]:
        """How many held, failed and were not shown."""
        return {w: sum(v.answer is a for v in self.verdicts) for a, w in WORDS.items()}

    @property
    def headline(self) -> str:
        """The verdict in one line."""
        number = self.counts
        told = ", ".join(f"{number[w]} {w}" for w in ("failed", "not shown", "held") if number[w])
        return f"{counted(len(self.verdicts), 'behaviour')}: {told or 'nothing to judge'}"

    def table(self) -> Table[BehaviourRow]:
        """One row a behaviour."""
        rows = tuple(
            BehaviourRow(
                behaviour=v.behaviour.name,
                answer=v.word,
                came_up=v.came_up,
                held=v.held,
                failed=v.failed,
                unsure=v.unsure,
                close=v.close,
                open=v.open,
                margin=v.margin,
                margin_unit=v.unit,
                margin_s=v.margin_s,
                first_failure_s=v.failures[0].at_s if v.failures else None,
            )
            for v in self.verdicts
        )
        return Table("behaviours", BehaviourRow, rows)

    def to_frame(self) -> Any:
        """A pandas ``DataFrame``, one row a behaviour; see :meth:`table`."""
        return self.table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values for JSON."""
        return {
            "vehicle": self.vehicle,
            "invented": self.invented,
            "span_s": self.span_s,
            "headline": self.headline,
            "part": self.one_clock or None,
            "counts": self.counts,
            "behaviours": [v.as_dict() for v in self.verdicts],
            "findings": [f.as_dict() for f in self.findings],
            "cautions": CAUTION,
        }

    def __repr__(self) -> str:
        lines = [f"<Behaviours of {self.vehicle}: {self.headline}>"]
        lines += [f"{v.answer.mark} {v.behaviour.name}: {v.word}" for v in self.verdicts]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


def _findings(verdict: Verdict) -> Iterator[Finding]:
    behaviour = verdict.behaviour
    where = _place(behaviour, verdict)
    if verdict.answer is Answer.BAD:
        yield Finding(
            "behaviour-failed",
            Weight.FAULT,
            where,
            f"{behaviour.name}: failed {counted(verdict.failed, 'time')} of {verdict.came_up}, "
            f"first at {verdict.failures[0].at_s:.3f} s{_by(verdict)}.",
            behaviour.note or "What the plan requires did not happen.",
            "Look at the moment with busplan replay, and mend the node or its settings before the "
            "vehicle is used.",
            tuple(_figures(verdict)),
        )
    elif verdict.answer is Answer.NOT_SHOWN:
        yield Finding(
            "behaviour-not-shown",
            Weight.NOTE,
            where,
            f"{behaviour.name}: not shown, {verdict.reason}.",
            "What was not seen may or may not work.",
            "Record a drive, a charge or a test in which it comes up.",
            (Figure("came up", verdict.came_up),),
        )


def _by(verdict: Verdict) -> str:
    return f", by {verdict.margin_text} at worst" if verdict.margin_text else ""


def _figures(verdict: Verdict) -> Iterator[Figure]:
    yield Figure("came up", verdict.came_up)
    yield Figure("failed", verdict.failed)
    if verdict.margin is not None and isfinite(verdict.margin):
        yield Figure("least margin", verdict.margin, verdict.unit)
    if verdict.margin_s is not None and isfinite(verdict.margin_s):
        yield Figure("least margin in time", verdict.margin_s, "s")


def _place(behaviour: Behaviour, verdict: Verdict) -> Where:
    """The first signal that is required, at the first failure."""
    spoken = [*operands(behaviour.require), *(o for c in behaviour.claims for o in operands(c))]
    first = verdict.failures[0].at_s if verdict.failures else None
    time_ns = None if first is None else round(first * 1e9)
    return Where(*spoken[0].address, time_ns=time_ns) if spoken else Where(time_ns=time_ns)
