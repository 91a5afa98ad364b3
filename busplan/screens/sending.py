"""What goes to the terminal when parts of the screen have changed: those parts and no more.

Textual sends a changed part of a row from the left edge of its widget on, and each style in full;
a board, whose rows change in a few places ten times a second, would send several times what it
shows. Only the text that is sent differs here. What is drawn where stays Textual's.
"""

from __future__ import annotations

from functools import lru_cache

from rich.color import ColorSystem
from rich.console import COLOR_SYSTEMS, Console, RenderableType
from rich.segment import Segment
from rich.style import Style
from textual._compositor import ChopsUpdate
from textual.app import App
from textual.screen import Screen
from textual.strip import Strip

_NO_STYLE = Style.null()


class Sending(App[None]):
    """An application that sends changed parts exactly."""

    def _display(self, screen: Screen[object], renderable: RenderableType | None) -> None:
        if type(renderable) is ChopsUpdate:
            renderable = ExactUpdate(renderable.chops, renderable.spans, renderable.chop_ends)
        super()._display(screen, renderable)


class ExactUpdate(ChopsUpdate):
    """Sends each changed span of columns from its own beginning, and of styles what changes."""

    def render_segments(self, console: Console) -> str:
        """The characters and control sequences to send."""
        system = COLOR_SYSTEMS.get(console.color_system or "", ColorSystem.TRUECOLOR)
        sent: list[str] = []
        before: Style | None = None
        for y, x1, x2 in self.spans:
            at = -1
            for end, (x, strip) in zip(self.chop_ends[y], self.chops[y].items(), strict=False):
                if strip is None or x >= x2 or end <= x1:
                    continue
                for begin, segment in _within(strip, x, x1, min(x2, end)):
                    if begin != at:
                        sent.append(f"\x1b[{y + 1};{begin + 1}H")
                    style = segment.style or _NO_STYLE
                    sent.append(change(before, style, system))
                    sent.append(segment.text)
                    before, at = style, begin + segment.cell_length
        return "".join([*sent, "\x1b[0m"])


def _within(strip: Strip, x: int, x1: int, x2: int) -> list[tuple[int, Segment]]:
    """The segments of a strip that begins at ``x``, cut to the columns ``[x1, x2)``."""
    found = []
    for segment in strip:
        if x >= x2:
            break
        whole = segment
        right = x + whole.cell_length
        if right > x1:
            if right > x2:
                whole, _ = whole.split_cells(x2 - x)
            if x < x1:
                _, whole = whole.split_cells(x1 - x)
            found.append((max(x, x1), whole))
        x = right
    return found


@lru_cache(maxsize=16384)
def change(before: Style | None, style: Style, system: ColorSystem) -> str:
    """The control sequence from one style to another; from ``None`` nothing is known."""
    codes: list[str] = []
    same = before is not None and before.without_color == style.without_color
    if not same:
        codes += ["0", *filter(None, [Strip.render_ansi(style.without_color, system)])]
    for mine, theirs, foreground in (
        (style.color, before.color if same and before else None, True),
        (style.bgcolor, before.bgcolor if same and before else None, False),
    ):
        if mine == theirs:
            continue
        if mine is None:
            codes.append("39" if foreground else "49")
        else:
            codes += mine.downgrade(system).get_ansi_codes(foreground)
    return f"\x1b[{';'.join(codes)}m" if codes else ""
