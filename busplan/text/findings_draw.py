"""The findings of a capture as a list."""

from __future__ import annotations

from busplan.findings import Weight
from busplan.replay.present import LIVE
from busplan.replay.replay import Replay, moment_of
from busplan.text.draw import nothing_found
from busplan.text.finding import finding_line
from busplan.text.runs import FAINT, HEAD, OF_WEIGHT, Line, clip, fill
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


def summary(replay: Replay, t_ns: int) -> Line:
    """How many there are of each weight, and how many of all are still to come at a moment."""
    counts = {w: sum(f.weight == w for f in replay.findings) for w in reversed(Weight)}
    over = replay.judged and replay.source != LIVE
    line: Line = [("findings  " if over else "findings so far  ", HEAD)]
    for weight, count in counts.items():
        role = OF_WEIGHT[weight] if count else FAINT
        line.append((f"{weight.mark} {counted(count, weight.word)}   ", role))
    if later := len(replay.findings) - replay.past(t_ns):
        line.append((f"{later} to come   ", FAINT))
    return line
