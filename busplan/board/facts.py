"""What one board says at a moment, for text and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from busplan.board.alarms import Alarm, judge, so_far
from busplan.board.auto import automatic
from busplan.board.model import Boards
from busplan.board.notes import Note
from busplan.board.quantities import Quantities
from busplan.board.resolve import limits_of_plan
from busplan.board.state import BoardState, Judged, Reading, Seen
from busplan.replay.asked import Asked
from busplan.replay.replay import Replay


def judged_boards(replay: Replay, boards: Boards | None, seen: Sequence[Seen] = ()) -> Judged:
    """The boards of a file, or automatic ones, with all alarms of a capture.

    The limits of the plan hold beside those of the file.
    """
    found = with_plan(replay, boards)
    quantities = Quantities(replay)
    return Judged(found, quantities, judge(found.limits, quantities), tuple(seen))


def with_plan(replay: Replay, boards: Boards | None) -> Boards:
    """A file's boards with the plan's limits; automatic ones where there are none."""
    if boards is None:
        return automatic(replay)
    shown = boards.boards or automatic(replay).boards
    return Boards(
        boards=shown,
        limits=(*boards.limits, *limits_of_plan(replay.vehicle)),
        presets=boards.presets,
        blink=boards.blink,
        source=boards.source,
        missing=boards.missing,
    )


def facts_of(asked: Asked) -> BoardFacts:
    """What an automatic board says of what is asked."""
    return BoardFacts(judged_boards(asked.replay, None), asked.shot.t_ns)


@dataclass(frozen=True, eq=False)
class BoardFacts:
    """All boards of a capture at a moment, its alarms and notes up to then."""

    judged: Judged
    t_ns: int
    notes: tuple[Note, ...] = ()

    @cached_property
    def states(self) -> tuple[BoardState, ...]:
        """Each board."""
        return tuple(self.judged.at(board, self.t_ns) for board in self.judged.boards.boards)

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """The alarms raised so far, of signals that are believed, as they are known by now."""
        quantities = self.judged.quantities
        return tuple(
            so_far(alarm, quantities.track(alarm.limit.subject), self.t_ns)
            for alarm in self.judged.alarms
            if alarm.raised_ns <= self.t_ns and not quantities.set_aside(alarm.limit.subject)
        )

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        first = self.states[0] if self.states else None
        return {
            "source": self.judged.boards.source or None,
            "state": None if first is None else first.word,
            "in_the_red": [] if first is None else list(first.red),
            "to_watch": [] if first is None else list(first.watch),
            "without_values": sorted({w for state in self.states for w in state.without}),
            "not_in_this_vehicle": list(self.judged.boards.missing),
            "boards": [
                {
                    "name": state.board.name,
                    "tiles": [
                        {
                            "title": tile.title,
                            "show": tile.tile.show,
                            "weight": None if tile.weight is None else tile.weight.word,
                            "values": [_reading(r) for r in tile.readings],
                            "unknown": list(tile.tile.unknown),
                        }
                        for tile in state.tiles
                    ],
                }
                for state in self.states
            ],
            "alarms": [alarm.as_dict() for alarm in self.alarms],
            "notes": [n.as_dict() for n in self.notes if n.t_ns <= self.t_ns],
        }


def _reading(reading: Reading) -> dict[str, Any]:
    track, value = reading.track, reading.held.value
    fresh = reading.held.fresh
    return {
        "subject": reading.subject,
        "label": reading.label,
        "value": value if fresh else None,
        "unit": "" if track is None else track.unit,
        "state": (track.named(value) or None) if track is not None and fresh else None,
        "missing": reading.missing,
        "set_aside": reading.aside,
        "weight": None if reading.weight is None else reading.weight.word,
    }
