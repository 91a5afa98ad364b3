"""What every screen of the application can do."""

from __future__ import annotations

from textual.containers import Container
from textual.widget import Widget

from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.part import Part
from busplan.text.timeline import Window


class View(Container, Part):
    """One screen: told of every new moment while it is shown."""

    DEFAULT_CSS = """
    View { height: 1fr; }
    """

    title = ""
    """Its name in the heading."""
    short = ""
    """Its name on a narrow screen."""
    help = ""
    """What it shows and which keys it has, for the help panel."""

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment; plots show ``window``."""
        raise NotImplementedError

    def focus_inside(self) -> None:
        """Put the keys where they belong when the screen opens."""

    def give_keys(self, widget: Widget) -> None:
        """Give a part of it the keys at once, so that those typed on already go there."""
        self.screen.set_focus(widget)

    def on_resize(self) -> None:
        """Everything is drawn for a size, which has come into force only now."""
        self.redraw_soon()
