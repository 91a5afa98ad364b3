"""Scrolling lines that are drawn elsewhere, of which only those that changed are painted again."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.binding import Binding, BindingType
from textual.filter import ANSIToTruecolor
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView
from textual.strip import Strip

from busplan.screens import look
from busplan.screens.part import Part
from busplan.text.runs import Line, clip, fill
from busplan.wording import disarmed


class Lines(ScrollView, Part, can_focus=False, inherit_bindings=False):
    """Paints what :meth:`line_at` gives and keeps it until told by :meth:`changed`.

    Screens redraw ten times a second, so the painted line is handed to the compositor as it is:
    with its background, past the general styling of a widget, which would copy it four times.
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._painted: dict[int, Strip] = {}
        self._look: tuple[bool, bool, int] = (True, True, 0)
        self._base: Style | None = None

    def line_at(self, y: int) -> Line:
        """The line of that number, from 0 at the very top."""
        raise NotImplementedError

    def changed(self, lines: Iterable[int]) -> None:
        """Paint some lines anew."""
        top, (width, height) = self.scroll_offset.y, self.size
        visible = []
        for y in lines:
            self._painted.pop(y, None)
            if 0 <= y - top < height:
                visible.append(Region(0, y - top, width, 1))
        if visible:
            self.refresh(*visible)

    def forget(self) -> None:
        """Paint everything anew."""
        self._painted.clear()
        self.refresh()

    def notify_style_update(self) -> None:
        """The theme or a class has changed."""
        super().notify_style_update()
        self._base = None

    def render_line(self, y: int) -> Strip:
        """One visible line."""
        self._be_current()
        return self._strip(y + self.scroll_offset.y)

    def _be_current(self) -> None:
        """Throw away what was painted for another theme or width."""
        columns = self.scrollable_content_region.width
        now = (self.app.current_theme.dark, not self.app.no_color, columns)
        if now != self._look or self._base is None:
            self._look, self._base = now, self.rich_style
            self._painted.clear()

    def _strip(self, y: int) -> Strip:
        strip = self._painted.get(y)
        if strip is None:
            assert self._base is not None
            dark, colour, width = self._look
            line = fill(clip(self.line_at(y), width), self._whole_width)
            strip = self._painted[y] = paint(line, self._base, dark=dark, colour=colour)
        return strip

    @property
    def _whole_width(self) -> int:
        """Columns between the borders, a scroll bar's too."""
        return self.outer_size.width - self.styles.gutter.width

    def render_lines(self, crop: Region) -> list[Strip]:
        """The visible lines, straight from what is painted where nothing else is to be done."""
        plain = all(isinstance(f, ANSIToTruecolor) for f in self.get_line_filters())
        whole = crop.column_span == (0, self._whole_width)
        if not (plain and whole) or self.styles.gutter.height:
            return super().render_lines(crop)
        top = self.scroll_offset.y
        self._be_current()
        return [self._strip(top + y) for y in crop.line_range]


class Sheet(Lines, can_focus=False, inherit_bindings=False):
    """Shows lines that are drawn elsewhere and set with :meth:`show`."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "scroll_up", "Scroll up", id="sheet.up", show=False),
        Binding("down", "scroll_down", "Scroll down", id="sheet.down", show=False),
        Binding("pageup", "page_up", "Page up", id="sheet.page_up", show=False),
        Binding("pagedown", "page_down", "Page down", id="sheet.page_down", show=False),
    ]
    DEFAULT_CSS = """
    Sheet { height: 1fr; scrollbar-size-vertical: 1; scrollbar-size-horizontal: 1; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._lines: list[Line] = []

    @property
    def lines(self) -> list[Line]:
        """What is shown, above and below the visible part too."""
        return self._lines

    def line_at(self, y: int) -> Line:
        """The line of that number; empty below the last."""
        return self._lines[y] if y < len(self._lines) else []

    def show(self, lines: list[Line]) -> None:
        """Replace the lines; only changed ones are painted again."""
        old, self._lines = self._lines, lines
        if old is lines:
            return
        if len(old) != len(lines):
            self.virtual_size = Size(0, len(lines))
            self.forget()
            return
        pairs = enumerate(zip(old, lines, strict=True))
        self.changed([y for y, (before, after) in pairs if before != after])


def paint(line: Line, base: Style, *, dark: bool, colour: bool) -> Strip:
    """A line of runs as a strip of the terminal, over the ``base`` style."""
    whole = "".join([piece for piece, _ in line])
    if disarmed(whole) != whole:
        line = [(disarmed(piece), role) for piece, role in line]
    return Strip([Segment(piece, look.style(role, dark, colour, base)) for piece, role in line])
