"""Screens that are one sheet: the networks, and the figures from across the shop."""

from __future__ import annotations

from textual.app import ComposeResult

from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.networks_draw import draw_networks
from busplan.screens.runs import Line
from busplan.screens.sheet import Sheet
from busplan.screens.shop_draw import draw_shop
from busplan.screens.timeline import Window
from busplan.screens.views import View


class ScrollSheet(Sheet, can_focus=True):
    """A sheet that keys can scroll."""


class SheetView(View):
    """A screen with one sheet."""

    def compose(self) -> ComposeResult:
        """The sheet."""
        yield ScrollSheet()

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.query_one(ScrollSheet).focus()

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment."""
        sheet = self.query_one(ScrollSheet)
        sheet.show(self.draw(replay, snapshot, window, self.size.width - 1, self.size.height))

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        raise NotImplementedError


class NetworksView(SheetView):
    """How busy each network is."""

    title = "Networks"
    help = (
        "Load is time on the wire over time passed, counted with the exact bits of the recorded "
        "frames, on a fixed scale of 0 to 100 %; | is the plan's limit. now: last second; minute: "
        "last minute; peak: the highest second so far. A node is silent when all its cyclic "
        "messages have missed three cycles.\n"
        "arrows scroll"
    )

    def __init__(self) -> None:
        super().__init__(id="networks")

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        return draw_networks(replay, snapshot, columns, curves=rows >= 28)


class ShopView(SheetView):
    """Huge figures."""

    title = "Shop"
    help = (
        "The state in one word and the figures that matter, to be read from across the shop. "
        "f rings the terminal bell on every new fault while playing (off at first)."
    )

    def __init__(self) -> None:
        super().__init__(id="shop")

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        return draw_shop(snapshot, replay.vehicle, columns, rows)
