"""Moments of notes on the axes of time."""

from __future__ import annotations

from busplan.board.notes import NOTED
from busplan.replay.replay import Replay
from busplan.text.chart import Flag


def note_flags(replay: Replay) -> list[Flag]:
    """A flag for each note of a capture."""
    return [
        Flag(f.where.time_ns, "m", "note")
        for f in replay.findings
        if f.code == NOTED and f.where.time_ns is not None
    ]
