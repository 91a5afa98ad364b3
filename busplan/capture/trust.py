"""What the time stamps and repeats of a capture say about how far it can be trusted.

The rules of this file: times are looked at, reported, never changed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from busplan.errors import CaptureError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import MINUTE_NS, FrameTable
from busplan.wording import counted, plural

DAY_NS = 24 * 60 * MINUTE_NS
GAP_NS = 10 * 10**9
"""A pause of all channels longer than this is reported."""
MOST_GAPS = 1000
"""So many pauses of a file are kept to be told; a recording that stops more often is none."""
JITTER_NS = 10_000_000
"""Steps back up to this are an ordinary blemish of adapters that share a file."""
DOUBLED_SHARE = 0.05
"""Share of a channel's frames that must be doubled before an echo is reported."""
DOUBLED_FLOOR = 10


@dataclass
class TimeWatch:
    """Follows the times of one file, block by block."""

    file: str
    rows: int = 0
    back: int = 0
    back_largest_ns: int = 0
    back_row: int = 0
    gaps: list[tuple[int, int]] = field(default_factory=list)
    """Begin and length [ns] of the long pauses, the first :data:`MOST_GAPS` of them."""
    _last: int | None = None

    def add(self, time_ns: I64) -> None:
        """Look at the next times."""
        if not len(time_ns):
            return
        before = time_ns[0] if self._last is None else self._last
        steps = np.diff(time_ns, prepend=before)
        back = np.flatnonzero(steps < 0)
        if len(back):
            if not self.back:
                self.back_row = self.rows + int(back[0]) + 1
            self.back += len(back)
            self.back_largest_ns = max(self.back_largest_ns, -int(steps[back].min()))
        for row in np.flatnonzero(steps > GAP_NS)[: MOST_GAPS - len(self.gaps)].tolist():
            self.gaps.append((int(time_ns[row] - steps[row]), int(steps[row])))
        self._last = int(time_ns[-1])
        self.rows += len(time_ns)

    def findings(self, bounds: tuple[int, int]) -> list[Finding]:
        """Steps back and long pauses; places count from the first believable time.

        ``bounds`` are the believable times: what leads to a frame outside them is no pause.
        """
        origin_ns, end_ns = bounds
        gaps = [g for g in self.gaps if g[0] >= origin_ns and sum(g) <= end_ns]
        found = []
        if self.back:
            jitter = self.back_largest_ns <= JITTER_NS
            step_ms = self.back_largest_ns / 1e6
            step = f"{step_ms / 1e3:.1f} s" if step_ms >= 1e4 else f"{step_ms:.3f} ms"
            found.append(
                Finding(
                    "time-steps-back",
                    Weight.NOTE if jitter else Weight.CAUTION,
                    Where(file=self.file),
                    f"{counted(self.back, 'frame is', 'frames are')} stamped earlier than the "
                    f"frame before {plural(self.back, 'it', 'them')}, by "
                    f"{step} at most (first: frame {self.back_row})",
                    why="Several adapters in one file, or a clock set while recording. Order and "
                    "cycle times around these places are not certain.",
                    action="Nothing for small steps; for large ones evaluate the parts apart.",
                    figures=(
                        Figure("frames", self.back),
                        Figure("largest step", step_ms, "ms"),
                    ),
                )
            )
        if gaps:
            begin_ns, length_ns = max(gaps, key=lambda gap: gap[1])
            found.append(
                Finding(
                    "time-gap",
                    Weight.NOTE,
                    Where(file=self.file, time_ns=begin_ns - origin_ns),
                    f"{counted(len(gaps), 'pause')} of more than {GAP_NS // 10**9} s without any "
                    "frame; the "
                    f"longest lasts {length_ns / 1e9:.1f} s",
                    why="The vehicle slept, the recorder stopped, or a clock jumped; mean loads "
                    "include the pause.",
                    action="Judge the parts before and after on their own.",
                    figures=(
                        Figure("pauses", len(gaps)),
                        Figure("longest", length_ns / 1e9, "s"),
                    ),
                )
            )
        return found


def apart(spans: Mapping[str, tuple[int, int]], origin_ns: int) -> list[Finding]:
    """The longest pause between files; ``spans`` holds each file's first and last time."""
    if len(spans) < 2:
        return []
    pauses = []
    ordered = sorted(spans.items(), key=lambda item: item[1])
    latest, before = ordered[0][1][1], ordered[0][0]
    for file, (first, last) in ordered[1:]:
        pauses.append((first - latest, latest, before, file))
        if last > latest:
            latest, before = last, file
    pause, begin, before, file = max(pauses)
    if pause <= GAP_NS:
        return []
    return [
        Finding(
            "files-apart",
            Weight.NOTE,
            Where(file=file, time_ns=begin - origin_ns),
            f"begins {pause / 1e9:.1f} s after the last frame of {before}",
            why="Nothing was recorded between them, or two recorders of one drive had clocks that "
            "differ.",
            action="If they recorded at the same time, say how much to add to the times of one: "
            f"--offset {Path(file).name}=SECONDS.",
            figures=(Figure("pause", pause / 1e9, "s"),),
        )
    ]


def unbelievable(time_ns: I64, bounds: tuple[int, int]) -> list[Finding]:
    """Frames whose time cannot belong to the recording."""
    outside = int(((time_ns < bounds[0]) | (time_ns > bounds[1])).sum())
    if not outside:
        return []
    row = int(np.argmax((time_ns < bounds[0]) | (time_ns > bounds[1])))
    return [
        Finding(
            "time-not-believable",
            Weight.CAUTION,
            Where(time_ns=int(time_ns[row]) - bounds[0]),
            f"{counted(outside, 'frame is', 'frames are')} stamped far outside the recording "
            f"(first: frame {row + 1})",
            why="A stale frame from the recorder's buffer, a wrong clock, or one that was set "
            "while recording. Span and load leave these frames out; nothing was rewritten.",
            action="Nothing for a single first frame; check the recorder's clock otherwise, and "
            "open what was recorded before and after as captures of their own.",
            figures=(Figure("frames", outside),),
        )
    ]


def refuse_longer(table: FrameTable, days: int, what: str) -> None:
    """Raise :class:`CaptureError` when a capture spans more days than ``what`` can take in."""
    spanned = table.span_ns / DAY_NS
    if spanned > days:
        raise CaptureError(
            f"this capture spans {spanned:.1f} days and {what} {days} at most; open the part you "
            "want alone: busplan cut CAPTURE --from SECONDS --to SECONDS --out part.log"
        )


def doubled(names: Sequence[str], frames: Sequence[int], repeats: Sequence[int]) -> list[Finding]:
    """Channels on which frames come twice, sooner than a bus can repeat them."""
    return [
        Finding(
            "frames-doubled",
            Weight.CAUTION,
            Where(network=name),
            f"{again} of {count} frames on {name} {plural(again, 'repeats', 'repeat')} the frame "
            "before them within 0.1 ms, or "
            "within 1 ms as sent and received: an echoing adapter, or two recorders in one file",
            why="Load and frame counts are up to twice what they were, cycle times are wrong.",
            action="Record again with the echo off, or with one recorder for each channel.",
            figures=(Figure("doubled", again), Figure("frames", count)),
        )
        for name, count, again in zip(names, frames, repeats, strict=True)
        if again >= DOUBLED_FLOOR and again >= DOUBLED_SHARE * count
    ]
