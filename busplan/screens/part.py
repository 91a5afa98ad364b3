"""The application as its parts see it, and the one way from a part to it."""

from __future__ import annotations

from textual.app import App
from textual.widget import Widget


class Redrawing(App[None]):
    """An application that draws the present moment anew when a part asks for it."""

    def action_redraw(self) -> None:
        """Draw the present moment now."""
        raise NotImplementedError


class Part(Widget):
    """A widget that lives in such an application.

    It stands last among the bases, so that what a widget looks like comes from the others.
    """

    def redraw_now(self) -> None:
        """Have the present moment drawn before anything else happens."""
        self._drawn_by.action_redraw()

    def redraw_soon(self) -> None:
        """Have it drawn once everything else that waits is done."""
        self.app.call_later(self._drawn_by.action_redraw)

    @property
    def _drawn_by(self) -> Redrawing:
        app = self.app
        assert isinstance(app, Redrawing)
        return app
