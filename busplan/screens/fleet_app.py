"""The screen of a fleet: vehicles, their captures, a cell over the years; Enter opens a replay."""

from __future__ import annotations

import os
from typing import ClassVar, NamedTuple

from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size

from busplan.fleet.browsing import FIGURES, CaptureLine, Shelf
from busplan.fleet.figures import CELL
from busplan.screens import look
from busplan.screens.sheet import Lines
from busplan.text.fleet_draw import draw_captures, draw_vehicles, draw_years
from busplan.text.runs import FAINT, HEAD, Line, clip
from busplan.wording import CAUTIONS, disarmed

KEYS = (
    "↑↓ choose  Enter open  Esc back  ←→ cell  f figure  d dark/light  q quit",
    "↑↓ Enter Esc  ←→ cell  f figure  q quit",
    "↑↓ Enter Esc ←→ f d q",
)
"""The longest that fits is shown."""


class Spot(NamedTuple):
    """Where somebody was: the vehicle (none: the list of them), the capture, cell and figure."""

    vehicle: str = ""
    capture: int = 0
    cell: int = 1
    figure: str = FIGURES[0]


class Wanted(NamedTuple):
    """The capture somebody wants to see, its moment, and where to come back to."""

    capture: CaptureLine
    spot: Spot


class Plain(Lines, can_focus=False, inherit_bindings=False):
    """Lines that are drawn elsewhere."""

    DEFAULT_CSS = "Plain { height: 1fr; scrollbar-size-vertical: 1; }"

    def __init__(self, id: str) -> None:
        super().__init__(id=id)
        self.shown: list[Line] = []

    def line_at(self, y: int) -> Line:
        """The line of that number."""
        return self.shown[y] if y < len(self.shown) else []

    def show(self, lines: list[Line]) -> None:
        """Replace all lines."""
        self.shown = lines
        self.virtual_size = Size(0, len(lines))
        self.forget()


class FleetApp(App[Wanted]):
    """Browses one fleet; ends with what is to be replayed, or with nothing."""

    CSS = """
    Screen { layout: vertical; }
    #head { height: 2; }
    #list { height: 1fr; }
    #years { height: 50%; border-top: solid $panel; }
    #foot { height: 1; }
    """
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Up", id="fleet.up"),
        Binding("down", "move(1)", "Down", id="fleet.down"),
        Binding("pageup", "move(-10)", "Up", id="fleet.page_up"),
        Binding("pagedown", "move(10)", "Down", id="fleet.page_down"),
        Binding("home", "move(-1000000)", "First", id="fleet.first"),
        Binding("end", "move(1000000)", "Last", id="fleet.last"),
        Binding("enter", "open", "Open", id="fleet.open"),
        Binding("escape,backspace", "leave", "Back", id="fleet.back"),
        Binding("left", "cell(-1)", "Cell before", id="fleet.cell_before"),
        Binding("right", "cell(1)", "Next cell", id="fleet.cell_next"),
        Binding("f", "figure", "Other figure", id="fleet.figure"),
        Binding("d", "theme", "Dark or light", id="fleet.theme"),
        Binding("q", "quit", "Quit", id="fleet.quit"),
    ]

    def __init__(self, shelf: Shelf, spot: Spot = Spot(), told: str = "") -> None:
        """``told``: why the capture that was wanted last could not be opened."""
        super().__init__(ansi_color=True if os.environ.get("NO_COLOR") else None)
        for theme in look.THEMES:
            self.register_theme(theme)
        self.theme = look.INK
        self.shelf = shelf
        names = [v.vehicle for v in shelf.vehicles]
        self.at = names.index(spot.vehicle) if spot.vehicle in names else 0
        self.inside = spot.vehicle in names
        self.capture, self.cell, self.figure = spot.capture, spot.cell, spot.figure
        self.told = told
        self.title = disarmed(shelf.fleet.place.url)

    def compose(self) -> ComposeResult:
        """Heading, list, a cell over the years, keys."""
        yield Plain("head")
        yield Plain("list")
        yield Plain("years")
        yield Plain("foot")

    def on_mount(self) -> None:
        """Draw it."""
        self.call_after_refresh(self.draw)
        if self.told:
            self.notify(disarmed(self.told), severity="error", timeout=60, markup=False)

    def on_resize(self, event: events.Resize) -> None:
        """Draw it for the new size."""
        del event
        self.call_after_refresh(self.draw)

    @property
    def vehicle(self) -> str:
        """The vehicle chosen, ``""`` in an empty fleet."""
        vehicles = self.shelf.vehicles
        return vehicles[self.at].vehicle if vehicles else ""

    def draw(self) -> None:
        """Everything, as it is now."""
        columns = self.size.width
        where = f" / {self.vehicle}" if self.inside else ""
        caution = next((c for c in CAUTIONS if len(c) <= columns), "")
        self.query_one("#head", Plain).show(
            [clip([(f"Fleet {self.title}{where}", HEAD)], columns), [(caution, FAINT)]]
        )
        listed = self.query_one("#list", Plain)
        if not self.vehicle:
            listed.show([[("No capture of this fleet is judged yet: busplan fleet judge", FAINT)]])
        elif self.inside:
            captures = self.shelf.captures(self.vehicle)
            self.capture = min(max(self.capture, 0), max(len(captures) - 1, 0))
            listed.show(draw_captures(captures, self.capture, columns - 1))
        else:
            listed.show(draw_vehicles(self.shelf.vehicles, self.at, columns - 1))
        chosen = self.capture if self.inside else self.at
        listed.scroll_to_region(Region(0, chosen, 1, 3), animate=False)
        self._draw_years(columns)
        keys = next((k for k in KEYS if len(k) <= columns), KEYS[-1])
        self.query_one("#foot", Plain).show([clip([(keys, FAINT)], columns)])

    def _draw_years(self, columns: int) -> None:
        years = self.query_one("#years", Plain)
        if not self.vehicle:
            years.show([])
            return
        told = self.shelf.trend(self.vehicle, self.cell, self.figure)
        title = f"cell {self.cell} of {self.vehicle}: {CELL[self.figure].title}"
        chosen = None
        if self.inside and self.shelf.captures(self.vehicle):
            chosen = self.shelf.captures(self.vehicle)[self.capture].start_ns
        rows = max(self.size.height // 2 - 1, 6)  # the box is half the screen, less its border
        years.show(draw_years(told, title, chosen, columns - 1, rows))

    def action_move(self, by: int) -> None:
        """Choose another vehicle or capture."""
        if self.inside:
            self.capture += by
        else:
            self.at = min(max(self.at + by, 0), max(len(self.shelf.vehicles) - 1, 0))
        self.draw()

    def action_open(self) -> None:
        """Into the vehicle; a capture ends the screen, for the replay to open."""
        if not self.vehicle:
            self.bell()
        elif not self.inside:
            self.inside, self.capture = True, 0
            self.draw()
        elif captures := self.shelf.captures(self.vehicle):
            spot = Spot(self.vehicle, self.capture, self.cell, self.figure)
            self.exit(Wanted(captures[self.capture], spot))

    def action_leave(self) -> None:
        """Back to the vehicles."""
        self.inside = False
        self.draw()

    def action_cell(self, by: int) -> None:
        """Another cell over the years."""
        count = max(self.shelf.cells(self.vehicle), 1)
        self.cell = (self.cell - 1 + by) % count + 1
        self.draw()

    def action_figure(self) -> None:
        """Another figure of the cell."""
        self.figure = FIGURES[(FIGURES.index(self.figure) + 1) % len(FIGURES)]
        self.draw()

    def action_theme(self) -> None:
        """Dark or light."""
        self.theme = look.PAPER if self.theme == look.INK else look.INK
        self.draw()

    def on_click(self, event: events.Click) -> None:
        """Choose what was clicked; a second click opens it."""
        listed = self.query_one("#list", Plain)
        if event.widget is not listed:
            return
        at = event.y + listed.scroll_offset.y - 1
        if at < 0:
            return
        if event.chain > 1:
            self.action_open()
        else:
            self.action_move(at - (self.capture if self.inside else self.at))
