"""Counting what a reader has to set aside: by reason, with the first places, never silently."""

from __future__ import annotations

from dataclasses import dataclass, field

from busplan.errors import CaptureError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.wording import counted, percent, plural

WRONG_LIMIT = 0.25
"""Share of wrong entries above which a file is refused."""
WRONG_FLOOR = 20
"""Fewer wrong entries than this never refuse a file."""
SHOWN = 5
"""Places shown for each reason."""


@dataclass
class Tally:
    """What happened while one file was read.

    ``entry`` is what the format's places count (``line`` or ``entry``), from 1. ``wrong`` maps a
    reason to how many entries were set aside for it; ``places`` to the first of them.
    """

    file: str
    entry: str = "line"
    entries: int = 0
    wrong: dict[str, int] = field(default_factory=dict)
    places: dict[str, list[int]] = field(default_factory=dict)
    torn: str | None = None
    """How the file ends early, when it does."""
    open_line: bool = False
    """Whether the last line has no line end, see :meth:`close_lines`."""
    length_codes: int = 0
    """Classical frames whose entry states a length code above 8."""
    clock: str = "UTC"
    """What the times count from."""
    skipped: int = 0
    """Entries that are well formed but no frames."""
    first_skipped: int = 0
    joins: int = 0
    """Lines that seem to be several joined to one."""
    first_join: int = 0
    remarks: list[Finding] = field(default_factory=list)

    def set_aside(self, reason: str, place: int, count: int = 1) -> None:
        """Count entries that cannot be read; ``place`` is the first of them."""
        self.wrong[reason] = self.wrong.get(reason, 0) + count
        shown = self.places.setdefault(reason, [])
        if len(shown) < SHOWN:
            shown.append(place)

    def close_lines(self) -> None:
        """Account for a last line without a line end, once all lines are counted."""
        if self.open_line:
            self.entries += 1
            cut = f"line {self.entries} has no line end and was set aside"
            self.torn = f"{self.torn}; {cut}" if self.torn else cut

    def skip(self, place: int) -> None:
        """Count an entry that is of another kind than a frame."""
        self.first_skipped = self.first_skipped or place
        self.skipped += 1

    def join(self, place: int) -> None:
        """Count a line that goes on where its frame ends: others may have been torn into it."""
        self.first_join = self.first_join or place
        self.joins += 1

    def channels_lost(self) -> None:
        """Say that the format does not keep channels apart."""
        self.remarks.append(channels_lost(self.file, named=False))

    def zone_unknown(self) -> None:
        """Say that the file's times have no zone; they are shown as if they were UTC."""
        self.clock = "UTC assumed (the file states no zone)"
        self.remark(
            "time-zone-unknown",
            Weight.NOTE,
            "the file does not say in which zone its clock ran; its times are shown as UTC",
            why="Recorders often write their local time, which may be hours away from UTC.",
            action="Where the hour matters, compare with what you know of the recording, and "
            "correct it with --offset.",
        )

    def remark(self, code: str, weight: Weight, summary: str, *, why: str, action: str) -> None:
        """Add a finding about the whole file."""
        self.remarks.append(Finding(code, weight, Where(file=self.file), summary, why, action))

    @property
    def wrong_total(self) -> int:
        """All entries set aside."""
        return sum(self.wrong.values())

    def check_share(self) -> None:
        """Raise :class:`CaptureError` when too large a share of the file is wrong."""
        wrong = self.wrong_total
        if wrong >= WRONG_FLOOR and wrong > WRONG_LIMIT * self.entries:
            reason = max(self.wrong, key=lambda r: self.wrong[r])
            raise CaptureError(
                f"{self.file}: {wrong} of {self.entries} {self.entry}s cannot be read, more than "
                f"the {percent(WRONG_LIMIT, 0)} tolerated; "
                f"{self.entry} {self.places[reason][0]} {reason}"
            )

    def findings(self) -> list[Finding]:
        """One finding a reason, with the first places, and one when the file ends early."""
        found = []
        for reason, count in self.wrong.items():
            places = self.places[reason]
            more = ", …" if count > len(places) else ""
            found.append(
                Finding(
                    "capture-entry-unreadable",
                    Weight.CAUTION,
                    Where(file=self.file, line=places[0]),
                    f"{counted(count, self.entry)} set aside: the {self.entry} {reason} "
                    f"({self.entry} {', '.join(map(str, places))}{more})",
                    why="What these entries recorded is missing from every figure.",
                    action="Look at these places; a disk or link fault while recording often "
                    "tears lines.",
                    figures=(Figure("set aside", count), Figure("entries", self.entries)),
                )
            )
        if self.torn:
            found.append(
                Finding(
                    "capture-ends-early",
                    Weight.CAUTION,
                    Where(file=self.file),
                    f"the file ends early: {self.torn}",
                    why="The recorder stopped or the copy was cut; what followed is not there.",
                    action="Compare with the original file if there should be more.",
                    figures=(Figure("entries", self.entries),),
                )
            )
        if self.skipped:
            found.append(
                Finding(
                    "capture-entry-not-a-frame",
                    Weight.NOTE,
                    Where(file=self.file, line=self.first_skipped),
                    f"{counted(self.skipped, self.entry)} "
                    f"{plural(self.skipped, 'holds', 'hold')} something other than a frame (first: "
                    f"{self.entry} {self.first_skipped})",
                    why="Status and statistics entries are not evaluated.",
                    action="Nothing, unless frames seem to be missing.",
                    figures=(Figure("entries", self.skipped),),
                )
            )
        if self.joins:
            found.append(
                Finding(
                    "capture-lines-joined",
                    Weight.CAUTION,
                    Where(file=self.file, line=self.first_join),
                    f"{counted(self.joins, 'line')} {plural(self.joins, 'goes', 'go')} on where a "
                    f"frame should end (first: line {self.first_join})",
                    why="Several lines may have become one, and what stood between is missing.",
                    action="Look at the line; a disk or link fault while recording tears lines so.",
                    figures=(Figure("lines", self.joins),),
                )
            )
        if self.length_codes:
            found.append(
                Finding(
                    "length-code-above-eight",
                    Weight.NOTE,
                    Where(file=self.file),
                    f"{counted(self.length_codes, 'frame')} with a length code above 8; each holds "
                    "8 bytes and is kept as such",
                    why="Only the code differs on the wire; the payload is the same.",
                    action="Nothing, unless a receiver of yours reads the code itself.",
                    figures=(Figure("frames", self.length_codes),),
                )
            )
        return found + self.remarks


def channels_lost(file: str | None, *, named: bool) -> Finding:
    """That a file does not keep channels apart; ``named``: the user said which network it is."""
    return Finding(
        "channels-not-recorded",
        Weight.NOTE if named else Weight.CAUTION,
        Where(file=file),
        "the format does not say which channel a frame came from; all frames are under one channel",
        why="Frames of several networks with equal identifiers cannot be told apart.",
        action="Record in a format that keeps channels, or one file for each network and say "
        "which: --channel unnamed=NETWORK.",
    )
