"""The findings on screen: choose one to read it, Enter to go to its moment."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.message import Message

from busplan.replay.present import LIVE
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.sheet import Sheet
from busplan.screens.views import View
from busplan.text.finding import draw_details
from busplan.text.findings_draw import draw_list, summary
from busplan.text.runs import FAINT, Line, width
from busplan.text.timeline import Window


class FindingList(Sheet, can_focus=True, inherit_bindings=False):
    """The list."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Up", id="findings.up", show=False),
        Binding("down", "move(1)", "Down", id="findings.down", show=False),
        Binding("enter", "go", "Go there", id="findings.go"),
    ]
    chosen = 0
    count = 0
    moved = False
    """Whether an older one was chosen; until then a live bus keeps its newest in sight."""

    class Go(Message):
        """The user wants to see a finding's moment."""

        def __init__(self, number: int) -> None:
            super().__init__()
            self.number = number

    def action_move(self, by: int) -> None:
        """Choose another finding."""
        self.chosen = min(max(self.chosen + by, 0), max(self.count - 1, 0))
        self.moved = self.chosen < self.count - 1
        self.scroll_to_region(Region(0, self.chosen, 1, 1), animate=False)
        self.redraw_soon()

    def follow(self) -> None:
        """Choose the newest, and keep it in sight."""
        self.chosen = max(self.count - 1, 0)
        self.call_after_refresh(self.scroll_to_region, Region(0, self.chosen, 1, 1), animate=False)

    def action_go(self) -> None:
        """Go to the chosen finding."""
        if self.count:
            self.post_message(self.Go(self.chosen))

    def on_click(self, event: events.Click) -> None:
        """Choose what was clicked; a second click goes there."""
        at = event.y + self.scroll_offset.y
        if at == self.chosen and event.chain > 1:
            self.action_go()
        else:
            self.action_move(at - self.chosen)


class FindingsView(View):
    """What the checks found in this capture."""

    title = "Findings"
    short = "Finds"
    help = (
        "What reading and checking this capture found, by time; those without a time speak of the "
        "whole capture. Faint ones are still to come at the present moment. On a live bus the "
        "newest stays in sight until you choose an older one.\n"
        "arrows or mouse choose; Enter or a double click goes to the moment; busplan manual CODE "
        "tells more of a finding"
    )
    DEFAULT_CSS = """
    FindingsView { layout: vertical; }
    FindingsView #findings-summary { height: 1; }
    FindingsView #findings-list { height: 1fr; }
    FindingsView #findings-details { height: 8; border-top: solid $panel; }
    """

    def __init__(self) -> None:
        super().__init__(id="findings")

    def compose(self) -> ComposeResult:
        """Summary, list, details."""
        yield Sheet(id="findings-summary")
        yield FindingList(id="findings-list")
        yield Sheet(id="findings-details")

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.give_keys(self.query_one(FindingList))

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment."""
        columns = self.size.width
        listed = self.query_one(FindingList)
        listed.count = len(replay.findings)
        listed.chosen = min(listed.chosen, max(listed.count - 1, 0))
        if replay.source == LIVE and not listed.moved:
            listed.follow()
        listed.show(draw_list(replay, snapshot.t_ns, columns - 1, listed.chosen))
        told = summary(replay, snapshot.t_ns)
        hint = "enter goes there"
        if replay.findings and (gap := columns - width(told) - len(hint)) >= 2:
            told = [*told, (" " * gap, FAINT), (hint, FAINT)]
        self.query_one("#findings-summary", Sheet).show([told])
        details: list[Line] = []
        if replay.findings:
            details = draw_details(replay.findings[listed.chosen], columns - 1)
        below = self.query_one("#findings-details", Sheet)
        # All of what a finding says, as long as some of the list stays in sight.
        below.styles.height = min(max(len(details) + 1, 8), max(self.size.height - 6, 3))
        below.show(details)
