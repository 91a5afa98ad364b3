"""Which message lines hold the words that somebody looks for."""

from __future__ import annotations

from busplan.replay.lines import Line
from busplan.replay.replay import Replay


def matching(replay: Replay, wanted: str) -> list[int]:
    """Numbers of the lines that hold every word of ``wanted``, whatever its case.

    Words are sought in network, identifier, message, senders and signal names. Networks of which
    nothing was recorded come last.
    """
    words = wanted.lower().split()
    lines = replay.lines.lines
    recorded = {line.key.network for line in lines if line.k >= 0}
    found = [
        i
        for i, line in enumerate(lines)
        if all(word in text for word in words for text in [search_text(line)])
    ]
    return sorted(found, key=lambda i: lines[i].key.network not in recorded)


def search_text(line: Line) -> str:
    """Everything of a line that a filter can find."""
    signals = [s.name for stream in line.streams for s in stream.message.signals]
    return " ".join([line.key.network, line.label, line.name, line.senders, *signals]).lower()
