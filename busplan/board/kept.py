"""What is kept beside a capture: who has seen which alarms, in a log only added to; notes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from busplan.board.alarms import Alarm
from busplan.board.notes import Note, parse_notes
from busplan.board.state import Seen
from busplan.capture.beside import belongs, notes_path, read_text

SEEN, SHELVED = "seen", "put aside"


def seen_entries(
    alarms: Iterable[Alarm], t_ns: int, origin_ns: int, by: str, for_ns: int | None
) -> list[dict[str, Any]]:
    """One entry for each subject whose alarms were raised up to ``t_ns``; with peaks so far."""
    latest: dict[str, Alarm] = {}
    for alarm in alarms:
        if alarm.raised_ns <= t_ns and (for_ns is None or alarm.stands(t_ns)):
            latest[alarm.limit.subject] = alarm
    entries = []
    for subject, alarm in latest.items():
        entry: dict[str, Any] = {
            "what": SEEN if for_ns is None else SHELVED,
            "subject": subject,
            "upto_ns": t_ns + origin_ns,
            "by": by,
            "limit": alarm.limit.value,
            "peak_so_far": None if alarm.peak != alarm.peak else alarm.peak,
        }
        if for_ns is not None:
            entry["until_ns"] = t_ns + origin_ns + for_ns
        entries.append(entry)
    return entries


def seen_of(entries: Iterable[Mapping[str, Any]], origin_ns: int) -> tuple[Seen, ...]:
    """What a log says, counted from ``origin_ns``; entries of another kind are left out."""
    found = []
    for entry in entries:
        subject, upto = entry.get("subject"), entry.get("upto_ns")
        if entry.get("what") not in (SEEN, SHELVED) or not isinstance(subject, str):
            continue
        if not isinstance(upto, int) or isinstance(upto, bool):
            continue
        until = entry.get("until_ns")
        shelved = until - origin_ns if isinstance(until, int) else None
        found.append(Seen(subject, upto - origin_ns, str(entry.get("by", "")), shelved))
    return tuple(found)


def alarm_entries(
    alarms: Sequence[Alarm], before: Sequence[Alarm], origin_ns: int
) -> list[dict[str, Any]]:
    """What a later list of alarms says more than an earlier one: raised, cleared."""
    old = {(a.limit, a.raised_ns): a for a in before}
    entries = []
    for alarm in alarms:
        known = old.get((alarm.limit, alarm.raised_ns))
        for what, moment, new in (
            ("raised", alarm.raised_ns, known is None),
            ("cleared", alarm.cleared_ns, known is None or known.cleared_ns is None),
        ):
            if new and moment is not None:
                entries.append(
                    {
                        "what": what,
                        "subject": alarm.limit.subject,
                        "weight": alarm.weight.word,
                        "limit": alarm.limit.value,
                        "beyond": "above" if alarm.limit.above else "below",
                        "t_ns": moment + origin_ns,
                        "crossed_ns": alarm.crossed_ns + origin_ns,
                        "peak_so_far": None if alarm.peak != alarm.peak else alarm.peak,
                        "peak_ns": alarm.peak_ns + origin_ns,
                        "unit": alarm.unit,
                    }
                )
    return entries


def notes_beside(capture: Path, origin_ns: int) -> tuple[tuple[Note, ...], str]:
    """The notes kept beside a capture, and why they are left out, empty when they are not.

    ``UsageError`` for a file that cannot be read.
    """
    path = notes_path(capture)
    found = parse_notes(read_text(path), origin_ns, str(path))
    if found.notes and not belongs(capture, found.head_bytes, found.head_sha256):
        return (), f"{path} was made beside another capture; its notes are left out"
    return found.notes, ""
