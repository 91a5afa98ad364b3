"""What the board screen works with: boards of a file, who has seen which alarms, notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from busplan.board.alarms import Alarm, Watch
from busplan.board.board_file import BoardFile
from busplan.board.facts import judged_boards, with_plan
from busplan.board.kept import alarm_entries, notes_beside, seen_entries, seen_of
from busplan.board.model import Boards
from busplan.board.notes import NOTED, Note, note_block, note_findings, notes_head
from busplan.board.quantities import Quantities
from busplan.board.state import Judged
from busplan.capture.beside import (
    alarms_path,
    append_lines,
    append_text,
    head_of,
    notes_path,
    read_lines,
    user_name,
)
from busplan.errors import UsageError
from busplan.replay.replay import Replay

SETTLED_NS = 30_000_000_000
"""An automatic board of a live bus is made anew until so much has been heard."""


class BoardDesk:
    """Boards for captures, and what is kept beside the first of them.

    ``boards`` are those of a file, ``None`` for automatic ones; ``capture`` is the file beside
    which notes and acts are kept, ``None`` to remember them only until the screens are left.
    """

    def __init__(
        self,
        boards: Boards | None = None,
        capture: Path | None = None,
        path: Path | None = None,
    ) -> None:
        self.boards = boards
        self.file = BoardFile(path)
        self.capture = capture
        self.notes: tuple[Note, ...] = ()
        self.trouble = ""
        self._entries: list[dict[str, object]] = []
        self._watch: Watch | None = None
        self._live: Boards | None = None
        self._told: Sequence[Alarm] = ()

    def load(self, origin_ns: int) -> None:
        """Read what is kept beside the capture. ``UsageError`` when it cannot be read."""
        if self.capture is None:
            return
        self.notes, self.trouble = notes_beside(self.capture, origin_ns)
        self._entries = [dict(entry) for entry in read_lines(alarms_path(self.capture))]

    def with_notes(self, shown: Replay) -> Replay:
        """A capture with its notes among the findings."""
        others = [f for f in shown.findings if f.code != NOTED]
        return shown.with_findings(note_findings(self.notes), kept=others)

    def first(self, shown: Replay) -> Judged:
        """The boards before their limits have been judged."""
        boards = with_plan(shown, self.boards)
        return Judged(boards, Quantities(shown), (), judged=False)

    def judge(self, shown: Replay) -> Judged:
        """The boards with all alarms."""
        return judged_boards(shown, self.boards, seen_of(self._entries, shown.index.origin_ns))

    def changed(self, judged: Judged, boards: Boards) -> Judged:
        """The boards as they are after a change; limits are judged anew where they changed."""
        shown, before = judged.quantities.replay, judged.boards
        self.boards = boards
        after = with_plan(shown, boards)
        if after.limits == before.limits:
            return replace(judged, boards=after)
        if self._watch is not None:
            self._watch, self._live, self._told = None, None, ()
            return self.live(shown)
        return self.judge(shown)

    def act(self, judged: Judged, t_ns: int, for_ns: int | None) -> Judged:
        """Somebody has seen the alarms so far, or puts them aside ``for_ns``."""
        origin_ns = judged.quantities.replay.index.origin_ns
        entries = seen_entries(judged.alarms, t_ns, origin_ns, user_name(), for_ns)
        self._entries += entries
        self._keep(entries)
        return replace(judged, seen=seen_of(self._entries, origin_ns))

    def _keep(self, entries: Sequence[dict[str, object]]) -> None:
        if self.capture is None or not entries:
            return
        try:
            append_lines(alarms_path(self.capture), entries)
        except UsageError as error:
            self.trouble = str(error)

    def note(self, t_ns: int, text: str, origin_ns: int, *, epoch: bool, signal: str = "") -> Note:
        """Note something at a moment; ``UsageError`` when it cannot be kept."""
        note = Note(t_ns, text, user_name(), signal, t_ns + origin_ns)
        self.notes = tuple(sorted((*self.notes, note), key=lambda n: n.t_ns))
        if self.capture is not None:
            keep_note(self.capture, note, epoch=epoch)
        return note

    def shift(self, forgotten_ns: int) -> None:
        """The beginning of a live bus has been forgotten: times count from a later frame."""
        if forgotten_ns:
            self.notes = tuple(replace(n, t_ns=n.t_ns - forgotten_ns) for n in self.notes)
            if self._watch is not None:
                self._watch.shifted(forgotten_ns)

    def live(self, shown: Replay) -> Judged:
        """The boards of a live bus: what came since the last look is judged on top."""
        if self._live is None or (self.boards is None and shown.span_ns < SETTLED_NS):
            self._live = with_plan(shown, self.boards)
        if self._watch is None:
            self._watch = Watch(self._live.limits)
        quantities = Quantities(shown)
        self._watch.feed(quantities, shown.span_ns)
        alarms, origin_ns = self._watch.alarms, shown.index.origin_ns
        self._keep(alarm_entries(alarms, self._told, origin_ns))
        self._told = alarms
        return Judged(self._live, quantities, alarms, seen_of(self._entries, origin_ns))


def keep_note(capture: Path, note: Note, *, epoch: bool) -> None:
    """Add a note to the file beside a capture. ``UsageError`` when that cannot be done."""
    size, digest = head_of(capture)
    head = notes_head(capture.name, size, digest)
    append_text(notes_path(capture), note_block(note, epoch=epoch), head)
