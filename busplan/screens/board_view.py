"""Boards on screen: one sheet of characters, of which only the parts that changed are sent."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message

from busplan.board.edit import moved, next_kind, sized
from busplan.board.model import Board, Tile
from busplan.board.spec import GRID
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.bound import bound
from busplan.screens.sheet import Lines
from busplan.screens.views import View
from busplan.text.board_draw import Shown, draw_board, tile_places
from busplan.text.canvas import Canvas
from busplan.text.chart import Flag
from busplan.text.runs import FAINT, Line
from busplan.text.tiles import Kept, Look
from busplan.text.timeline import Window

if TYPE_CHECKING:
    from busplan.board.notes import Note
    from busplan.board.state import BoardState, Judged
    from busplan.plan.vehicle import SignalAddress

EDIT_KEYS = {
    "board.save": "saves",
    "board.edit": "ends",
    "board.undo": "undoes",
    "board.move.right": "moves",
    "board.size.right": "sizes",
    "board.limits": "limits",
    "board.kind": "kind",
    "board.take_off": "takes off",
}
"""What is said of keys while a board is edited, what matters most first."""


class BoardSheet(Lines, can_focus=True, inherit_bindings=False):
    """A drawing as large as the screen."""

    DEFAULT_CSS = """
    BoardSheet { height: 1fr; overflow: hidden; }
    """

    class Pressed(Message):
        """A place was pressed, or dragged to from where it was pressed."""

        def __init__(self, x: int, y: int, *, dragged: bool = False) -> None:
            super().__init__()
            self.x, self.y, self.dragged = x, y, dragged

    def __init__(self) -> None:
        super().__init__(id="board-sheet")
        self._canvas = Canvas(0, 0)
        self._held = False

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
        changed = canvas.differs(old)
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

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Tell where, and follow."""
        self._held = True
        self.capture_mouse()
        self.post_message(self.Pressed(event.x, event.y))

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Tell where it is dragged."""
        if self._held:
            self.post_message(self.Pressed(event.x, event.y, dragged=True))

    def on_mouse_up(self) -> None:
        """Follow no longer."""
        self._held = False
        self.release_mouse()


FAR = 8
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
        "alarms while playing (off at first)\n"
        "e edits: arrows choose a tile, with shift they move it, with ctrl they size it; or drag "
        "its heading or its lower right corner; t changes its kind, l sets limits of its "
        "signal, delete takes it off, u undoes, ctrl+s saves. B on Messages and Pack puts what is "
        "chosen on the board"
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "next_board", "Next board", id="board.next"),
        Binding("s", "seen", "Alarms have been seen", id="board.seen"),
        Binding("h", "shelve", "Put alarms aside for 10 min", id="board.shelve"),
        Binding("e", "edit", "Edit the board or no longer", id="board.edit"),
        *(
            Binding(f"{lead}{key}", f"{what}({dx},{dy})", f"{told} {key}", id=f"board.{what}.{key}")
            for lead, what, told in (
                ("", "choose", "Edit: tile"),
                ("shift+", "move", "Edit: move"),
                ("ctrl+", "size", "Edit: size"),
            )
            for key, dx, dy in (("up", 0, -1), ("down", 0, 1), ("left", -1, 0), ("right", 1, 0))
        ),
        Binding("t", "kind", "Edit: next kind", id="board.kind"),
        Binding("l", "limits", "Edit: limits", id="board.limits"),
        Binding("delete,backspace", "take_off", "Edit: take off", id="board.take_off"),
        Binding("u", "undo", "Edit: undo", id="board.undo"),
        Binding("ctrl+s", "save", "Edit: save", id="board.save"),
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
        self.editing = False
        self.chosen = 0
        self._grip: tuple[int, int, bool] | None = None
        self._drawn = Kept()
        self._needed: tuple[object, object, Sequence[SignalAddress]] = (None, None, ())

    def compose(self) -> ComposeResult:
        """The sheet."""
        yield BoardSheet()

    @property
    def sheet(self) -> BoardSheet:
        """The drawing."""
        return self.query_one(BoardSheet)

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.give_keys(self.sheet)

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
        if self._needed[:2] != (self.judged, board):
            quantities = self.judged.quantities
            needed = quantities.needed(s for t in board.tiles for s in t.subjects)
            self._needed = (self.judged, board, needed)
        self.read_beside(replay, self._needed[2])
        self.state = self.judged.at(board, snapshot.t_ns)
        flags = [Flag(n.t_ns, "m", "note") for n in self.notes]
        look = Look(snapshot.t_ns, self.pen, self.white, flags, self._drawn)
        shown = Shown(self.judged, self.state, replay, snapshot, self.notes)
        canvas = draw_board(shown, look, columns, rows)
        if self.editing:
            self._outline(canvas)
        self.sheet.show(canvas)

    def _outline(self, canvas: Canvas) -> None:
        """Mark the chosen tile and say what keys do."""
        if self.state is None or not self.state.tiles:
            return
        self.chosen = min(self.chosen, len(self.state.tiles) - 1)
        rect = tile_places(self.state, canvas.columns, canvas.rows)[self.chosen]
        canvas.fill(rect.y, rect.x, 1, rect.columns, "chosen")
        canvas.write(rect.y + rect.rows - 1, rect.x + rect.columns - 1, "◢", "chosen")
        tile = self.state.tiles[self.chosen].tile
        hint = f" EDIT {tile.show} at {tile.at[0]},{tile.at[1]} size {tile.size[0]}x{tile.size[1]} "
        keys = bound(self.screen)
        for name, word in EDIT_KEYS.items():
            told = f" {self.app.get_key_display(keys[name][0][0])} {word} " if name in keys else ""
            hint += told if len(hint) + len(told) <= canvas.columns else ""
        canvas.write(0, 0, hint, "chosen")

    class Edited(Message):
        """The user changes the board."""

        def __init__(self, what: str, keys: dict[str, object] | None = None) -> None:
            super().__init__()
            self.what, self.keys = what, keys or {}

    def action_edit(self) -> None:
        """Begin or end editing."""
        self.editing = not self.editing
        self.post_message(self.Edited("begin" if self.editing else "end"))

    def _tile(self) -> Tile | None:
        board = self.board
        if not self.editing or board is None or not board.tiles:
            self.app.bell()
            return None
        return board.tiles[min(self.chosen, len(board.tiles) - 1)]

    def action_choose(self, dx: int, dy: int) -> None:
        """Choose the nearest tile in a direction."""
        tile, board = self._tile(), self.board
        if tile is None or board is None:
            return
        x, y = middle_of(tile)

        def away(n: int) -> tuple[float, float]:
            other = middle_of(board.tiles[n])
            along = (other[0] - x) * dx + (other[1] - y) * dy
            across = abs((other[0] - x) * dy) + abs((other[1] - y) * dx)
            return (along + 2 * across, along) if along > 0 else (float("inf"), 0.0)

        best = min(range(len(board.tiles)), key=away)
        if away(best)[0] < float("inf"):
            self.chosen = best
            self.redraw_soon()

    def action_move(self, dx: int, dy: int) -> None:
        """Move the chosen tile."""
        if (tile := self._tile()) is not None:
            self.post_message(self.Edited("change", moved(tile, dx, dy)))

    def action_size(self, dx: int, dy: int) -> None:
        """Size the chosen tile."""
        if (tile := self._tile()) is not None:
            self.post_message(self.Edited("change", sized(tile, dx, dy)))

    def action_kind(self) -> None:
        """Give the chosen tile the next kind."""
        if (tile := self._tile()) is not None:
            self.post_message(self.Edited("change", next_kind(tile)))

    def action_limits(self) -> None:
        """Ask for limits of what the chosen tile shows."""
        if self._tile() is not None:
            self.post_message(self.Edited("limits"))

    def action_take_off(self) -> None:
        """Take the chosen tile off."""
        if self._tile() is not None:
            self.post_message(self.Edited("take off"))

    def action_undo(self) -> None:
        """Undo the last change."""
        if self.editing:
            self.post_message(self.Edited("undo"))

    def action_save(self) -> None:
        """Save the board."""
        if self.editing:
            self.post_message(self.Edited("save"))

    @on(BoardSheet.Pressed)
    def _pressed(self, message: BoardSheet.Pressed) -> None:
        """Choose a tile by the mouse; drag its heading to move it, its corner to size it."""
        if not self.editing or self.state is None:
            return
        places = tile_places(self.state, self.size.width, self.size.height)
        if not message.dragged:
            number = self.tile_at(message.x, message.y)
            self._grip = None
            if number is None:
                return
            self.chosen, rect = number, places[number]
            corner = (message.x, message.y) == (rect.x + rect.columns - 1, rect.y + rect.rows - 1)
            if corner or message.y == rect.y:
                self._grip = (message.x, message.y, corner)
            self.redraw_soon()
            return
        tile = self._tile()
        if self._grip is None or tile is None:
            return
        x, y, corner = self._grip
        dx = round((message.x - x) * GRID / max(self.size.width, 1))
        dy = round((message.y - y) * GRID / max(self.size.height, 1))
        if dx or dy:
            self._grip = (message.x, message.y, corner)
            keys = sized(tile, dx, dy) if corner else moved(tile, dx, dy)
            self.post_message(self.Edited("change", keys))

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


def middle_of(tile: Tile) -> tuple[float, float]:
    """The middle of a tile on the grid."""
    return tile.at[0] + tile.size[0] / 2, tile.at[1] + tile.size[1] / 2


SHELVED_NS = 600_000_000_000
"""How long alarms are put aside: ten minutes."""
