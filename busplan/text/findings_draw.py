"""The findings of a capture: the list, and all that one of them says."""

from __future__ import annotations

from busplan.findings import Finding, Weight
from busplan.replay.replay import Replay, moment_of
from busplan.text.draw import finding_line, nothing_found
from busplan.text.runs import (
    FAINT,
    HEAD,
    OF_WEIGHT,
    PLAIN,
    Line,
    clip,
    clock_text,
    fill,
    fold,
    wrap,
)
from busplan.wording import counted


def draw_list(replay: Replay, t_ns: int, columns: int, chosen: int | None) -> list[Line]:
    """One line each, by time; those still to come are faint. ``chosen`` is marked."""
    lines: list[Line] = []
    for i, finding in enumerate(replay.findings):
        line = clip(finding_line(finding), columns)
        if moment_of(finding) > t_ns:
            line = [(piece, FAINT) for piece, _ in line]
        if i == chosen:
            line = [(piece, f"{role}+chosen-row") for piece, role in fill(line, columns)]
        lines.append(line)
    return lines or [[(nothing_found(replay), FAINT)]]


def summary(replay: Replay) -> Line:
    """How many there are of each weight."""
    counts = {w: sum(f.weight == w for f in replay.findings) for w in reversed(Weight)}
    line: Line = [("findings  ", HEAD)]
    for weight, count in counts.items():
        role = OF_WEIGHT[weight] if count else FAINT
        line.append((f"{weight.mark} {counted(count, weight.word)}   ", role))
    return line


def draw_details(finding: Finding, columns: int) -> list[Line]:
    """Everything a finding says."""
    t_ns = finding.where.time_ns
    when = "" if t_ns is None else f"  at {clock_text(t_ns)}"
    place = str(finding.where).partition(" at ")[0]
    head: Line = [
        (f"{finding.weight.mark} {finding.weight.word}", OF_WEIGHT[finding.weight]),
        (f"  {finding.code}", HEAD),
        (f"{when}  {place}", FAINT),
    ]
    lines: list[Line] = [
        *fold(head, columns, 2),
        *wrap(finding.summary, columns, PLAIN),
    ]
    for lead, text in (("why: ", finding.why), ("do: ", finding.action)):
        if text:
            lines += wrap(lead + text, columns, PLAIN, len(lead))
    if finding.figures:
        lines += wrap("; ".join(str(f) for f in finding.figures), columns, FAINT)
    return lines
