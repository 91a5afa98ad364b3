"""What the application does for boards: laying them out, alarms that were seen, notes."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.binding import Binding, BindingType

from busplan.errors import UsageError
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.board_desk import BoardDesk
from busplan.screens.board_view import BoardView
from busplan.screens.dialogs import NoteScreen
from busplan.screens.steering import Steered

if TYPE_CHECKING:
    from busplan.board.state import Judged


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

    def _red(self, snapshot: Snapshot) -> frozenset[str]:
        judged = self.board.judged
        return frozenset() if judged is None else frozenset(judged.standing(snapshot.t_ns)[0])
