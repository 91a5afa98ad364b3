"""Identifiers whose frames look like messages split by ISO 15765-2, found without being told."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import REMOTE
from busplan.frames.table import FrameTable
from busplan.transport.endings import COMPLETE
from busplan.transport.iso15765 import Segmented, reassemble
from busplan.wording import plural

SAMPLE = 100_000
"""Frames of an identifier that are looked at."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """What would come of calling an identifier segmented: messages of several frames, lengths."""

    key: FrameKey
    addressed: bool
    messages: int
    shortest: int
    longest: int

    def __str__(self) -> str:
        lengths = str(self.shortest)
        if self.longest > self.shortest:
            lengths += f" to {self.longest}"
        noun = plural(self.messages, "message")
        return f"ISO 15765-2: {self.messages:,} {noun} of {lengths} bytes in several frames"


def likely_segmented(
    frames: FrameTable, known: Collection[FrameKey] = ()
) -> dict[FrameKey, Candidate]:
    """Identifiers, without the ``known``, of which at least half the messages come out whole.

    All frames must have a protocol byte of the standard, and one message at least must take more
    than one frame: payloads that only happen to begin with small numbers do not get that far.
    """
    found = {}
    for key in frames.groups:
        if key in known:
            continue
        for addressed in (False, True):
            candidate = _candidate(frames, key, addressed)
            if candidate is not None:
                found[key] = candidate
                break
    return found


def _candidate(frames: FrameTable, key: FrameKey, addressed: bool) -> Candidate | None:
    rows = frames.groups[key][:SAMPLE]
    rows = rows[((frames.flags[rows] & REMOTE) == 0) & (frames.length[rows] > addressed)]
    if not len(rows):
        return None
    kind = frames.payload[frames.start[rows] + int(addressed)] >> 4
    if kind.max() > 3 or not ((kind == 1).any() and (kind == 2).any()):
        return None
    sessions = reassemble(frames.take(np.sort(rows)), [Segmented(key, addressed)]).sessions
    whole = sessions.ending == COMPLETE
    several = whole & (sessions.frames - sessions.repeats > 1)
    if not several.any() or 2 * np.count_nonzero(whole) < len(whole):
        return None
    size = sessions.size[several]
    return Candidate(key, addressed, len(size), int(size.min()), int(size.max()))
