"""What the application does for boards: laying them out, alarms that were seen, notes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar

from textual import on
from textual.binding import Binding, BindingType

from busplan.board.desk import BoardDesk
from busplan.board.edit import (
    add_board,
    add_limit,
    add_tile,
    change_tile,
    take_off,
    typed_limits,
    usual_tiles,
)
from busplan.board.model import Boards, place_among
from busplan.board.quantities import taken
from busplan.errors import UsageError
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.board_view import BoardView
from busplan.screens.dialogs import LineScreen, NoteScreen
from busplan.screens.steering import Steered

if TYPE_CHECKING:
    from busplan.board.state import Judged


ADDED = "chosen"
"""Name of a board that is made because all others are full."""


class Boarded(Steered):
    """Holds the boards of each capture and what is kept beside the first one."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("m", "note", "Note something now", id="app.note"),
    ]
    desk: BoardDesk
    board: BoardView
    _boards: dict[int, Judged]

    def _know(self, number: int, after: Replay) -> None:
        raise NotImplementedError

    def _limits_judged(self, number: int, judged: Judged) -> None:
        self._boards[number] = judged
        self.action_redraw()

    def _lay_board(self) -> None:
        """Give the board screen what it shows of this capture."""
        number = self.captures.index(self.replay)
        if number not in self._boards:
            self._boards[number] = self.desk.first(self.replay)
        self.board.judged = self._boards[number]
        self.board.notes = self.desk.notes if number == 0 else ()

    @on(BoardView.Acted)
    def _acted(self, message: BoardView.Acted) -> None:
        number = self.captures.index(self.replay)
        t_ns = self.clock.position_ns + self.offset_ns
        self._boards[number] = self.desk.act(self._boards[number], t_ns, message.for_ns)
        if self.desk.trouble:
            self.notify(self.desk.trouble, severity="error")
        self.action_redraw()

    def action_note(self) -> None:
        """Ask what to note at this very moment."""
        number, t_ns = self.captures.index(self.replay), self.clock.position_ns + self.offset_ns
        if number:
            self.bell()
            return
        recorded_ns = t_ns + self.replay.index.origin_ns

        def answered(text: str | None) -> None:
            if not text:
                return
            origin_ns = self.captures[0].index.origin_ns
            at_ns = recorded_ns - origin_ns
            try:
                self.desk.note(at_ns, text, origin_ns, epoch=self.captures[0].table.epoch)
            except UsageError as error:
                self.notify(str(error), severity="error")
            self._know(0, self.desk.with_notes(self.captures[0]))

        presets = self._boards[0].boards.presets if 0 in self._boards else ()
        self.push_screen(NoteScreen(t_ns, presets), answered)

    @on(BoardView.Edited)
    def _edited(self, message: BoardView.Edited) -> None:
        """Do what the board screen was told to change; a change that is wrong changes nothing."""
        number = self.captures.index(self.replay)
        judged, file, board = self._boards[number], self.desk.file, self.board
        at = board.number % max(len(judged.boards.boards), 1)
        try:
            if message.what == "begin":
                file.begin(self.replay, self.desk.boards)
                self._take(number, file.change(self.replay, lambda text: text))
            elif message.what == "change":
                change = partial(change_tile, board=at, tile=board.chosen, keys=message.keys)
                self._take(number, file.change(self.replay, change))
            elif message.what == "take off":
                off = partial(take_off, board=at, tile=board.chosen)
                self._take(number, file.change(self.replay, off))
            elif message.what == "undo":
                before = file.undo(self.replay)
                if before is None:
                    self.bell()
                else:
                    self._take(number, before)
            elif message.what == "save":
                self.notify(f"saved to {file.save()}")
            elif message.what == "limits":
                self._ask_limits(number)
            elif not file.saved:
                self.notify("not saved yet: e, then ctrl+s saves the board")
        except UsageError as error:
            self.notify(str(error), severity="error")
        self.action_redraw()

    def _take(self, number: int, boards: Boards) -> None:
        self._boards[number] = self.desk.changed(self._boards[number], boards)

    def _ask_limits(self, number: int) -> None:
        """Ask for limits of the chosen tile's signal, with what was seen of it."""
        state = self.board.state
        if state is None or not state.tiles[self.board.chosen].readings:
            self.bell()
            return
        reading = state.tiles[self.board.chosen].readings[0]
        made = taken(reading.subject)
        signal, seen = reading.subject, ""
        if reading.track is not None and reading.track.range[0] == reading.track.range[0]:
            low, high = (reading.track.text(value) for value in reading.track.range)
            seen = f"seen so far: {low} to {high} {reading.track.unit}".rstrip()

        def answered(typed: str | None) -> None:
            if not typed:
                return
            try:
                keys = typed_limits(signal if made is None else made[1], typed)
                if made is not None:
                    keys["take"] = made[0]
                change = partial(add_limit, keys=keys)
                self._take(number, self.desk.file.change(self.replay, change))
            except UsageError as error:
                self.notify(str(error), severity="error")
            self.action_redraw()

        told = f"Limits of {reading.label}, such as caution_high=60 fault_high=70 for_s=2. {seen}"
        self.push_screen(LineScreen(told), answered)

    def put_on_board(self, subjects: Sequence[str]) -> None:
        """Put signals, in the kinds that suit them, on the board that was shown last or, where
        that is full, on another or a new one, which is then the one that is shown.
        """
        number = self.captures.index(self.replay)
        judged, file = self._boards[number], self.desk.file
        signal = judged.quantities.signal(subjects[0]) if subjects else None
        try:
            file.begin(self.replay, self.desk.boards)
            for keys in usual_tiles(subjects, signal):
                self._add_tile(number, keys)
        except UsageError as error:
            self.notify(str(error), severity="error")
            return
        name = self._boards[number].boards.boards[self.board.number].name
        self.notify(f"on the board {name}; open it and press e, then ctrl+s saves it")
        self.action_redraw()

    def _add_tile(self, number: int, keys: dict[str, Any]) -> None:
        boards, size = self._boards[number].boards, (keys["size"][0], keys["size"][1])
        found = place_among(boards, self.board.number % len(boards.boards), size)
        if found is None:
            another = partial(add_board, name=ADDED)
            self._take(number, self.desk.file.change(self.replay, another))
            found = len(boards.boards), (0, 0), size
        at, place, size = found
        keys = {**keys, "at": list(place), "size": list(size)}
        change = partial(add_tile, board=at, keys=keys)
        self._take(number, self.desk.file.change(self.replay, change))
        self.board.number = at

    def _red(self, snapshot: Snapshot) -> frozenset[str]:
        judged = self.board.judged
        return frozenset() if judged is None else frozenset(judged.standing(snapshot.t_ns)[0])
