"""Boards on screen: one sheet of characters, of which only the parts that changed are sent."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message

from busplan.board.model import Board
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.sheet import Lines
from busplan.screens.views import View
from busplan.text.board_draw import Shown, draw_board, tile_places
from busplan.text.canvas import Canvas
from busplan.text.chart import Flag
from busplan.text.runs import FAINT, Line
from busplan.text.tiles import Look
from busplan.text.timeline import Window

if TYPE_CHECKING:
    from busplan.board.notes import Note
    from busplan.board.state import BoardState, Judged


class BoardSheet(Lines, can_focus=True, inherit_bindings=False):
    """A drawing as large as the screen."""

    DEFAULT_CSS = """
    BoardSheet { height: 1fr; overflow: hidden; }
    """

    class Pressed(Message):
        """A place was clicked; ``chain`` counts clicks."""

        def __init__(self, x: int, y: int, chain: int) -> None:
            super().__init__()
            self.x, self.y, self.chain = x, y, chain

    def __init__(self) -> None:
        super().__init__(id="board-sheet")
        self._canvas = Canvas(0, 0)

    def line_at(self, y: int) -> Line:
        """One row."""
        return self._canvas.line(y) if y < self._canvas.rows else []

    def show(self, canvas: Canvas) -> None:
        """Replace the drawing; only the parts of rows that differ are painted again."""
        old, self._canvas = self._canvas, canvas
        if (old.rows, old.columns) != (canvas.rows, canvas.columns):
            self.virtual_size = Size(0, canvas.rows)
            self.forget()
            return
        changed = (
            (old.piece != canvas.piece) | (old.ink != canvas.ink) | (old.ground != canvas.ground)
        )
        parts = []
        for y in np.flatnonzero(changed.any(axis=1)).tolist():
            self._painted.pop(y, None)
            at = np.flatnonzero(changed[y])
            # Far apart changes in one row are sent as parts of their own.
            cuts = np.flatnonzero(np.diff(at) > FAR)
            for a, b in zip(at[[0, *(cuts + 1)]], at[[*cuts, -1]], strict=True):
                parts.append(Region(int(a), y, int(b - a + 1), 1))
        if parts:
            self.refresh(*parts)

    def on_click(self, event: events.Click) -> None:
        """Tell where."""
        self.post_message(self.Pressed(event.x, event.y, event.chain))


FAR = 12
"""Columns without a change from which on a row is sent in two parts."""


class BoardView(View):
    """Boards of one's own, or automatic ones."""

    title = "Board"
    short = "Board"
    help = (
        "Tiles with values, limits and alarms; the band on top names what is in the red or to be "
        "watched on any board. A tile filled with colour is a fault, a coloured heading alone a "
        "caution; hatched: no value. Without a file (--board FILE, or PLAN.board.toml beside the "
        "plan) the board is made of what the capture holds.\n"
        "w shows the next board; s says that all alarms so far have been seen, h puts them aside "
        "for ten minutes; m notes something at this moment; f rings the terminal bell on new "
        "alarms while playing (off at first)"
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "next_board", "Next board", id="board.next"),
        Binding("s", "seen", "Alarms have been seen", id="board.seen"),
        Binding("h", "shelve", "Put alarms aside for 10 min", id="board.shelve"),
    ]

    class Acted(Message):
        """The alarms so far have been seen, or are put aside ``for_ns``."""

        def __init__(self, for_ns: int | None) -> None:
            super().__init__()
            self.for_ns = for_ns

    def __init__(self) -> None:
        super().__init__(id="board")
        self.judged: Judged | None = None
        self.notes: Sequence[Note] = ()
        self.number = 0
        self.white = False
        self.state: BoardState | None = None

    def compose(self) -> ComposeResult:
        """The sheet."""
        yield BoardSheet()

    @property
    def sheet(self) -> BoardSheet:
        """The drawing."""
        return self.query_one(BoardSheet)

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.sheet.focus()

    @property
    def board(self) -> Board | None:
        """The board that is shown."""
        if self.judged is None or not self.judged.boards.boards:
            return None
        boards = self.judged.boards.boards
        return boards[self.number % len(boards)]

    @property
    def flashing(self) -> bool:
        """Whether a standing alarm has not been seen and may blink."""
        if self.judged is None or not self.judged.boards.blink or self.state is None:
            return False
        return any(tile.weight is not None and tile.fresh_alarm for tile in self.state.tiles)

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment."""
        columns, rows = self.size.width, self.size.height
        board = self.board
        if board is None or self.judged is None:
            canvas = Canvas(rows, columns)
            canvas.write(0, 0, "The board is being made ...", FAINT)
            self.sheet.show(canvas)
            return
        needed = self.judged.quantities.needed(s for t in board.tiles for s in t.subjects)
        self.read_beside(replay, needed)
        self.state = self.judged.at(board, snapshot.t_ns)
        flags = [Flag(n.t_ns, "m", "note") for n in self.notes]
        look = Look(snapshot.t_ns, self.pen, self.white, flags)
        shown = Shown(self.judged, self.state, replay, snapshot, self.notes)
        self.sheet.show(draw_board(shown, look, columns, rows))

    def action_next_board(self) -> None:
        """The next board."""
        if self.judged is not None and len(self.judged.boards.boards) > 1:
            self.number = (self.number + 1) % len(self.judged.boards.boards)
            self.redraw_soon()
        else:
            self.app.bell()

    def action_seen(self) -> None:
        """All alarms so far have been seen."""
        self.post_message(self.Acted(None))

    def action_shelve(self) -> None:
        """All standing alarms are put aside for a while."""
        self.post_message(self.Acted(SHELVED_NS))

    def tile_at(self, x: int, y: int) -> int | None:
        """The number of the tile at a place."""
        if self.state is None:
            return None
        places = tile_places(self.state, self.size.width, self.size.height)
        return next((n for n, rect in enumerate(places) if rect.holds(x, y)), None)


SHELVED_NS = 600_000_000_000
"""How long alarms are put aside: ten minutes."""
