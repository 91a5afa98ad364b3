"""The live table of messages: filter as you type, choose a signal, pin it to a plot."""

from __future__ import annotations

from typing import ClassVar

from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.widgets import Input

from busplan.frames.identifier import FrameKey
from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.replay.search import matching
from busplan.replay.snapshot import Snapshot
from busplan.screens.sheet import Lines, Sheet
from busplan.screens.views import View
from busplan.text.messages_draw import Columns, draw_chosen, draw_heading, draw_message
from busplan.text.pins import draw_pins
from busplan.text.runs import FAINT, Line, width
from busplan.text.timeline import Window

MOST_PINS = 4
PLOT_ROWS = 7
"""Rows of each plot with its heading and its times."""


class MessageTable(Lines, can_focus=True, inherit_bindings=False):
    """Draws the visible lines only, and repaints only those that changed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Line up", id="messages.up", show=False),
        Binding("down", "move(1)", "Line down", id="messages.down", show=False),
        Binding("pageup", "page(-1)", "Page up", id="messages.page_up", show=False),
        Binding("pagedown", "page(1)", "Page down", id="messages.page_down", show=False),
        Binding("left", "signal(-1)", "Signal before", id="messages.left", show=False),
        Binding("right", "signal(1)", "Signal after", id="messages.right", show=False),
    ]
    DEFAULT_CSS = """
    MessageTable { height: 1fr; scrollbar-size-vertical: 1; }
    """

    def __init__(self) -> None:
        super().__init__(id="messages-table")
        self.numbers: list[int] = []
        self.chosen = 0
        self.signal = 0
        self.pinned: list[SignalAddress] = []
        self._texts: set[SignalAddress] = set()
        """Text signals of the chosen line: they have no curve."""
        self._state: tuple[Replay, Snapshot] | None = None
        self._fit = Columns(0, 0, 0)
        self._fitted: tuple[object, int] = (None, 0)
        self._drawn: dict[int, Line] = {}

    def update(self, replay: Replay, snapshot: Snapshot, numbers: list[int]) -> None:
        """Show the lines ``numbers`` at a moment."""
        columns = self.scrollable_content_region.width
        if (replay, columns) != self._fitted:
            self._fit = Columns.fit(replay, self.size.width)
            self._fitted = (replay, columns)
        if numbers != self.numbers:
            self.numbers = numbers
            self.virtual_size = Size(0, len(numbers))
            self.chosen = min(self.chosen, max(len(numbers) - 1, 0))
            self.forget()
        self._state = (replay, snapshot)
        before, self._drawn = self._drawn, {}
        top = self.scroll_offset.y
        shown = range(top, min(top + self.size.height, len(numbers)))
        self.changed([y for y in shown if self.line_at(y) != before.get(y)])

    def line_at(self, y: int) -> Line:
        """One line of the table at the present moment."""
        if self._state is None or y >= len(self.numbers):
            return []
        if y not in self._drawn:
            self._drawn[y] = draw_message(
                *self._state,
                self.numbers[y],
                self._fitted[1],
                self._fit,
                chosen=y == self.chosen,
                pinned=self.pinned,
            )
        return self._drawn[y]

    @property
    def heading(self) -> Line:
        """The names of the columns."""
        return draw_heading(self.size.width, self._fit)

    def action_move(self, by: int) -> None:
        """Choose another line."""
        self.chosen = min(max(self.chosen + by, 0), max(len(self.numbers) - 1, 0))
        self.signal = 0
        self.scroll_to_region(Region(0, self.chosen, 1, 1), animate=False)
        self.redraw_soon()

    def action_page(self, by: int) -> None:
        """Choose a line one page away."""
        self.action_move(by * max(self.size.height - 1, 1))

    def action_signal(self, by: int) -> None:
        """Choose another signal of the line."""
        count = len(self._signals())
        self.signal = min(max(self.signal + by, 0), max(count - 1, 0))
        self.redraw_soon()

    def point(self, words: str) -> None:
        """Choose the signal named last in ``words``."""
        names = [address.signal for address in self._signals()]
        named = [names.index(word) for word in words.replace("*", " ").split() if word in names]
        if named:
            self.signal = named[-1]
            self.redraw_soon()

    def on_click(self, event: events.Click) -> None:
        """Choose the line that was clicked."""
        self.action_move(event.y + self.scroll_offset.y - self.chosen)

    def toggle_pin(self) -> bool:
        """Pin or unpin the chosen signal; false when there is none, no room, or it is text."""
        signals = self._signals()
        if not signals:
            return False
        address = signals[self.signal]
        if address in self._texts:
            return False
        if address in self.pinned:
            self.pinned.remove(address)
            return True
        if len(self.pinned) < MOST_PINS:
            self.pinned.append(address)
            return True
        return False

    @property
    def key(self) -> FrameKey | None:
        """Network and identifier of the chosen line."""
        if self._state is None or not self.numbers:
            return None
        return self._state[0].lines.lines[self.numbers[self.chosen]].key

    def here(self) -> list[SignalAddress]:
        """The chosen signal; none when its message has none."""
        return self._signals()[self.signal : self.signal + 1]

    def _signals(self) -> list[SignalAddress]:
        if self._state is None or not self.numbers:
            return []
        line = self._state[0].lines.lines[self.numbers[self.chosen]]
        if not line.streams:
            return []
        stream = line.streams[0]
        self._texts = {stream.address(s.name) for s in stream.message.signals if s.is_text}
        return [stream.address(s.name) for s in stream.message.signals]


class ChosenMessage(Sheet):
    """The chosen message, whole."""

    class Pointed(Message):
        """A signal's name or value was clicked."""

        def __init__(self, words: str) -> None:
            super().__init__()
            self.words = words

    def on_click(self, event: events.Click) -> None:
        """Tell what stands from the start of the line up to the click."""
        inside = event.get_content_offset(self)
        at = inside.y + self.scroll_offset.y if inside else len(self.lines)
        if inside and at < len(self.lines):
            x = 0
            words = ""
            for piece, _ in self.lines[at]:
                if x > inside.x:
                    break
                words += f" {piece}"
                x += len(piece)
            self.post_message(self.Pointed(words))


class MessagesView(View):
    """Every identifier on every network."""

    title = "Messages"
    short = "Msgs"
    help = (
        "One line an identifier: cycle measured/stated (! more than 10 % off), age (~ stale), "
        "decoded values (' changed within the last second, * pinned). The chosen message "
        "is shown whole below. Frames without a definition "
        "show their bytes; two senders on one identifier are a fault.\n"
        "/ filters: all words must be found in network, identifier, names or signals; escape "
        "clears; arrows or mouse choose line and signal; p pins the signal to a plot, four at "
        "most; enter opens the workbench on the message, defined or not"
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("slash", "filter", "Filter", id="messages.filter"),
        Binding("p", "pin", "Pin signal", id="messages.pin"),
        Binding("B", "board", "Signal on the board", id="messages.board"),
        Binding("enter,i", "bits", "Bits of the message: workbench", id="messages.bits"),
        Binding("escape", "clear", "Clear filter", id="messages.clear"),
    ]
    DEFAULT_CSS = """
    MessagesView { layout: vertical; }
    MessagesView #messages-filter { display: none; height: 1; border: none; padding: 0; }
    MessagesView.-filtering #messages-filter { display: block; }
    MessagesView #messages-heading { height: 1; }
    MessagesView #messages-chosen { height: 3; border-top: solid $panel; }
    MessagesView #messages-plot { height: 0; }
    """

    def __init__(self) -> None:
        super().__init__(id="messages")
        self._numbers: tuple[object, str, list[int]] = (None, "", [])

    def compose(self) -> ComposeResult:
        """Filter, heading, table, plot."""
        yield Input(placeholder="words to find", id="messages-filter", compact=True)
        yield Sheet(id="messages-heading")
        yield MessageTable()
        yield ChosenMessage(id="messages-chosen")
        yield Sheet(id="messages-plot")

    @property
    def table(self) -> MessageTable:
        """The table."""
        return self.query_one(MessageTable)

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.give_keys(self.table)

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment."""
        words = self.query_one(Input).value
        if self._numbers[:2] != (replay, words):
            self._numbers = (replay, words, matching(replay, words))
        numbers = self._numbers[2]
        table = self.table
        plot = self.query_one("#messages-plot", Sheet)
        pins = len(table.pinned)
        each = min(PLOT_ROWS, self.size.height // 2 // max(pins, 1))
        plot.styles.height = pins * each
        table.update(replay, snapshot, numbers)
        details: list[Line] = []
        if numbers:
            details = draw_chosen(
                replay,
                snapshot,
                numbers[table.chosen],
                self.size.width - 1,
                table.signal,
                table.pinned,
            )
            hint = "  left right choose, p plots, / filters"
            if width(details[0]) + len(hint) < self.size.width:
                details[0] = [*details[0], (hint, FAINT)]
        else:
            details = [[("no message holds all of these words; escape shows all again", FAINT)]]
        chosen = self.query_one("#messages-chosen", Sheet)
        chosen.styles.height = min(max(len(details), 1), max(self.size.height // 4, 3)) + 1
        chosen.show(details)
        self.query_one("#messages-heading", Sheet).show([table.heading])
        self.read_beside(replay, table.pinned)
        plot.show(
            draw_pins(replay, table.pinned, self.size.width, window, snapshot.t_ns, each, self.pen)
        )

    def action_filter(self) -> None:
        """Type a filter."""
        self.add_class("-filtering")
        self.give_keys(self.query_one(Input))

    def action_clear(self) -> None:
        """Show everything again."""
        self.query_one(Input).value = ""
        self.remove_class("-filtering")
        self.give_keys(self.table)

    def action_board(self) -> None:
        """Put the chosen signal on the board."""
        self.put_on_board([str(a) for a in self.table.here()])

    def action_bits(self) -> None:
        """Open the workbench on the chosen message."""
        key = self.table.key
        if key is None:
            self.app.bell()
        else:
            self.look_into(key)

    def action_pin(self) -> None:
        """Pin or unpin the chosen signal."""
        if not self.table.toggle_pin():
            self.app.bell()
        self.redraw_soon()

    @on(ChosenMessage.Pointed)
    def _pointed(self, message: ChosenMessage.Pointed) -> None:
        self.table.point(message.words)

    @on(Input.Changed)
    def _typed(self) -> None:
        self.redraw_now()

    @on(Input.Submitted)
    def _entered(self) -> None:
        self.give_keys(self.table)
