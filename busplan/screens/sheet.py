"""A scrolling sheet of drawn lines that repaints only the lines that changed."""

from __future__ import annotations

from typing import ClassVar

from rich.segment import Segment
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.scroll_view import ScrollView
from textual.strip import Strip

from busplan.screens import look
from busplan.screens.runs import Line, fill


class Sheet(ScrollView, can_focus=False, inherit_bindings=False):
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
        self._strips: dict[int, Strip] = {}
        self._look: tuple[bool, bool, int] = (True, True, 0)

    @property
    def lines(self) -> list[Line]:
        """What is shown, above and below the visible part too."""
        return self._lines

    def show(self, lines: list[Line]) -> None:
        """Replace the lines; only changed ones are painted again."""
        old, self._lines = self._lines, lines
        if len(old) != len(lines):
            self.virtual_size = Size(0, len(lines))
            self._strips.clear()
            self.refresh()
            return
        top, width = self.scroll_offset.y, self.size.width
        for y, (before, after) in enumerate(zip(old, lines, strict=True)):
            if before != after:
                self._strips.pop(y, None)
                if 0 <= y - top < self.size.height:
                    self.refresh(Region(0, y - top, width, 1))

    def render_line(self, y: int) -> Strip:
        """One visible line."""
        width = self.size.width
        now = (self.app.current_theme.dark, not self.app.no_color, width)
        if now != self._look:
            self._look = now
            self._strips.clear()
        y += self.scroll_offset.y
        strip = self._strips.get(y)
        if strip is None:
            line = self._lines[y] if y < len(self._lines) else []
            strip = paint(line, width, dark=now[0], colour=now[1])
            self._strips[y] = strip
        return strip.apply_style(self.rich_style)


def paint(line: Line, width: int, *, dark: bool, colour: bool) -> Strip:
    """A line of runs as a terminal strip of exactly ``width`` cells."""
    return Strip(
        [Segment(piece, look.style(role, dark, colour)) for piece, role in fill(line, width)], width
    )
