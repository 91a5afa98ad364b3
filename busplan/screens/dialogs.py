"""Small windows over the screens: help, and the moment to go to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label

from busplan.board.notes import LONGEST
from busplan.findings import Finding
from busplan.replay.replay import moment_of
from busplan.screens.sheet import Sheet
from busplan.text.dots import sample_card
from busplan.text.runs import HEAD, PLAIN, Line, clock_text, wrap
from busplan.wording import CAUTION, clock_seconds, disarmed

MOUSE = (
    "Mouse: a click on a name in the heading opens that screen; a press on the line of time goes "
    "there, also dragged; the wheel scrolls."
)


CARD = (
    "Dots of curves: the key named plot.drawing goes through the four below; choose the first that "
    "looks whole on this terminal."
)


class HelpScreen(ModalScreen[None]):
    """What the present screen shows, and every key."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,question_mark,f1,q", "dismiss", "Close", id="help.close"),
    ]
    DEFAULT_CSS = """
    HelpScreen { align: center middle; }
    HelpScreen > Vertical {
        width: 76; max-width: 96%; height: 90%; border: round $secondary;
        background: $surface; padding: 0 1;
    }
    """

    def __init__(self, title: str, text: str, keys: Sequence[tuple[str, str, str]]) -> None:
        super().__init__()
        self._title, self._text, self._keys = title, text, keys

    def compose(self) -> ComposeResult:
        """The text."""
        with Vertical():
            yield HelpSheet()

    def on_mount(self) -> None:
        """Draw it."""
        self.call_after_refresh(self._draw)

    def _draw(self) -> None:
        sheet = self.query_one(HelpSheet)
        columns = max(sheet.size.width - 1, 20)
        lines: list[Line] = [[(self._title, HEAD)], []]
        for paragraph in self._text.split("\n"):
            lines += wrap(paragraph, columns)
        lines += [[], [("keys", HEAD), ("  (name for keys.toml at the end)", "faint")]]
        wide = max((len(what) for _, what, _ in self._keys), default=0)
        for key, what, name in self._keys:
            lines.append([(f"{key:<14}", "strong"), (f"{what:<{wide}}  ", PLAIN), (name, "faint")])
        lines += [[], *wrap(MOUSE, columns)]
        lines += [[], *wrap(CARD, columns)]
        for drawing, rows in sample_card():
            lines += [
                [(f"{drawing if y == 1 else '':<10}", "strong"), (row, "trace")]
                for y, row in enumerate(rows)
            ]
            lines.append([])
        lines += [[], *wrap(CAUTION, columns, "danger")]
        sheet.show(lines)
        sheet.focus()


class HelpSheet(Sheet, can_focus=True):
    """The text of the help, scrolled by keys."""


MOMENTS = "90 (s), 1:30, 0:01:30.5, +10, -10, 50 % or words of a finding"


class MomentScreen(ModalScreen[int | None]):
    """Asks for a moment; dismissed with nanoseconds, or ``None``."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "Cancel", id="moment.cancel")
    ]
    DEFAULT_CSS = """
    MomentScreen { align: center bottom; }
    MomentScreen > Vertical {
        width: 76; max-width: 96%; height: auto; border: round $secondary;
        background: $surface; padding: 0 1; margin-bottom: 3;
    }
    MomentScreen Label { width: 100%; }
    """

    def __init__(
        self, t_ns: int, span_ns: int, findings: Sequence[Finding], offset_ns: int = 0
    ) -> None:
        """``findings`` stand in a time that is ``offset_ns`` later than that of the answer."""
        super().__init__()
        self._t_ns, self._span_ns, self._findings = t_ns, span_ns, findings
        self._offset_ns = offset_ns

    def compose(self) -> ComposeResult:
        """Question and field."""
        with Vertical():
            yield Label(f"Go to: {MOMENTS}", id="moment-label")
            yield Input(id="moment-input", compact=True)

    @on(Input.Submitted)
    def _entered(self, event: Input.Submitted) -> None:
        moment = parse_moment(event.value, self._t_ns, self._span_ns)
        if moment is None:
            found = find_moment(event.value, self._t_ns + self._offset_ns, self._findings)
            moment = None if found is None else found - self._offset_ns
        if moment is None:
            label = self.query_one("#moment-label", Label)
            label.update(
                Text(f"Neither a moment nor in a finding: {event.value!r}. Go to {MOMENTS}")
            )
        else:
            self.dismiss(moment)


class LineScreen(ModalScreen[str | None]):
    """Asks for one line; dismissed with it, or ``None``."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "Cancel", id="line.cancel")
    ]
    DEFAULT_CSS = """
    LineScreen { align: center bottom; }
    LineScreen > Vertical {
        width: 76; max-width: 96%; height: auto; border: round $secondary;
        background: $surface; padding: 0 1; margin-bottom: 3;
    }
    LineScreen Label { width: 100%; }
    """

    def __init__(self, question: str) -> None:
        super().__init__()
        self._question = question

    def compose(self) -> ComposeResult:
        """Question and field."""
        with Vertical():
            yield Label(Text(disarmed(self._question)))
            yield Input(id="line-input", compact=True, max_length=LONGEST)

    @on(Input.Submitted)
    def _entered(self, event: Input.Submitted) -> None:
        self.dismiss(event.value.strip() or None)


class NoteScreen(ModalScreen[str | None]):
    """Asks what to note; dismissed with the text, or ``None``. Digits alone are presets."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "Cancel", id="note.cancel")
    ]
    DEFAULT_CSS = """
    NoteScreen { align: center bottom; }
    NoteScreen > Vertical {
        width: 76; max-width: 96%; height: auto; border: round $secondary;
        background: $surface; padding: 0 1; margin-bottom: 3;
    }
    NoteScreen Label { width: 100%; }
    """

    def __init__(self, t_ns: int, presets: Sequence[str]) -> None:
        super().__init__()
        self._t_ns, self._presets = t_ns, tuple(presets)

    def compose(self) -> ComposeResult:
        """Presets, question and field."""
        with Vertical():
            for n, preset in enumerate(self._presets, 1):
                yield Label(Text(disarmed(f"{n}  {preset}")))
            yield Label(f"Note at {clock_text(self._t_ns)}:", id="note-label")
            yield Input(id="note-input", compact=True, max_length=LONGEST)

    @on(Input.Submitted)
    def _entered(self, event: Input.Submitted) -> None:
        text = event.value.strip()
        if len(text) == 1 and text.isdigit() and 1 <= int(text) <= len(self._presets):
            text = self._presets[int(text) - 1]
        self.dismiss(text or None)


def parse_moment(text: str, t_ns: int, span_ns: int) -> int | None:
    """A moment as typed, held within the capture; ``None`` when it is none."""
    text = text.strip().replace(",", ".").replace(" ", "").removesuffix("s")
    sign = text[:1] if text[:1] in ("+", "-") else ""
    body = text[len(sign) :]
    if not sign and body.endswith("%"):
        part = None if ":" in body else clock_seconds(body[:-1])
        moment = None if part is None else round(part / 100 * span_ns)
    else:
        seconds = clock_seconds(body)
        if seconds is None:
            return None
        moment = round(seconds * 1e9)
        if sign:
            moment = t_ns + moment if sign == "+" else t_ns - moment
    return None if moment is None else min(max(moment, 0), span_ns)


def find_moment(words: str, t_ns: int, findings: Sequence[Finding]) -> int | None:
    """The moment of the next finding after ``t_ns``, else the first, that holds all ``words``."""
    wanted = words.casefold().split()
    moments = sorted(
        moment
        for f in findings
        if (moment := moment_of(f)) >= 0
        and all(word in f"{f.code} {f.where} {f.summary}".casefold() for word in wanted)
    )
    if not wanted or not moments:
        return None
    return next((m for m in moments if m > t_ns), moments[0])
