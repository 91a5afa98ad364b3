"""The heading above and the line of time below every screen."""

from __future__ import annotations

from textual import events
from textual.message import Message

from busplan.replay.replay import Replay
from busplan.screens.sheet import Sheet
from busplan.text.runs import PLAIN, Line, clip, width
from busplan.text.timeline import Transport, draw_track, draw_transport, moment_at
from busplan.wording import CAUTIONS


class Heading(Sheet):
    """Vehicle, capture and the names of the screens; a click on a name opens it."""

    DEFAULT_CSS = """
    Heading { height: 1; overflow: hidden; }
    """

    class Picked(Message):
        """A screen's name was clicked."""

        def __init__(self, name: str) -> None:
            super().__init__()
            self.name = name

    def __init__(self, names: tuple[tuple[str, str], ...]) -> None:
        super().__init__(id="heading")
        self._names = names
        self._tabs: list[tuple[int, int, str]] = []

    def update(self, replay: Replay, current: str, columns: int, number: int | None) -> None:
        """Draw for the screen named ``current``; ``number`` says which of two captures it shows."""
        which = "" if number is None else f"{number} "
        label = f"{which}{replay.vehicle.label}"
        tabs = self._draw_tabs(current, [f" {n} {name} " for n, (name, _) in self._counted()])
        if width(tabs) + len(label) + 1 > columns:
            tabs = self._draw_tabs(current, [f" {n} {short}" for n, (_, short) in self._counted()])
        if width(tabs) > columns:
            here = [f" {short}" if name == current else "" for name, short in self._names]
            tabs = self._draw_tabs(current, [f" {n}{short}" for n, short in enumerate(here, 1)])
        room = max(columns - width(tabs) - 1, 0)
        source = f" · {replay.source}"
        left = clip([(label, "strong"), (source, "faint")], room)
        if room < len(label) + len(source):
            left = clip([(label, "strong")], room)
        gap = max(columns - width(left) - width(tabs), 0)
        x = width(left) + gap
        self._tabs = []
        for (piece, _), (name, _) in zip(tabs, self._names, strict=True):
            self._tabs.append((x, x + len(piece), name))
            x += len(piece)
        self.show([[*left, (" " * gap, PLAIN), *tabs]])

    def _counted(self) -> list[tuple[int, tuple[str, str]]]:
        return list(enumerate(self._names, 1))

    def _draw_tabs(self, current: str, texts: list[str]) -> Line:
        return [
            (text, "title" if name == current else "title-dim")
            for text, (name, _) in zip(texts, self._names, strict=True)
        ]

    def on_click(self, event: events.Click) -> None:
        """Open the screen whose name was clicked."""
        for start, end, name in self._tabs:
            if start <= event.x < end:
                self.post_message(self.Picked(name))


class TimeLine(Sheet):
    """Track, transport and caution. Press or drag on the track to seek."""

    DEFAULT_CSS = """
    TimeLine { height: 3; overflow: hidden; }
    """

    class Sought(Message):
        """The user pointed at a moment."""

        def __init__(self, t_ns: int) -> None:
            super().__init__()
            self.t_ns = t_ns

    def __init__(self) -> None:
        super().__init__(id="timeline")
        self._span_ns = 0
        self._dragging = False

    def update(
        self, replay: Replay, transport: Transport, columns: int, hints: tuple[str, ...]
    ) -> None:
        """Draw the three lines; the first of ``hints`` that has room ends one of them."""
        self._span_ns = transport.span_ns
        text = next((text for text in CAUTIONS if len(text) <= columns), CAUTIONS[-1])
        caution: Line = clip([(text, "danger")], columns)
        motion = clip(draw_transport(transport, columns), columns)
        lines = [motion, caution]
        places = ((hint, i) for hint in hints for i in range(len(lines)))
        for hint, i in places:
            if (gap := columns - width(lines[i]) - len(hint)) >= 2:
                lines[i] = [*lines[i], (" " * gap, PLAIN), (hint, "faint")]
                break
        self.show([draw_track(transport, replay.findings, columns), *lines])

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Start seeking."""
        if event.y == 0:
            self._dragging = True
            self.capture_mouse()
            self._seek(event.x)

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Seek along."""
        if self._dragging:
            self._seek(event.x)

    def on_mouse_up(self) -> None:
        """Stop seeking."""
        self._dragging = False
        self.release_mouse()

    def _seek(self, x: int) -> None:
        self.post_message(self.Sought(moment_at(x, self._span_ns, self.size.width)))
