"""Small windows over the screens: help, and the moment to go to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Generic, TypeVar

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

TIME = (
    "The last lines of the screens: the line of time with marks of findings, A and B, and O for "
    "the present moment; below it play or hold, the speed, the moment, and how many milliseconds "
    "the drawing lies behind it."
)


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
        lines += [[], *wrap(TIME, columns)]
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


Answer = TypeVar("Answer")


class AskScreen(ModalScreen[Answer | None], Generic[Answer]):
    """Asks for one line at the lower end of the screen; dismissed with ``None`` by escape."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "Cancel", id="ask.cancel")
    ]
    DEFAULT_CSS = """
    AskScreen { align: center bottom; }
    AskScreen > Vertical {
        width: 76; max-width: 96%; height: auto; border: round $secondary;
        background: $surface; padding: 0 1; margin-bottom: 3;
    }
    AskScreen Label { width: 100%; }
    """

    def __init__(self, *questions: str, typed: str = "") -> None:
        super().__init__()
        self._questions, self._typed = questions, typed

    def compose(self) -> ComposeResult:
        """Questions and field."""
        with Vertical():
            for question in self._questions:
                yield Label(Text(disarmed(question)))
            yield Input(self._typed, compact=True, max_length=LONGEST)

    def ask_again(self, question: str) -> None:
        """Say what is wrong with what was typed."""
        self.query(Label).last().update(Text(disarmed(question)))

    @on(Input.Submitted)
    def _entered(self, event: Input.Submitted) -> None:
        self.answer(event.value.strip())

    def answer(self, typed: str) -> None:
        """Dismiss the screen with what the line says, or ask again."""
        raise NotImplementedError


class MomentScreen(AskScreen[int]):
    """Asks for a moment; dismissed with nanoseconds, or ``None``."""

    def __init__(
        self, t_ns: int, span_ns: int, findings: Sequence[Finding], offset_ns: int = 0
    ) -> None:
        """``findings`` stand in a time that is ``offset_ns`` later than that of the answer."""
        super().__init__(f"Go to: {MOMENTS}")
        self._t_ns, self._span_ns, self._findings = t_ns, span_ns, findings
        self._offset_ns = offset_ns

    def answer(self, typed: str) -> None:
        """A moment, or words of a finding."""
        moment = parse_moment(typed, self._t_ns, self._span_ns)
        if moment is None:
            found = find_moment(typed, self._t_ns + self._offset_ns, self._findings)
            moment = None if found is None else found - self._offset_ns
        if moment is None:
            self.ask_again(f"Neither a moment nor in a finding: {typed!r}. Go to {MOMENTS}")
        else:
            self.dismiss(moment)


class LineScreen(AskScreen[str]):
    """Asks for one line; dismissed with it, or ``None`` when it is empty."""

    def answer(self, typed: str) -> None:
        """The line as it is."""
        self.dismiss(typed or None)


class NoteScreen(AskScreen[str]):
    """Asks what to note; dismissed with the text, or ``None``. Digits alone are presets."""

    def __init__(self, t_ns: int, presets: Sequence[str]) -> None:
        counted = (f"{n}  {preset}" for n, preset in enumerate(presets, 1))
        super().__init__(*counted, f"Note at {clock_text(t_ns)}:")
        self._presets = tuple(presets)

    def answer(self, typed: str) -> None:
        """The text, or the preset of that number."""
        if len(typed) == 1 and typed.isdigit() and 1 <= int(typed) <= len(self._presets):
            typed = self._presets[int(typed) - 1]
        self.dismiss(typed or None)


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
