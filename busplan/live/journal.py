"""What happens around a recording, as JSON lines beside the log, written append-only as it is.

:func:`journal_findings` turns what it tells into findings.
"""

from __future__ import annotations

import json
import threading
from collections import deque
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, NamedTuple

from busplan.findings import Finding, Weight, Where
from busplan.wording import escaped

REMEMBERED = 1000
"""Journal entries kept in memory: a recording may run for weeks."""


class JournalKind(StrEnum):
    """What an entry tells; its value is the word in the file and never changes its meaning."""

    STARTED = "started"
    """With ``file`` (when one is written), ``interfaces`` and ``silence``."""
    ENDED = "ended"
    """With the frames ``written`` and ``dropped``."""
    NEXT_FILE = "next file"
    """With ``file``."""
    NO_NEXT_FILE = "no next file"
    """With ``trouble``; the file before grows on."""
    INTERFACE_GONE = "interface gone"
    """With ``network`` and ``reason``."""
    INTERFACE_BACK = "interface back"
    """With ``network`` and ``gap_s`` [s]."""
    NOTHING_HEARD = "nothing heard"
    """With ``network`` and how many ``seconds`` it has been silent."""
    OVERFLOW = "overflow"
    """The interface's own buffer ran over: with ``network`` and how many ``times``."""
    DROPPED = "dropped"
    """With ``frames``, and ``network`` where one interface ran ahead of the writing."""
    CONTROLLER = "controller"
    """With ``network`` and ``state``."""
    CLOCK_JUMPED = "clock jumped"
    """With ``seconds``, below zero when it was set back."""
    DISK_TROUBLE = "disk"
    """With ``trouble``."""
    DISK_BACK = "disk back"
    SET_ASIDE = "set aside"
    """Frames that no log could hold: with ``network``, ``frames`` and the first ``reason``."""
    READER_LOST = "reader lost"
    """The thread that reads an interface died or hangs: with ``network`` and ``reason``."""
    STALLED = "stalled"
    """This computer stood still or had no time to listen: with ``network`` and ``gap_s`` [s]."""
    FILE_GONE = "file gone"
    """The file was removed while it was written: with ``file``, the one written ``now`` and the
    frames ``lost``."""
    FAILED = "failed"
    """Listening has ended by itself: with ``reason``."""
    SENDING = "sending"
    """A frame goes out because the user said so: with ``frame`` and ``purpose``."""
    PROMPT = "prompt"
    """The tester was told to do something: with ``words``."""
    ANSWER = "answer"
    """With ``after_s`` [s]; ``null``: none came."""


class Journal:
    """What happened around a recording, as JSON lines; without a path it is only remembered.

    The file holds everything, the memory the last :data:`REMEMBERED` entries.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._entries: deque[dict[str, Any]] = deque(maxlen=REMEMBERED)
        self._lock = threading.Lock()

    @property
    def entries(self) -> tuple[dict[str, Any], ...]:
        """The last entries, oldest first."""
        with self._lock:
            return tuple(self._entries)

    def note(self, what: JournalKind, **details: Any) -> None:
        """Append one entry with the time of the wall clock (UTC)."""
        entry = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "what": what}
        entry.update(details)
        with self._lock:
            self._entries.append(entry)
            if self.path is not None:
                try:
                    with self.path.open("a", encoding="utf-8", newline="\n") as file:
                        file.write(escaped(json.dumps(entry, ensure_ascii=False)) + "\n")
                except OSError:
                    # A full disk refuses the journal as well; the writer says so on the screen.
                    return

    def move_beside(self, log: Path) -> None:
        """Go on beside another log, with all that is remembered: the file before may be gone."""
        with self._lock:
            if self.path is None or self.path.exists():
                return
            self.path = log.with_name(log.name + ".journal")
            try:
                with self.path.open("a", encoding="utf-8", newline="\n") as file:
                    for entry in self._entries:
                        file.write(escaped(json.dumps(entry, ensure_ascii=False)) + "\n")
            except OSError:
                return


_FINDINGS: Mapping[JournalKind, tuple[str, Weight, str, str]] = {
    JournalKind.INTERFACE_GONE: (
        "interface-gone",
        Weight.FAULT,
        "the interface has gone: {reason}",
        "Plug it in again; it is tried each second.",
    ),
    JournalKind.INTERFACE_BACK: (
        "interface-back",
        Weight.CAUTION,
        "the interface is back after {gap_s} s; what was sent meanwhile is missing",
        "Look at the cable of the adapter.",
    ),
    JournalKind.OVERFLOW: (
        "buffer-overflow",
        Weight.CAUTION,
        "the interface's buffer ran over (times: {times}); frames are missing",
        "Close other programs, or use an interface with a larger buffer.",
    ),
    JournalKind.NOTHING_HEARD: (
        "nothing-heard",
        Weight.CAUTION,
        "no frame came within {seconds:g} s",
        "See busplan bench --wiring for what to measure.",
    ),
    JournalKind.DROPPED: (
        "frames-dropped",
        Weight.CAUTION,
        "frames were dropped and are in no file: {frames}",
        "Record fewer networks at once, on a disk that keeps up.",
    ),
    JournalKind.SET_ASIDE: (
        "frames-set-aside",
        Weight.CAUTION,
        "frames that no log could hold were set aside: {frames} (the first: {reason})",
        "Look at the driver of the adapter; the frames are in no file.",
    ),
    JournalKind.READER_LOST: (
        "reader-lost",
        Weight.FAULT,
        "reading the interface broke off: {reason}; it is opened anew",
        "Look at the adapter and its driver.",
    ),
    JournalKind.STALLED: (
        "listening-stalled",
        Weight.CAUTION,
        "this computer did not listen for {gap_s} s; what no buffer held is missing",
        "Keep it awake, and close other programs.",
    ),
    JournalKind.FILE_GONE: (
        "file-gone",
        Weight.FAULT,
        "{file} was removed while it was written; going on in {now} (frames lost: {lost})",
        "Keep other programs away from the folder of a recording.",
    ),
    JournalKind.CONTROLLER: (
        "controller-state",
        Weight.CAUTION,
        "the adapter's controller: {state}",
        "Look at bit rate, terminators and plugs.",
    ),
    JournalKind.FAILED: (
        "listening-failed",
        Weight.FAULT,
        "listening has ended: {reason}",
        "Leave the screens and start again.",
    ),
    JournalKind.NO_NEXT_FILE: (
        "rotation-failed",
        Weight.CAUTION,
        "recording: {trouble}",
        "Make room for the next file, or let this one grow.",
    ),
    JournalKind.DISK_BACK: ("disk-back", Weight.NOTE, "recording: the disk takes data again", ""),
    JournalKind.DISK_TROUBLE: (
        "disk-trouble",
        Weight.FAULT,
        "recording: {trouble}",
        "Make room on the disk.",
    ),
    JournalKind.CLOCK_JUMPED: (
        "clock-jumped",
        Weight.CAUTION,
        "the clock of this computer jumped by {seconds} s",
        "Time stamps before and after do not fit together.",
    ),
}


_LOSES: Mapping[JournalKind, str] = {
    JournalKind.INTERFACE_GONE: "the interface went",
    JournalKind.INTERFACE_BACK: "the interface came back",
    JournalKind.OVERFLOW: "the interface's buffer ran over",
    JournalKind.DROPPED: "frames were dropped",
    JournalKind.SET_ASIDE: "odd frames were set aside",
    JournalKind.READER_LOST: "reading the interface broke off",
    JournalKind.STALLED: "this computer did not listen",
    JournalKind.FILE_GONE: "the log was removed",
    JournalKind.CLOCK_JUMPED: "this computer's clock jumped",
}
"""Entries that say that frames are not in the log, or not at their time."""


class Loss(NamedTuple):
    """Frames may be missing within these moments, by this computer's clock [ns]; why."""

    from_ns: int
    to_ns: int
    why: str


def losses(entries: Iterable[Mapping[str, Any]], slack_ns: int) -> tuple[Loss, ...]:
    """When the recording lost frames. An entry tells it up to ``slack_ns`` later.

    An interface that came back was gone since the entry before. A clock that jumped ahead did so
    over a sleep of the computer, perhaps.
    """
    found: list[Loss] = []
    for entry in entries:
        if entry["what"] in _LOSES:
            at_ns = round(datetime.fromisoformat(entry["at"]).timestamp() * 1e9)
            ahead = entry["seconds"] if entry["what"] == JournalKind.CLOCK_JUMPED else 0.0
            gone_ns = round(float(entry.get("gap_s") or max(ahead, 0.0)) * 1e9)
            begin = at_ns - gone_ns - slack_ns
            found.append(Loss(begin, at_ns + slack_ns // 10, _LOSES[entry["what"]]))
    return tuple(found)


def journal_findings(entries: Iterable[Mapping[str, Any]], origin_ns: int | None) -> list[Finding]:
    """Gaps, drops, a full disk and the like of a journal, as findings; other entries say nothing.

    ``origin_ns`` is the time of the first frame; ``None`` before there is one.
    """
    findings = []
    for entry in entries:
        if entry["what"] not in _FINDINGS:
            continue
        code, weight, words, action = _FINDINGS[entry["what"]]
        at_ns = round(datetime.fromisoformat(entry["at"]).timestamp() * 1e9)
        # Before the first frame there is only one moment to show it at.
        moment = 0 if origin_ns is None else max(0, at_ns - origin_ns)
        network = entry.get("network")
        told = words.format(**entry) if network is None else f"{network}: {words.format(**entry)}"
        findings.append(
            Finding(code, weight, Where(network=network, time_ns=moment), told, action=action)
        )
    return findings
