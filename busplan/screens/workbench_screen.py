"""The workbench over the screens: the bits of one message, a field of them, a known signal."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen

from busplan.board.workbench import Bench, Offer, bench_on, draft_text
from busplan.errors import UsageError
from busplan.files import write_new
from busplan.frames.identifier import FrameKey
from busplan.replay.replay import Replay
from busplan.screens.beside import Beside
from busplan.screens.bound import bound
from busplan.screens.dialogs import HelpScreen, LineScreen
from busplan.screens.part import Part
from busplan.screens.sheet import Sheet
from busplan.text.runs import FAINT, PLAIN, Line, clip
from busplan.text.workbench_draw import BenchPage, Known, draw_workbench
from busplan.traffic.workbench import Field, Fit, fit_of
from busplan.wording import CAUTIONS

HELP = (
    "One message bit by bit, defined or not: the grid shows how often each bit moves, the curve "
    "the chosen field over all of its frames, or from A to B when both are set.\n"
    "Held against a known signal, every field that follows it equally well is listed, and the "
    "curve shows both. None is found below r = 0.995, when the signal turned fewer than six times, "
    "or before a second capture agrees: open two with --beside.\n"
    "A saved field is a draft of a part's message for the plan, marked as guessed"
)
WORDS = {
    "bench.against": "known signal",
    "bench.next": "next field",
    "bench.save": "save",
    "bench.left": "move",
    "bench.longer": "length",
    "bench.order": "order",
    "bench.sign": "sign",
    "bench.help": "help",
    "bench.close": "back",
}
"""What the hints say of the first key of each name."""


class BenchSheet(Sheet, Part, can_focus=True):
    """The drawing."""


class BenchScreen(ModalScreen[None]):
    """Chooses fields of one message and holds them against a known signal.

    ``second`` is the same message in another capture, by which a finding is confirmed.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "dismiss", "Back", id="bench.close"),
        Binding("left", "move(1)", "Field one bit up", id="bench.left"),
        Binding("right", "move(-1)", "Field one bit down", id="bench.right"),
        Binding("up", "move(-8)", "Field one byte back", id="bench.up"),
        Binding("down", "move(8)", "Field one byte on", id="bench.down"),
        Binding("shift+right,plus", "length(1)", "One bit longer", id="bench.longer"),
        Binding("shift+left,minus", "length(-1)", "One bit shorter", id="bench.shorter"),
        Binding("o", "order", "Other byte order", id="bench.order"),
        Binding("s", "sign", "Signed or not", id="bench.sign"),
        Binding("n", "offer(1)", "Next field that is listed", id="bench.next"),
        Binding("N", "offer(-1)", "Field before", id="bench.before"),
        Binding("k", "against", "Hold against a known signal", id="bench.against"),
        Binding("w", "save", "Save as a draft", id="bench.save"),
        Binding("question_mark,f1", "help", "Help", id="bench.help"),
    ]
    DEFAULT_CSS = """
    BenchScreen { background: $background; }
    BenchScreen > BenchSheet { height: 1fr; overflow: hidden; }
    """

    def __init__(self, bench: Bench, second: Bench | None = None, t_ns: int | None = None) -> None:
        super().__init__()
        self.bench, self.second, self._t_ns = bench, second, t_ns
        whole = Field(0, min(8, 8 * bench.width))
        self.field = bench.offers[0].field if bench.offers else whole
        self.known: Known | None = None
        self._selector = ""
        self._beside: Beside | None = None

    @classmethod
    def on(
        cls,
        key: FrameKey,
        shown: Replay,
        others: Sequence[Replay],
        ends_s: Sequence[float],
        t_ns: int,
    ) -> BenchScreen:
        """The workbench on a message of a capture; ``UsageError`` when it has none of its frames.

        ``ends_s`` are none or both ends of the stretch that is looked at; of other captures, the
        first that has the message confirms.
        """
        bench = bench_on(shown, key, (min(ends_s), max(ends_s)) if len(ends_s) == 2 else None)
        second = None
        for other in others:
            with suppress(UsageError):
                second = second or bench_on(other, key)
        return cls(bench, second, t_ns)

    def compose(self) -> ComposeResult:
        """The sheet."""
        yield BenchSheet(id="bench-sheet")

    def on_mount(self) -> None:
        """Draw it."""
        self.query_one(BenchSheet).focus()
        self.call_after_refresh(self._draw)

    def on_resize(self) -> None:
        """Draw for the new size."""
        self.call_after_refresh(self._draw)

    def on_unmount(self) -> None:
        """Nobody waits for what is worked out any more."""
        if self._beside:
            self._beside.leave()

    @property
    def listed(self) -> Sequence[Offer]:
        """The fields that the keys go through: equally good ones, else what is offered."""
        if self.known is not None and self.known.held is not None:
            return [Offer(fit.field, "") for fit in self.known.held.fits]
        return self.bench.offers

    def _draw(self) -> None:
        sheet = self.query_one(BenchSheet)
        columns, rows = sheet.size.width, sheet.size.height
        page = BenchPage(self.bench, self.field, self.bench.offers, self.known, self._t_ns)
        caution = next((c for c in CAUTIONS if len(c) <= columns), CAUTIONS[-1])
        last: list[Line] = [self._hints(columns), clip([(caution, "danger")], columns)]
        drawn = draw_workbench(page, columns, rows - len(last), sheet.pen)[: rows - len(last)]
        drawn += [[("", PLAIN)]] * (rows - len(last) - len(drawn))
        sheet.show([*drawn, *last])

    def _hints(self, columns: int) -> Line:
        here = bound(self)
        parts = [f"{self.app.get_key_display(here[n][0][0])} {w}" for n, w in WORDS.items()]
        while len("  ".join(parts)) > columns and len(parts) > 2:
            del parts[-3]
        return clip([("  ".join(parts), FAINT)], columns)

    def choose(self, field: Field) -> None:
        """Show another field, if it lies inside the message."""
        if not field.fits(self.bench.width):
            self.app.bell()
            return
        self.field = field
        if self.known is not None:
            self.known = replace(self.known, fit=self._fit(self.known))
        self._draw()

    def _fit(self, known: Known) -> Fit | None:
        return fit_of(self.bench.sample, known.track.held(self.bench.time_ns), self.field)

    def action_move(self, by: int) -> None:
        """Move the field by bits."""
        self.choose(self.field.moved(by))

    def action_length(self, by: int) -> None:
        """Make the field longer or shorter."""
        self.choose(self.field.sized(by))

    def action_order(self) -> None:
        """Read its bytes in the other order."""
        self.choose(self.field.turned())

    def action_sign(self) -> None:
        """Read it as signed, or no longer."""
        self.choose(replace(self.field, signed=not self.field.signed))

    def action_offer(self, by: int) -> None:
        """Choose the next of the listed fields."""
        fields = [offer.field for offer in self.listed]
        if not fields:
            self.app.bell()
        elif self.field in fields:
            self.choose(fields[(fields.index(self.field) + by) % len(fields)])
        else:
            self.choose(fields[0])

    def action_against(self) -> None:
        """Ask for a known signal, and hold every field against it beside the screen."""

        def answered(selector: str | None) -> None:
            if not selector:
                return
            try:
                track = self.bench.known_track(selector)
            except UsageError as error:
                self.notify(str(error), severity="error")
                return
            self._selector = selector
            self.known = Known(selector, track)
            self.known = replace(self.known, fit=self._fit(self.known))
            self._draw()
            if self._beside:
                self._beside.leave()
            self._beside = Beside(self.app, self._hold)
            self._beside.start()

        question = "Which signal of the plan is known? Its name, such as PackStatus/PackCurrent"
        self.app.push_screen(LineScreen(question, typed=self._selector), answered)

    def _hold(self, beside: Beside) -> None:
        selector = self._selector
        beside.tell(f"holding fields against {selector}")
        held = self.bench.held_against(selector, self.second)

        def take() -> None:
            if self.known is None or self.known.name != selector:
                return
            self.known = replace(self.known, held=held)
            if held.fits:
                self.choose(held.fits[0].field)
            else:
                self._draw()

        beside.hand(take)

    def action_save(self) -> None:
        """Ask where to save the field as a draft."""
        held = None if self.known is None else self.known.held

        def answered(name: str | None) -> None:
            if not name:
                return
            try:
                write_new(Path(name), draft_text(self.bench, self.field, held))
            except UsageError as error:
                self.notify(str(error), severity="error")
            else:
                self.notify(f"saved a draft to {name}: confirm it before you use it")

        usual = f"guessed_{self.bench.label.rpartition('/')[2]}.toml"
        question = "Save the field as a draft of a message, marked as guessed, into which new file?"
        self.app.push_screen(LineScreen(question, typed=usual), answered)

    def action_help(self) -> None:
        """Explain the workbench."""
        keys = [
            (" ".join(map(self.app.get_key_display, bindings)), bindings[0].description, name)
            for name, (bindings, _) in bound(self).items()
            if name.startswith("bench.")
        ]
        self.app.push_screen(HelpScreen("Workbench", HELP, keys))
