"""Findings together: a tuple that prints on a screen and turns into a table."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, SupportsIndex, overload

from busplan.errors import UsageError
from busplan.findings import Finding, Weight, count_findings, heaviest, summary_line
from busplan.tables import Table, html_of, unit
from busplan.wording import one_line

if TYPE_CHECKING:
    from pandas import DataFrame

_SHOWN = 12
"""Findings that a screen shows."""


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding; ``time_s`` counts from the first frame, ``figures`` are told as text."""

    weight: str
    code: str
    network: str | None
    node: str | None
    message: str | None
    signal: str | None
    file: str | None
    line: int | None
    time_s: float | None = field(metadata=unit("s"))
    summary: str
    why: str
    action: str
    figures: str


def _row(finding: Finding) -> FindingRow:
    where = finding.where
    return FindingRow(
        weight=finding.weight.word,
        code=finding.code,
        network=where.network,
        node=where.node,
        message=where.message,
        signal=where.signal,
        file=where.file,
        line=where.line,
        time_s=None if where.time_ns is None else where.time_ns / 1e9,
        summary=finding.summary,
        why=finding.why,
        action=finding.action,
        figures="; ".join(map(str, finding.figures)),
    )


class Findings(tuple[Finding, ...]):
    """What a check has to say, in the order given: a tuple of :class:`busplan.Finding`.

    >>> found = busplan.check(busplan.load_plan("as_bought.toml"))
    >>> found.weight.word
    'fault'
    >>> found[0].summary, found.of("load-over-limit").counts    # doctest: +ELLIPSIS
    ('...', {'fault': ..., 'caution': ..., 'note': 0})
    """

    __slots__ = ()

    def __new__(cls, findings: Iterable[Finding] = ()) -> Findings:
        """Findings in this order; :class:`busplan.UsageError` when one is no finding."""
        made = super().__new__(cls, findings)
        for one in made:
            if not isinstance(one, Finding):
                raise UsageError(f"Findings holds findings, not {type(one).__name__}")
        return made

    @property
    def weight(self) -> Weight:
        """The greatest weight; a note when there is no finding."""
        return heaviest(self)

    @property
    def counts(self) -> dict[str, int]:
        """How many there are of each weight: ``fault``, ``caution`` and ``note``."""
        return count_findings(self)

    def of(self, *codes: str) -> Findings:
        """Those of one of these codes."""
        return Findings(f for f in self if f.code in codes)

    def to_frame(self) -> DataFrame:
        """One row a finding: weight, code, place, sentences, and its figures as text.

        ``time_s`` [s] counts from the first frame of the capture; empty where a finding has no
        moment. Units stand in ``attrs["units"]``.
        """
        return Table("findings", FindingRow, tuple(map(_row, self))).to_frame()

    def _repr_html_(self) -> str:
        frame = self.to_frame()[["weight", "code", "network", "node", "message", "summary"]]
        return html_of(summary_line(self), frame)

    @overload
    def __getitem__(self, at: SupportsIndex) -> Finding: ...
    @overload
    def __getitem__(self, at: slice) -> Findings: ...
    def __getitem__(self, at: SupportsIndex | slice) -> Finding | Findings:
        if isinstance(at, slice):
            return Findings(super().__getitem__(at))
        return super().__getitem__(at)

    def __repr__(self) -> str:
        lines = [f"<Findings: {summary_line(self)}>"]
        lines += [one_line(f"{f.weight.mark} {f.code}: {f.summary}") for f in self[:_SHOWN]]
        if len(self) > _SHOWN:
            lines.append(f"  and {len(self) - _SHOWN} more; to_frame() holds all")
        return "\n".join(lines)
