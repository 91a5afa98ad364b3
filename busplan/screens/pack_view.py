"""The pack on screen: the map of cells and sensors, figures, loads, trends, latest findings."""

from __future__ import annotations

from typing import ClassVar, Literal

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
    quantities_block,
    recent_findings,
    state_lines,
)
from busplan.screens.pack_trend import draw_heat, draw_trend
from busplan.screens.packmap import DENSITIES, Choice, Density, PackMap
from busplan.screens.runs import FAINT, HEAD, Line, clip
from busplan.screens.sheet import Sheet
from busplan.screens.timeline import Window
from busplan.screens.views import View

WIDE = 110
"""From this width on, figures stand beside the map instead of below it."""
TREND_ROWS = 8

Overlay = Literal["map", "trend", "heat", "volts"]
OVERLAYS: tuple[Overlay, ...] = ("map", "trend", "heat", "volts")


class MapSheet(Sheet, can_focus=True, inherit_bindings=False):
    """The map of the pack. Arrows or the mouse choose a cell, sensor or module."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(0,-1)", "Choose", id="pack.up", show=False),
        Binding("down", "move(0,1)", "Choose", id="pack.down", show=False),
        Binding("left", "move(-1,0)", "Choose", id="pack.left", show=False),
        Binding("right", "move(1,0)", "Choose", id="pack.right", show=False),
        Binding("escape", "drop", "Choose nothing", id="pack.drop"),
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
    short = "Pack"
    help = (
        "Cells and sensors in the order of the plan. Marks: < > off the median of the peers by "
        "more than half of the allowed spread, « » by more than all of it, ! outside the window, "
        "~ stale, ? not yet seen. lag K: how far a module's temperature is behind the median of "
        "all modules.\n"
        "arrows or mouse choose a cell, sensor or module, whose trend is then shown; v changes "
        "between values, deviations and marks; t shows trend, heat map or voltage map in place of "
        "the map on small screens; z changes the stretch of time they cover"
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "density", "Values/deviations/marks", id="pack.density"),
        Binding("t", "overlay", "Map/trend/heat/volts", id="pack.overlay"),
    ]
    DEFAULT_CSS = """
    PackView { layout: vertical; }
    PackView #pack-map { height: 1fr; }
    PackView #pack-side { height: 7; }
    PackView #pack-over { height: 1fr; display: none; }
    PackView.-over #pack-map { display: none; }
    PackView.-over #pack-over { display: block; }
    PackView.-wide { layout: horizontal; }
    PackView.-wide #pack-side { width: 1fr; height: 1fr; margin-left: 2; }
    """

    def __init__(self) -> None:
        super().__init__(id="pack")
        self.density: Density | None = None
        self.overlay: Overlay = "map"
        self._fitted: tuple[object, ...] = ()

    def compose(self) -> ComposeResult:
        """The map, what may stand in its place, and its side."""
        yield MapSheet(id="pack-map")
        yield Sheet(id="pack-over")
        yield Sheet(id="pack-side")

    @property
    def sheet(self) -> MapSheet:
        """The map."""
        return self.query_one(MapSheet)

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.sheet.focus()

    def action_density(self) -> None:
        """Next density; after the last one, whatever fits."""
        order: list[Density | None] = [None, *DENSITIES]
        self.density = order[(order.index(self.density) + 1) % len(order)]
        self.app.call_later(self.app.action_redraw)  # type: ignore[attr-defined]

    def action_overlay(self) -> None:
        """Next of map, trend, heat map, voltage map."""
        self.overlay = OVERLAYS[(OVERLAYS.index(self.overlay) + 1) % len(OVERLAYS)]
        self.app.call_later(self.app.action_redraw)  # type: ignore[attr-defined]

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment."""
        columns, lines = self.size.width, self.size.height
        wide = columns >= WIDE
        self.set_class(wide, "-wide")
        self.set_class(self.overlay != "map" and snapshot.pack is not None, "-over")
        sheet, side = self.sheet, self.query_one("#pack-side", Sheet)
        if wide:
            room = columns * 3 // 5
            used = self._map(sheet, replay, snapshot, window, room, lines)
            over = self.query_one("#pack-over", Sheet)
            for left in (sheet, over):
                left.styles.width = max(used, room if self.overlay != "map" else 0)
            width = columns - 2 - max(used, room if self.overlay != "map" else 0)
            side.styles.height = lines
            side.show(self._beside(replay, snapshot, window, width, lines))
        else:
            below = foot(replay, snapshot, columns, lines)
            side.styles.height = len(below)
            sheet.styles.width = "100%"
            self.query_one("#pack-over", Sheet).styles.width = "100%"
            self._map(sheet, replay, snapshot, window, columns, lines - len(below))
            side.show(below)
            room, lines = columns, lines - len(below)
        if self.overlay != "map" and snapshot.pack:
            over = self.query_one("#pack-over", Sheet)
            over.show(self._overlay(replay, snapshot, window, room - 1, lines))

    def _map(
        self,
        sheet: MapSheet,
        replay: Replay,
        snapshot: Snapshot,
        window: Window,
        columns: int,
        lines: int,
    ) -> int:
        """Draw the map, and below it where there is room the maps over time; columns needed."""
        if snapshot.pack is None:
            sheet.map = None
            sheet.show([[("This plan describes no pack.", FAINT)]])
            return 30
        layout = snapshot.pack.layout
        fitted = (columns, lines, self.density, id(layout))
        if sheet.map is None or fitted != self._fitted:
            sheet.map = PackMap.fit(layout, columns, lines, self.density)
            self._fitted = fitted
        drawn = sheet.map.draw(snapshot.pack, sheet.chosen)
        if lines - len(drawn) > len(layout.modules) + 2:
            wide = min(columns, max(sheet.map.width, 60)) - 1
            for volts in (False, True):
                heat = draw_heat(replay, layout, window, snapshot.t_ns, wide, volts=volts)
                if (layout.cells if volts else layout.sensors) and len(drawn) + len(heat) < lines:
                    drawn += [[], *heat]
        sheet.show(drawn)
        return min(max(sheet.map.width + 1, 61), columns)

    def _overlay(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        assert snapshot.pack is not None
        layout = snapshot.pack.layout
        if self.overlay == "trend":
            choice = self.sheet.chosen or worst_of(snapshot)
            return draw_trend(replay, layout, choice, window, snapshot.t_ns, columns, rows)
        volts = self.overlay == "volts"
        return draw_heat(replay, layout, window, snapshot.t_ns, columns, volts=volts)

    def _beside(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, lines: int
    ) -> list[Line]:
        """Beside the map on a wide screen."""
        out = [*state_lines(snapshot, columns, 6), []]
        if snapshot.pack:
            out += [clip(line, columns) for line in pack_table(snapshot.pack)]
            out += [[], *quantities_block(snapshot.pack, columns)]
            out.append([])
        out.append([("load of the last second, | limit", HEAD)])
        out += [*load_grid(snapshot, replay.vehicle, columns, 1), []]
        if snapshot.pack and self.overlay == "map":
            layout = snapshot.pack.layout
            choice = self.sheet.chosen or worst_of(snapshot)
            left = lines - len(out)
            if left >= TREND_ROWS + 3:
                rows = min(max(TREND_ROWS, left // 3), 16)
                trend = draw_trend(replay, layout, choice, window, snapshot.t_ns, columns, rows)
                out += [*trend, []]
        if lines - len(out) >= 2:
            out.append([("findings so far, latest first", HEAD)])
            out += recent_findings(replay, snapshot, columns, max(lines - len(out), 1))
        return out


def worst_of(snapshot: Snapshot) -> Choice:
    """What to show when nothing is chosen: the module furthest behind, else the lowest cell."""
    pack = snapshot.pack
    assert pack is not None
    if pack.worst_lag:
        return Choice("module", pack.layout.modules.index(pack.worst_lag[0]))
    return Choice("cell", pack.cells.evenness.lowest if pack.cells.evenness else 0)


def foot(replay: Replay, snapshot: Snapshot, columns: int, lines: int) -> list[Line]:
    """Below the map on a narrow screen: state, figures, loads, the latest finding."""
    out = state_lines(snapshot, columns, 3 if lines >= 24 else 1)
    if snapshot.pack:
        out += [clip(line, columns) for line in pack_figures(snapshot.pack)]
    out += load_grid(snapshot, replay.vehicle, columns, 3 if columns >= 72 else 2)
    return [*out, *recent_findings(replay, snapshot, columns, 1)]
