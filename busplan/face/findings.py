"""Findings together: a tuple that prints on a screen and turns into a table."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, SupportsIndex, overload

from busplan.errors import UsageError
from busplan.face.showing import clean, frame_of, html_of
from busplan.findings import Finding, Weight, count_findings, heaviest, summary_line

if TYPE_CHECKING:
    from pandas import DataFrame

_SHOWN = 12
"""Findings that a screen shows."""


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
        rows = [
            {
                "weight": f.weight.word,
                "code": f.code,
                "network": f.where.network,
                "node": f.where.node,
                "message": f.where.message,
                "signal": f.where.signal,
                "file": f.where.file,
                "line": f.where.line,
                "time_s": None if f.where.time_ns is None else f.where.time_ns / 1e9,
                "summary": f.summary,
                "why": f.why,
                "action": f.action,
                "figures": "; ".join(map(str, f.figures)),
            }
            for f in self
        ]
        return frame_of(rows, _COLUMNS, whole=("line",))

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
        lines += [clean(f"{f.weight.mark} {f.code}: {f.summary}") for f in self[:_SHOWN]]
        if len(self) > _SHOWN:
            lines.append(f"  and {len(self) - _SHOWN} more; to_frame() holds all")
        return "\n".join(lines)


_COLUMNS = {
    "weight": "",
    "code": "",
    "network": "",
    "node": "",
    "message": "",
    "signal": "",
    "file": "",
    "line": "",
    "time_s": "s",
    "summary": "",
    "why": "",
    "action": "",
    "figures": "",
}
