"""Boards as lines of text: what is wrong, every value, the alarms and the notes."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.board.alarms import Alarm
from busplan.board.facts import BoardFacts
from busplan.board.notes import Note
from busplan.board.state import Reading, TileState
from busplan.text.board_draw import alarm_line
from busplan.text.runs import FAINT, HEAD, OF_WEIGHT, PLAIN, Line, clock_text, fold
from busplan.text.tiles import UNKNOWN, limits_text, mark_of, value_text, why_missing

MANY = 6
"""Of more signals in one tile only those are listed that are not as they should be."""
MOST_ALARMS = 30


def board_lines(facts: BoardFacts, columns: int) -> list[Line]:
    """All boards at a moment, then alarms and notes so far."""
    lines: list[Line] = []
    if facts.states:
        lines += _band(facts, columns)
    for state in facts.states:
        lines += [[], [(state.board.name, HEAD)]]
        for tile in state.tiles:
            lines += _tile(tile, columns)
    lines += [[], [("alarms so far", HEAD)], *alarm_lines(facts.alarms, columns, facts.t_ns)]
    notes = [n for n in facts.notes if n.t_ns <= facts.t_ns]
    if notes:
        lines += [[], [("notes", HEAD)], *note_lines(notes, columns)]
    return lines


def _band(facts: BoardFacts, columns: int) -> list[Line]:
    first = facts.states[0]
    without = list(dict.fromkeys(w for state in facts.states for w in state.without))
    lost = len(frozenset[str]().union(*(state.lost_subjects for state in facts.states)))
    lines: list[Line] = []
    for word, names, role, count in (
        ("IN THE RED", first.red, "fault", len(first.red)),
        ("TO WATCH", first.watch, "caution", len(first.watch)),
        ("WITHOUT VALUES", without, "stale", lost),
        ("over, not seen", first.gone, FAINT, len(first.gone)),
    ):
        if names:
            lead = word if word[0].islower() else f"{count} {word}"
            lines += fold([(f"{lead}: ", role), (", ".join(names), PLAIN)], columns, 4)
    return lines or [[(first.word, "strong")]]


def _tile(tile: TileState, columns: int) -> list[Line]:
    if not tile.readings:
        return [[(f"? {name}  {UNKNOWN}", "stale")] for name in tile.tile.unknown]
    shown = list(tile.readings)
    lines: list[Line] = []
    if len(shown) > MANY:
        odd = [r for r in shown if r.missing or r.weight is not None or r.aside]
        lines.append([(f"  {tile.title}: {len(shown) - len(odd)} of {len(shown)} as usual", PLAIN)])
        shown = odd
    for reading in shown:
        lines += _reading(tile, reading, columns)
    return lines


def _reading(tile: TileState, reading: Reading, columns: int) -> list[Line]:
    one = TileState(tile.tile, reading.label, (reading,))
    text, unit = value_text(one, reading)
    role = PLAIN if reading.weight is None else OF_WEIGHT[reading.weight]
    value = f"{text} {unit}".rstrip()
    if reading.aside:
        value, role = f"{value}  set aside: not believed", "stale"
    elif reading.missing:
        value, role = f"{value}  {why_missing(reading)}", "stale"
    mark = mark_of(one) or "  "
    told = limits_text(reading)
    line: Line = [(f"{mark}{reading.label}  ", role), (value, role)]
    if told:
        line.append((f"  allowed {told}", FAINT))
    return fold(line, columns, 4)


def alarm_lines(alarms: Sequence[Alarm], columns: int, t_ns: int | None = None) -> list[Line]:
    """Alarms in the order they were raised."""
    if not alarms:
        return [[("no alarm", FAINT)]]
    lines: list[Line] = []
    for alarm in alarms[-MOST_ALARMS:] if t_ns is not None else alarms:
        line = alarm_line(alarm, t_ns)
        if alarm.limit.when is not None:
            line.append((f"  while {alarm.limit.when}", FAINT))
        lines += fold(line, columns, 4)
    if t_ns is not None and len(alarms) > MOST_ALARMS:
        lines.append([(f"and {len(alarms) - MOST_ALARMS} before: busplan alarms", FAINT)])
    return lines


def note_lines(notes: Sequence[Note], columns: int) -> list[Line]:
    """Notes in order of time."""
    lines: list[Line] = []
    for note in notes:
        by = f"  ({note.by})" if note.by else ""
        line: Line = [(f" {clock_text(note.t_ns)} ", FAINT), (note.text, "note"), (by, FAINT)]
        lines += fold(line, columns, 4)
    return lines
