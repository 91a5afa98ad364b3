"""The form of a commissioning: what is done by hand, entered test by test, kept at once.

The rules of this file: it shows the list and takes what is typed; what becomes of it is decided and
kept by the function it is handed, before anything is shown as entered.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Input, Label, OptionList, Static
from textual.widgets.option_list import Option

from busplan.commission.state import Commissioning, TestState
from busplan.errors import UsageError
from busplan.screens import look
from busplan.text.commission_text import WHAT, form_lines
from busplan.wording import CAUTIONS, disarmed

Enter = Callable[[str, str, str, str], Commissioning]
"""Test, value (or ``yes``, ``no``, or nothing), remark, who: the list afterwards.

:class:`busplan.errors.UsageError` when it cannot be entered; then nothing has been.
"""
KEYS = "↑ ↓ test   enter goes on, enters   tab next field   esc list   ctrl+q leaves"


class CommissionForm(App[None]):
    """Shows the tests done by hand and asks for the chosen one."""

    CSS = """
    Screen { layout: vertical; }
    #head, #keys, #caution { height: 1; }
    #tests { height: 1fr; border: none; background: $background; padding: 0; }
    #what { height: auto; max-height: 7; padding: 0 1; background: $surface; overflow-y: auto; }
    #said { height: auto; min-height: 1; max-height: 3; padding: 0 1; }
    #fields { height: 3; }
    .field { height: 1; }
    .field Label { width: 9; padding: 0 1; }
    .field Input { width: 1fr; }
    #caution { color: $warning; }
    """
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "to_list", "Back to the list", id="form.list"),
        Binding("ctrl+q", "quit", "Leave", id="form.quit", priority=True),
    ]

    def __init__(self, state: Commissioning, enter: Enter, who: str = "") -> None:
        super().__init__(ansi_color=True if os.environ.get("NO_COLOR") else None)
        for theme in look.THEMES:
            self.register_theme(theme)
        self.theme = look.INK
        self.state = state
        self._enter, self._who = enter, who
        self.title = disarmed(state.vehicle)

    def compose(self) -> ComposeResult:
        """List, what the chosen test is, fields."""
        yield Label("", id="head", markup=False)
        yield OptionList(id="tests", markup=False)
        yield Static("", id="what", markup=False)
        with Vertical(id="fields"):
            for name, text in (("value", "value"), ("remark", "remark"), ("who", "who")):
                with Horizontal(classes="field"):
                    yield Label(text)
                    yield Input(id=name, compact=True)
        yield Static("", id="said", markup=False)
        yield Label(KEYS, id="keys", markup=False)
        yield Label("", id="caution", markup=False)

    def on_mount(self) -> None:
        """Fill everything."""
        self.query_one("#who", Input).value = self._who
        self._fill()
        self.query_one("#tests", OptionList).focus()

    def on_resize(self) -> None:
        """The caution that has room."""
        columns = self.size.width
        text = next((text for text in CAUTIONS if len(text) <= columns), CAUTIONS[-1])
        self.query_one("#caution", Label).update(text)

    @property
    def by_hand(self) -> list[TestState]:
        """The tests that a person does, in the order of the list."""
        return [t for t in self.state.tests if t.test.by_hand]

    @property
    def chosen(self) -> TestState | None:
        """The test that is shown below the list."""
        row = self.query_one("#tests", OptionList).highlighted
        tests = self.by_hand
        return tests[row] if row is not None and row < len(tests) else None

    def _fill(self) -> None:
        listed = self.query_one("#tests", OptionList)
        row = listed.highlighted or 0
        listed.clear_options()
        listed.add_options(
            Option(Text(disarmed(f"{t.mark} {t.state:<9} {t.test.name}"))) for t in self.by_hand
        )
        if self.by_hand:
            listed.highlighted = min(row, len(self.by_hand) - 1)
        head = f"{self.state.vehicle}{' (invented)' if self.state.invented else ''}: "
        self.query_one("#head", Label).update(disarmed(head + self.state.headline))
        self._show()

    def _show(self) -> None:
        one = self.chosen
        width = max(self.size.width - 2, 40)
        lines = form_lines(one, width) if one else ["No test of this list is done by hand."]
        self.query_one("#what", Static).update("\n".join(map(disarmed, lines)))

    def _say(self, text: str) -> None:
        self.query_one("#said", Static).update(disarmed(text))

    def action_to_list(self) -> None:
        """Back to the list, with empty fields."""
        for name in ("value", "remark"):
            self.query_one(f"#{name}", Input).value = ""
        self.query_one("#tests", OptionList).focus()

    @on(OptionList.OptionHighlighted)
    def _highlighted(self) -> None:
        self._show()

    @on(OptionList.OptionSelected)
    def _selected(self) -> None:
        self._say("")
        self.query_one("#value", Input).focus()

    @on(Input.Submitted)
    def _submitted(self) -> None:
        """Enter what stands in the fields; what cannot be entered stays there."""
        one = self.chosen
        if one is None:
            return
        value, remark, who = (
            self.query_one(f"#{name}", Input).value.strip() for name in ("value", "remark", "who")
        )
        if not value and not remark:
            self._say(f"Nothing to enter: {WHAT[one.test.kind]}, or a remark.")
            return
        if not who:
            self._say("Say who says so.")
            self.query_one("#who", Input).focus()
            return
        try:
            self.state = self._enter(one.test.name, value, remark, who)
        except UsageError as error:
            self._say(str(error))
            return
        told = next(t for t in self.state.tests if t.test.name == one.test.name)
        number = self.state.journal.entries[-1].number
        self._say(f"Entered as {number}: {told.test.name} is {told.state}.")
        self.action_to_list()
        self._fill()
