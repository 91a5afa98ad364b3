"""The application as its parts see it, and the one way from a part to it."""

from __future__ import annotations

from collections.abc import Sequence

from textual.notifications import SeverityLevel
from textual.widget import Widget

from busplan.frames.identifier import FrameKey
from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.screens.sending import Sending
from busplan.text.dots import Drawing, Pen
from busplan.wording import disarmed

MANY_ROWS = 50
"""From so many rows of the screen on."""


class Redrawing(Sending):
    """An application that draws the present moment anew when a part asks for it."""

    drawing: Drawing = "quadrant"
    """What curves are made of."""

    def notify(
        self,
        message: str,
        *,
        title: str = "",
        severity: SeverityLevel = "information",
        timeout: float | None = None,
        markup: bool = False,
    ) -> None:
        """Tell something that may hold names of others: as text and never as markup."""
        told = disarmed(message)
        super().notify(told, title=title, severity=severity, timeout=timeout, markup=False)

    def read_beside(self, replay: Replay, wanted: Sequence[SignalAddress]) -> None:
        """Have signals read as a whole while the screens go on."""
        raise NotImplementedError

    def put_on_board(self, subjects: Sequence[str]) -> None:
        """Put signals on the board."""
        raise NotImplementedError

    def look_into(self, key: FrameKey) -> None:
        """Open the workbench on a message."""
        raise NotImplementedError

    @property
    def pen(self) -> Pen:
        """How curves are drawn: on many rows a line is two dots thick, to be as thick as on few."""
        thick = 2 if self.size.height >= MANY_ROWS and self.drawing != "half" else 1
        return Pen(self.drawing, thick, not self.no_color)

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

    def read_beside(self, replay: Replay, wanted: Sequence[SignalAddress]) -> None:
        """Have signals read as a whole while the screens go on."""
        self._drawn_by.read_beside(replay, wanted)

    def put_on_board(self, subjects: Sequence[str]) -> None:
        """Put signals, by their full names, on the board."""
        if subjects:
            self._drawn_by.put_on_board(subjects)
        else:
            self.app.bell()

    def look_into(self, key: FrameKey) -> None:
        """Open the workbench on a message."""
        self._drawn_by.look_into(key)

    @property
    def pen(self) -> Pen:
        """How curves are drawn."""
        return self._drawn_by.pen

    @property
    def _drawn_by(self) -> Redrawing:
        app = self.app
        assert isinstance(app, Redrawing)
        return app
