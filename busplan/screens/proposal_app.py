"""A proposal beside today's plan: each change can be refused, then all is solved again.

The rules of this file: it shows a proposal and takes keys; solving and writing are functions that
it is handed. The search works beside it, tells how far it is, and ends with its best when asked.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual import on
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Input, Label, OptionList, Static
from textual.widgets.option_list import Option

from busplan.allot.whole import Proposal
from busplan.errors import BusplanError, UsageError
from busplan.screens import look
from busplan.screens.beside import Beside
from busplan.text.proposal_draw import (
    Change,
    Shown,
    answer_lines,
    change_lines,
    change_text,
    head_lines,
    network_lines,
    refused_after,
    shown,
)
from busplan.text.runs import Line, wrapped
from busplan.wording import CAUTIONS, disarmed

Told = Callable[[float | None, float, str], None]
Solve = Callable[[Sequence[str], Callable[[], bool], Told, int], Proposal]
"""What is refused, whether to end with the best so far, who hears how far it is, and how many times
as long as was asked for it may take."""
Write = Callable[[Proposal, Path], None]
"""Saves the changed plan; :class:`busplan.errors.UsageError` when that cannot be."""
SEARCHING = "esc ends the search  tab moves between the parts  d dark/light  q quit"
NAMING = "enter writes this new file  esc leaves it"
_NONE = Style()
NARROW = 110
"""Below so many columns the networks stand below the list."""


class ProposalApp(App[None]):
    """Shows what to change, and solves again without what is refused."""

    CSS = """
    Screen { layout: vertical; }
    #head, #keys { height: auto; max-height: 6; }
    #caution { height: 1; }
    #body { height: 1fr; }
    #left { width: 1fr; }
    #changes { height: 1fr; border: none; background: $background; padding: 0; }
    #why { height: auto; max-height: 9; padding: 0 1; background: $surface; overflow-y: auto; }
    #right { width: 62; overflow-y: auto; padding: 0 1; }
    #networks { height: auto; }
    .narrow #body { layout: vertical; }
    .narrow #left { height: 3fr; }
    .narrow #why { max-height: 5; }
    .narrow #right { width: 1fr; height: 2fr; border-top: solid $panel; }
    #said { height: auto; min-height: 1; max-height: 4; padding: 0 1; }
    #file { height: 1; border: none; padding: 0 1; background: $panel; display: none; }
    .writing #file { display: block; }
    .writing #said { display: none; }
    #caution { color: $warning; }
    """
    HORIZONTAL_BREAKPOINTS = [(0, "narrow"), (NARROW, "wide")]  # noqa: RUF012 (as App has it)
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "refuse", "Refuse or allow", id="proposal.refuse"),
        Binding("w", "write", "Write the changed plan", id="proposal.write"),
        Binding("escape", "stop", "End the search", id="proposal.stop"),
        Binding("r", "longer", "Search longer", id="proposal.longer"),
        Binding("d", "theme", "Dark or light", id="proposal.theme"),
        Binding("q", "quit", "Quit", id="proposal.quit"),
    ]

    def __init__(self, label: str, solve: Solve, write: Write, refused: Sequence[str] = ()) -> None:
        super().__init__(ansi_color=True if os.environ.get("NO_COLOR") else None)
        for theme in look.THEMES:
            self.register_theme(theme)
        self.theme = look.INK
        self.title = disarmed(label)
        self.view: Shown | None = None
        """What was found; ``failure``: why nothing could be searched for."""
        self._label, self._solve, self._write = label, solve, write
        self._refused = tuple(refused)
        self._stop = False
        self._times = 1
        self._doing = ""
        self.failure: BusplanError | None = None
        self._beside = Beside(self, self._work)

    def compose(self) -> ComposeResult:
        """List and reasons at the left, networks at the right or below."""
        yield Label("", id="head", markup=False)
        with Horizontal(id="body"):
            with Vertical(id="left"):
                yield OptionList(id="changes", markup=False)
                yield Static("", id="why", markup=False)
            with VerticalScroll(id="right"):
                yield Static("", id="networks", markup=False)
        yield Static("", id="said", markup=False)
        yield Input(placeholder="a new file for the changed plan, such as new.toml", id="file")
        yield Label("", id="keys", markup=False)
        yield Label("", id="caution", markup=False)

    def on_mount(self) -> None:
        """Begin to search."""
        self.query_one("#changes", OptionList).focus()
        self.set_interval(0.5, self._look_after)
        self._again(self._refused)

    def on_resize(self) -> None:
        """Draw for the new width, once it is there."""
        self.call_after_refresh(self._draw)

    @property
    def solving(self) -> bool:
        """Whether the search is at work."""
        return self._beside.running

    def _again(self, refused: Sequence[str], times: int = 1) -> None:
        self._refused, self._stop, self._times = tuple(refused), False, times
        self._doing = "searching"
        self._beside = Beside(self, self._work)
        self._beside.start()
        self._draw()

    def _work(self, beside: Beside) -> None:
        """On a thread of its own."""

        def told(best: float | None, bound: float, doing: str) -> None:
            have = "none yet" if best is None else f"{best:.2f}"
            beside.hand(self._tell, f"{doing}: best {have}, at least {bound:.2f}; esc ends it")

        try:
            found = shown(self._solve(self._refused, lambda: self._stop, told, self._times))
        except BusplanError as error:
            beside.hand(self._failed, error)
            return
        beside.hand(self._take, found)

    def _tell(self, doing: str) -> None:
        self._doing = doing
        self._draw_head()

    def _failed(self, error: BusplanError) -> None:
        """Say why; without anything to go on from, end."""
        self._doing = ""
        if self.view is None:
            self.failure = error
            self.exit()
        self._say(str(error))
        self._draw_head()

    def _look_after(self) -> None:
        """A search that broke down tells so, and is not waited for."""
        if self._doing and self._beside.done:
            self._failed(UsageError(self._beside.doing))

    def _take(self, view: Shown) -> None:
        """Show an answer; the same row stays chosen."""
        self.view, self._doing = view, ""
        listed = self.query_one("#changes", OptionList)
        row = listed.highlighted or 0
        listed.clear_options()
        listed.add_options(Option(Text(disarmed(change_text(c)))) for c in view.changes)
        if view.changes:
            listed.highlighted = min(row, len(view.changes) - 1)
        self._draw()

    @property
    def chosen(self) -> Change | None:
        """The change that is shown below the list."""
        row = self.query_one("#changes", OptionList).highlighted
        changes = self.view.changes if self.view is not None else ()
        return changes[row] if row is not None and row < len(changes) else None

    def _draw(self) -> None:
        columns = self.size.width
        text = next((text for text in CAUTIONS if len(text) <= columns), CAUTIONS[-1])
        self.query_one("#caution", Label).update(text)
        self._draw_head()
        self._draw_why()
        if self.view is not None:
            wide = 58 if columns >= NARROW else max(columns - 6, 30)
            lines = [*network_lines(self.view, wide), *answer_lines(self.view, wide)]
            self.query_one("#networks", Static).update(self._painted(lines))

    def _draw_head(self) -> None:
        columns = self.size.width
        lines = head_lines(self.view, self._label, self._doing, columns)
        self.query_one("#head", Label).update(self._painted(lines))
        keys = [[(line, "faint")] for line in wrapped(self._keys(), max(columns, 8), figures=True)]
        self.query_one("#keys", Label).update(self._painted(keys))

    def _keys(self) -> str:
        """The keys that do something now."""
        if self.screen.has_class("writing"):
            return NAMING
        if self._doing:
            return SEARCHING
        found = None if self.view is None else self.view.found
        keys = "↑↓ change  space refuse/allow  " if self.view and self.view.changes else ""
        if found is not None and found.best is not None:
            keys += "w write  "
        if found is not None and not found.proven and found.conflict is None:
            keys += "r search longer  "
        return f"{keys}tab other part  d dark/light  q quit"

    def _draw_why(self) -> None:
        area = self.query_one("#why", Static)
        width = max(area.size.width - 2, 30)
        area.update(self._painted(change_lines(self.chosen, width)))

    def _painted(self, lines: Sequence[Line]) -> Text:
        """Lines of runs as text of the terminal."""
        whole = Text()
        dark, colour = self.current_theme.dark, not self.no_color
        for number, line in enumerate(lines):
            whole.append("\n" if number else "")
            for piece, role in line:
                whole.append(disarmed(piece), look.style(role, dark, colour, _NONE))
        return whole

    def _say(self, told: str) -> None:
        self.query_one("#said", Static).update(disarmed(told))

    @on(OptionList.OptionHighlighted)
    def _highlighted(self) -> None:
        self._draw_why()

    def action_refuse(self) -> None:
        """Refuse the chosen change, or allow it again; then search anew."""
        change = self.chosen
        if self.solving or change is None or self.view is None:
            self._say("Not while it searches." if self.solving else "There is no change to refuse.")
            return
        if not change.refuse:
            self._say("This change cannot be refused by itself.")
            return
        self._say(f"{'allowed again' if change.step is None else 'refused'}: {change.refuse}")
        self._again(refused_after(self.view, change))

    def action_stop(self) -> None:
        """End the search with the best so far, or leave the name of a file."""
        if self.screen.has_class("writing"):
            self._writing(False)
        elif self.solving:
            self._stop = True
            self._tell("ending with the best so far")

    def action_longer(self) -> None:
        """Search again for twice as long, where the end is not proven."""
        found = None if self.view is None else self.view.found
        if self.solving or found is None or found.proven or found.conflict is not None:
            self._say("Not while it searches." if self.solving else "There is nothing to search.")
            return
        self._again(self._refused, 2 * self._times)

    def action_write(self) -> None:
        """Ask for the name of a new file."""
        if self.solving or self.view is None or self.view.found.best is None:
            self._say("Not while it searches." if self.solving else "There is no plan to write.")
            return
        self._writing(True)

    def _writing(self, begins: bool) -> None:
        self.screen.set_class(begins, "writing")
        self.query_one("#file" if begins else "#changes").focus()
        self._draw_head()

    @on(Input.Submitted, "#file")
    def _named(self, message: Input.Submitted) -> None:
        name = message.value.strip()
        self._writing(False)
        if not name or self.view is None:
            return
        try:
            self._write(self.view.found, Path(name))
        except BusplanError as error:
            self._say(str(error))
        else:
            self._say(f"written: {name}")

    def action_theme(self) -> None:
        """Dark or light."""
        self.theme = look.PAPER if self.theme == look.INK else look.INK
        self._draw()
