"""The line of time under every screen: where we are, what was found when, the A-B span."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.findings import Finding, Weight
from busplan.frames.columns import I64
from busplan.text.runs import FAINT, HEAD, OF_WEIGHT, PLAIN, Line, clock_text, merge, span_text


@dataclass(frozen=True, slots=True)
class Transport:
    """What the line of time says besides the findings: position, motion, span.

    ``behind_ns`` is how far the shown moment is behind the due one.
    """

    t_ns: int
    span_ns: int
    playing: bool
    speed: float
    a_ns: int | None = None
    b_ns: int | None = None
    behind_ns: int = 0
    live: bool = False
    """Whether time is a live bus's, which nobody can hurry."""
    recording: str = ""
    """What is being recorded into, in words."""
    trouble: bool = False
    """Whether the recording cannot go on as it should."""
    offset_ns: int = 0
    """How much later the shown capture's own time is."""


WINDOWS_NS: tuple[int | None, ...] = (
    None,
    300_000_000_000,
    60_000_000_000,
    10_000_000_000,
)
"""Lengths of the plots' window; ``None`` is the whole capture."""


@dataclass(frozen=True, slots=True)
class Window:
    """The stretch of time that plots show [ns]. It moves in whole columns while playing."""

    a_ns: int
    b_ns: int
    length_ns: int | None

    @staticmethod
    def around(t_ns: int, span_ns: int, length_ns: int | None, columns: int) -> Window:
        """The whole capture, or the last ``length_ns`` before a moment."""
        if length_ns is None or length_ns >= span_ns:
            return Window(0, span_ns, None)
        step = max(length_ns // max(columns, 1), 1)
        end = min(max(-(-t_ns // step) * step, length_ns), span_ns)
        return Window(end - length_ns, end, length_ns)

    @property
    def text(self) -> str:
        """What the window shows, in words."""
        if self.length_ns is None:
            return "whole capture"
        return f"last {span_text(self.length_ns)}"

    def moments(self, columns: int) -> I64:
        """One moment for each column."""
        return np.linspace(self.a_ns, self.b_ns, max(columns, 2)).astype(np.int64)

    def column(self, t_ns: int, columns: int) -> int:
        """The column of a moment."""
        return column_of(t_ns - self.a_ns, self.b_ns - self.a_ns, columns)


def column_of(t_ns: int, span_ns: int, columns: int) -> int:
    """The column of a moment on a track of ``columns``."""
    if span_ns <= 0 or columns <= 1:
        return 0
    return min(max(round(t_ns / span_ns * (columns - 1)), 0), columns - 1)


def moment_at(column: int, span_ns: int, columns: int) -> int:
    """The moment a column of the track stands for."""
    if columns <= 1:
        return 0
    return round(min(max(column, 0), columns - 1) / (columns - 1) * span_ns)


def draw_track(state: Transport, findings: Sequence[Finding], columns: int) -> Line:
    """The track: ``-`` past, ``·`` to come, marks of findings, A and B, the present as ``O``."""
    here = column_of(state.t_ns, state.span_ns, columns)
    heaviest: dict[int, Weight] = {}
    for finding in findings:
        t_ns = finding.where.time_ns
        if t_ns is not None:
            at = column_of(t_ns - state.offset_ns, state.span_ns, columns)
            heaviest[at] = max(heaviest.get(at, Weight.NOTE), finding.weight)
    ends = {
        column_of(t, state.span_ns, columns): letter
        for t, letter in ((state.a_ns, "A"), (state.b_ns, "B"))
        if t is not None
    }
    line: Line = []
    for x in range(columns):
        inside = len(ends) == 2 and min(ends) <= x <= max(ends)
        piece, role = ("-", HEAD) if x < here else ("·", FAINT)
        if x in heaviest:
            piece, role = heaviest[x].mark, OF_WEIGHT[heaviest[x]]
        if x in ends:
            piece, role = ends[x], "strong"
        if inside:
            role += "+span"
        if x == here:
            piece, role = (piece if x in heaviest or x in ends else "O"), "head-mark"
        line.append((piece, role))
    return merge(line)


def draw_transport(state: Transport, columns: int) -> Line:
    """Motion, speed, position and length, the span, how far the screen is behind."""
    moving = "LIVE " if state.live else "PLAY "
    line: Line = [
        (moving if state.playing else "HELD ", "good" if state.playing else "caution"),
        ("" if state.live else f"x{state.speed:g}", PLAIN),
        (f"  {clock_text(state.t_ns)}", "strong"),
        (f" of {clock_text(state.span_ns)}", FAINT),
    ]
    if state.offset_ns:
        line.append((f"  2 at {clock_text(max(state.t_ns + state.offset_ns, 0))}", PLAIN))
    if state.recording:
        line.append((f"  {state.recording}", "fault" if state.trouble else "strong"))
    if state.a_ns is not None:
        line.append((f"  A {clock_text(state.a_ns)}", PLAIN))
    if state.b_ns is not None:
        line.append((f"  B {clock_text(state.b_ns)}", PLAIN))
    if state.a_ns is not None and state.b_ns is not None:
        line.append((f"  ({span_text(abs(state.b_ns - state.a_ns))})", FAINT))
    if state.playing and not state.live:
        line.append((f"  {state.behind_ns / 1e6:.0f} ms behind", FAINT))
    return line
