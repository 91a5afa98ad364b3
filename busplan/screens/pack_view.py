"""The pack on screen: the map of cells and sensors, figures, loads and the latest findings."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region

from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.draw import (
    load_grid,
    pack_figures,
    pack_table,
    quantities_line,
    recent_findings,
    state_lines,
)
from busplan.screens.packmap import DENSITIES, Choice, Density, PackMap
from busplan.screens.runs import FAINT, HEAD, Line, clip
from busplan.screens.sheet import Sheet
from busplan.screens.views import View

WIDE = 110
"""From this width on, figures stand beside the map instead of below it."""


class MapSheet(Sheet, can_focus=True):
    """The map of the pack. Arrows or the mouse choose a cell, sensor or module."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(0,-1)", "Choose", id="pack.up", show=False),
        Binding("down", "move(0,1)", "Choose", id="pack.down", show=False),
        Binding("left", "move(-1,0)", "Choose", id="pack.left", show=False),
        Binding("right", "move(1,0)", "Choose", id="pack.right", show=False),
        Binding("escape", "drop", "Choose nothing", id="pack.drop", show=False),
    ]
    map: PackMap | None = None
    chosen: Choice | None = None

    def action_move(self, dx: int, dy: int) -> None:
        """Choose the neighbour."""
        if self.map:
            self.choose(self.map.move(self.chosen, dx, dy))

    def action_drop(self) -> None:
        """Choose nothing."""
        self.choose(None)

    def choose(self, choice: Choice | None) -> None:
        """Choose and keep it in view."""
        self.chosen = choice
        if self.map and choice and (found := self.map.find(choice)):
            self.scroll_to_region(Region(0, found[0], 1, 1), animate=False)
        self.app.call_later(self.app.action_redraw)  # type: ignore[attr-defined]

    def on_click(self, event: events.Click) -> None:
        """Choose what was clicked."""
        if self.map:
            self.choose(self.map.at(event.x, event.y + self.scroll_offset.y))


class PackView(View):
    """Every cell and sensor, coloured by how it stands to its peers."""

    title = "Pack"
    help = (
        "Cells and sensors in the order of the plan. Marks: < > off its peers by more than half of "
        "the allowed spread, « » by more than all of it, ! outside the window, ~ stale, ? not yet "
        "seen. lag K: how far a module's temperature is behind the median of all modules.\n"
        "arrows or mouse choose a cell, sensor or module; v changes between values, deviations and "
        "marks"
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "density", "Values/deviations/marks", id="pack.density")
    ]
    DEFAULT_CSS = """
    PackView { layout: vertical; }
    PackView #pack-map { height: 1fr; }
    PackView #pack-side { height: 7; }
    PackView.-wide { layout: horizontal; }
    PackView.-wide #pack-map { width: auto; height: 1fr; }
    PackView.-wide #pack-side { width: 1fr; height: 1fr; margin-left: 2; }
    """

    def __init__(self) -> None:
        super().__init__(id="pack")
        self.density: Density | None = None

    def compose(self) -> ComposeResult:
        """The map and its side."""
        yield MapSheet(id="pack-map")
        yield Sheet(id="pack-side")

    def action_density(self) -> None:
        """Next density; after the last one, whatever fits."""
        order: list[Density | None] = [None, *DENSITIES]
        self.density = order[(order.index(self.density) + 1) % len(order)]
        self.app.call_later(self.app.action_redraw)  # type: ignore[attr-defined]

    def update(self, replay: Replay, snapshot: Snapshot) -> None:
        """Show a moment."""
        columns, lines = self.size.width, self.size.height
        wide = columns >= WIDE
        self.set_class(wide, "-wide")
        sheet, side = self.query_one("#pack-map", MapSheet), self.query_one("#pack-side", Sheet)
        below = foot(replay, snapshot, columns, lines)
        if snapshot.pack is None:
            sheet.show([[("This plan describes no pack.", FAINT)]])
        else:
            layout = snapshot.pack.layout
            room = columns * 3 // 5 if wide else columns
            height = lines if wide else lines - len(below)
            if sheet.map is None or (room, height, self.density, layout) != self._fitted:
                sheet.map = PackMap.fit(layout, room, height, self.density)
                self._fitted = (room, height, self.density, layout)
            if wide:
                sheet.styles.width = min(sheet.map.lag_at + 7, room)
            sheet.show(sheet.map.draw(snapshot.pack, sheet.chosen))
        if not wide:
            side.styles.height = len(below)
            side.show(below)
        else:
            side.show(beside_map(replay, snapshot, side.size.width, lines))

    _fitted: tuple[object, ...] = ()


def foot(replay: Replay, snapshot: Snapshot, columns: int, lines: int) -> list[Line]:
    """Below the map on a narrow screen: state, figures, loads, the latest finding."""
    out = state_lines(snapshot, columns, 2 if lines >= 21 else 1)
    if snapshot.pack:
        out += [clip(line, columns) for line in pack_figures(snapshot.pack)]
    out += load_grid(snapshot, replay.vehicle, columns, 3 if columns >= 72 else 2)
    return [*out, *recent_findings(replay, snapshot, columns, 1)]


def beside_map(replay: Replay, snapshot: Snapshot, columns: int, lines: int) -> list[Line]:
    """Beside the map on a wide screen."""
    out = [*state_lines(snapshot, columns, 8), []]
    if snapshot.pack:
        out += pack_table(snapshot.pack)
        out += [clip(quantities_line(snapshot.pack), columns)]
        out.append([])
    out.append([("load of the last second, | limit", HEAD)])
    out += load_grid(snapshot, replay.vehicle, columns, 1)
    out += [[], [("findings so far, latest first", HEAD)]]
    return [*out, *recent_findings(replay, snapshot, columns, max(lines - len(out), 3))]
