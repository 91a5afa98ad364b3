"""What a check has to say: one value that feeds terminal, JSON, screens and records alike."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import Any

from busplan.wording import counted, plain


class Weight(IntEnum):
    """How heavy a finding is. The command line's exit code follows the heaviest one."""

    NOTE = 0
    """Worth knowing."""
    CAUTION = 1
    """Will hurt sooner or later."""
    FAULT = 2
    """Does not work or is not safe."""

    @property
    def word(self) -> str:
        """The weight as users read it: ``note``, ``caution`` or ``fault``."""
        return WORDS[self]

    @property
    def mark(self) -> str:
        """A one-character mark, so that no state is told by colour alone."""
        return ".!#"[self.value]


WORDS = {weight: weight.name.lower() for weight in Weight}
"""Weights as users read them."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A named number with its unit (``unit=""`` for plain counts and ratios)."""

    name: str
    value: float | int | str
    unit: str = ""

    def __str__(self) -> str:
        value = plain(self.value) if isinstance(self.value, float) else str(self.value)
        return f"{self.name} {value} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Where:
    """The place a finding speaks of; fields that do not apply stay ``None``.

    ``time_ns`` counts from the first frame of a capture; ``file`` and ``line`` are a place in an
    input file.
    """

    network: str | None = None
    node: str | None = None
    message: str | None = None
    signal: str | None = None
    file: str | None = None
    line: int | None = None
    time_ns: int | None = None

    def __str__(self) -> str:
        parts = [p for p in (self.network, self.node, self.message, self.signal) if p]
        text = "/".join(parts)
        if self.file:
            place = self.file if self.line is None else f"{self.file}:{self.line}"
            text = f"{place} {text}".rstrip()
        if self.time_ns is not None:
            text = f"{text} at {self.time_ns / 1e9:.3f} s".lstrip()
        return text


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a check has to say.

    ``code`` is lower-case words with hyphens and never changes its meaning; ``summary`` is one
    sentence with the figures in it; ``why`` says what happens if it stays; ``action`` what to do;
    ``paste`` are lines of TOML to put at the end of the plan as they are.
    """

    code: str
    weight: Weight
    where: Where
    summary: str
    why: str = ""
    action: str = ""
    figures: tuple[Figure, ...] = field(default=())
    paste: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; absent places are left out."""
        where = {
            name: value
            for name in Where.__dataclass_fields__
            if (value := getattr(self.where, name)) is not None
        }
        return {
            "code": self.code,
            "weight": self.weight.word,
            "where": where,
            "summary": self.summary,
            "why": self.why,
            "action": self.action,
            "figures": [{"name": f.name, "value": f.value, "unit": f.unit} for f in self.figures],
            **({"paste": list(self.paste)} if self.paste else {}),
        }

    def later(self, seconds: float) -> Finding:
        """The same of a part that begins so long after the first frame of its capture."""
        if self.where.time_ns is None or not seconds:
            return self
        time_ns = self.where.time_ns + round(seconds * 1e9)
        return replace(self, where=replace(self.where, time_ns=time_ns))

    @staticmethod
    def from_dict(plain: dict[str, Any]) -> Finding:
        """The finding that :meth:`as_dict` described; ``KeyError`` or ``TypeError`` otherwise."""
        return Finding(
            plain["code"],
            Weight[plain["weight"].upper()],
            Where(**plain["where"]),
            plain["summary"],
            plain["why"],
            plain["action"],
            tuple(Figure(**f) for f in plain["figures"]),
            paste=tuple(plain.get("paste", ())),
        )


def heaviest(findings: Iterable[Finding]) -> Weight:
    """The greatest weight among ``findings``; ``NOTE`` when there are none."""
    return max((f.weight for f in findings), default=Weight.NOTE)


def chosen_findings(
    findings: Iterable[Finding],
    networks: Iterable[str] | None = None,
    codes: Iterable[str] | None = None,
) -> tuple[Finding, ...]:
    """Those on one of the ``networks`` and of one of the ``codes``, where any are named.

    What belongs to no network, such as a definition file, concerns every one.
    """
    places, kinds = {None, *(networks or ())}, set(codes or ())
    return tuple(
        f
        for f in findings
        if (len(places) == 1 or f.where.network in places) and (not kinds or f.code in kinds)
    )


def by_weight(findings: Iterable[Finding]) -> list[Finding]:
    """Heaviest first, then by code and place, so that output is stable."""
    return sorted(findings, key=lambda f: (-f.weight, f.code, str(f.where), f.summary))


def count_findings(findings: Iterable[Finding]) -> dict[str, int]:
    """How many findings there are of each weight, heaviest first."""
    counts = {w.word: 0 for w in sorted(Weight, reverse=True)}
    for finding in findings:
        counts[finding.weight.word] += 1
    return counts


def summary_line(findings: Iterable[Finding]) -> str:
    """``5 faults, 1 caution, no notes``."""
    return ", ".join(
        counted(number, word) if number else f"no {word}s"
        for word, number in count_findings(findings).items()
    )
