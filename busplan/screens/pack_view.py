"""The pack on screen: the map of cells and sensors, figures, loads, trends, latest findings."""

from __future__ import annotations

from typing import ClassVar, Literal

from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.geometry import Region
from textual.message import Message

from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.sheet import Sheet
from busplan.screens.views import View
from busplan.text.draw import (
    load_grid,
    no_pack,
    pack_figures,
    pack_table,
    quantities,
    recent_findings,
    state_lines,
    unrecorded,
)
from busplan.text.pack_chosen import draw_chosen, oddest_of
from busplan.text.pack_trend import draw_heat, draw_trend
from busplan.text.packmap import DENSITIES, Choice, Density, PackMap
from busplan.text.runs import (
    FAINT,
    HEAD,
    Line,
    clip,
    flow,
    wrap,
)
from busplan.text.timeline import Window

WIDE = 110
"""From this width on, figures stand beside the map instead of below it."""
LEAST_WIDE = 61
"""Least columns of the map's side there, for the maps over time."""
LEAST_TREND, MOST_TREND = 6, 20
FEWEST_BELOW = 7
"""Lines below the map on a narrow screen: state, cells, heat, pack, two of loads, finding."""

LEAST_MAP = 4
"""Lines that the map keeps on a very low screen, whatever else then has no room."""
Overlay = Literal["map", "trend", "heat", "volts", "figures"]
OVERLAYS: tuple[Overlay, ...] = ("map", "trend", "heat", "volts", "figures")


class MapSheet(Sheet, can_focus=True, inherit_bindings=False):
    """The map of the pack. Arrows or the mouse choose a cell, sensor or module."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(0,-1)", "Choose above", id="pack.up", show=False),
        Binding("down", "move(0,1)", "Choose below", id="pack.down", show=False),
        Binding("left", "move(-1,0)", "Choose left", id="pack.left", show=False),
        Binding("right", "move(1,0)", "Choose right", id="pack.right", show=False),
        Binding("escape", "drop", "Choose nothing", id="pack.drop"),
    ]
    map: PackMap | None = None
    chosen: Choice | None = None
    overlaid = False
    """Whether something else is shown in place of the map; keys choose all the same."""

    class Twice(Message):
        """Something was clicked twice."""

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
        if self.map and choice and not self.overlaid and (found := self.map.find(choice)):
            self.scroll_to_region(Region(0, found[0], 1, 1), animate=False)
        self.redraw_soon()

    def on_click(self, event: events.Click) -> None:
        """Choose what was clicked; a second click shows it over time."""
        if self.overlaid:
            if event.chain > 1:
                self.post_message(self.Twice())
        elif self.map:
            self.choose(self.map.at(event.x, event.y + self.scroll_offset.y))
            if self.chosen and event.chain > 1:
                self.post_message(self.Twice())


class PackView(View):
    """Every cell and sensor, coloured by how it stands to its peers."""

    title = "Pack"
    short = "Pack"
    help = (
        "Cells and sensors in the order of the plan. Marks: < > off the median of the peers by "
        "more than half of the allowed spread, « » by more than all of it, ! outside the window, "
        "~ stale, ? not yet seen, x not believed. lag K: how far a module's temperature is behind "
        "the median of all modules.\n"
        "The word in capitals is the state at this moment. ALL EVEN: every cell and sensor is "
        "fresh, inside its window and even, no node has stopped, and no fault or caution has been "
        "found so far. EVEN NOW: the same at this moment, after cautions. It judges nothing else: "
        "see Verdict.\n"
        "arrows or mouse choose a cell, sensor or module; enter or a double click shows it over "
        "time; v changes between values, deviations and marks; t shows in place of the map: the "
        "trend, the temperatures and the cells of all modules over time, all figures; z changes "
        "the stretch of time. D1/2 is the second sensor of module D1."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "over_time", "Over time or back", id="pack.trend"),
        Binding("v", "density", "Values, deviations, marks", id="pack.density"),
        Binding("B", "board", "Chosen ones on the board", id="pack.board"),
        Binding("t", "overlay", "Trend, heat, cells, figures", id="pack.overlay"),
    ]
    DEFAULT_CSS = """
    PackView { layout: vertical; }
    PackView #pack-map { height: 1fr; }
    PackView #pack-side { height: 7; }
    PackView.-wide { layout: horizontal; }
    PackView.-wide #pack-side { width: 1fr; height: 1fr; margin-left: 2; }
    """

    def __init__(self) -> None:
        super().__init__(id="pack")
        self.density: Density | None = None
        self.overlay: Overlay = "map"
        self._fitted: tuple[object, ...] = ()
        self._asked: tuple[object, ...] = ()
        self._map_lines = 0
        self._oddest: Choice | None = None
        self._trend_beside = False

    def compose(self) -> ComposeResult:
        """The map, in whose place other drawings may stand, and its side."""
        yield MapSheet(id="pack-map")
        yield Sheet(id="pack-side")

    @on(MapSheet.Twice)
    def action_over_time(self) -> None:
        """Show what is chosen over time, or the map again."""
        self.overlay = "map" if self.overlay == "trend" else "trend"
        self.redraw_soon()

    @property
    def sheet(self) -> MapSheet:
        """The map."""
        return self.query_one(MapSheet)

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.give_keys(self.sheet)

    def action_board(self) -> None:
        """Put the chosen cell, sensor or module on the board."""
        chosen, drawn = self.sheet.chosen, self.sheet.map
        if chosen is None or drawn is None:
            self.put_on_board([])
            return
        layout = drawn.layout
        if chosen.kind == "module":
            name = layout.modules[chosen.number]
            self.put_on_board([str(c.address) for c in layout.cells if c.module == name])
        else:
            places = layout.cells if chosen.kind == "cell" else layout.sensors
            self.put_on_board([str(places[chosen.number].address)])

    def action_density(self) -> None:
        """Next density; after the last one, whatever fits."""
        order: list[Density | None] = [None, *DENSITIES]
        self.density = order[(order.index(self.density) + 1) % len(order)]
        self.redraw_soon()

    def action_overlay(self) -> None:
        """Next of map, trend, heat map, map of cell voltages, all figures."""
        self.overlay = OVERLAYS[(OVERLAYS.index(self.overlay) + 1) % len(OVERLAYS)]
        self.redraw_soon()

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment."""
        columns, lines = self.size.width, self.size.height
        over = self.overlay if not no_pack(snapshot) else "map"
        wide = columns >= WIDE
        self.set_class(wide, "-wide")
        sheet, side = self.sheet, self.query_one("#pack-side", Sheet)
        sheet.overlaid = over != "map"
        if wide:
            room = columns * 3 // 5
            used = self._fit(sheet, snapshot, room, lines)
            if over != "map":
                used = max(used, room)
            beside = self._beside(replay, snapshot, window, columns - 2 - used, lines)
            side.styles.height = lines
            sheet.styles.width = used
            side.show(beside)
        else:
            below = self._below(replay, snapshot, columns, lines)
            side.styles.height = len(below)
            sheet.styles.width = "100%"
            side.show(below)
            used, lines = columns, lines - len(below)
            self._fit(sheet, snapshot, columns, lines)
        if sheet.overlaid:
            sheet.show(self._overlay(replay, snapshot, window, used - 1, lines))
        else:
            self._map(sheet, replay, snapshot, window, used, lines)

    def _fit(self, sheet: MapSheet, snapshot: Snapshot, columns: int, lines: int) -> int:
        """Lay the map out where it is not yet; columns it takes."""
        pack = snapshot.pack
        if pack is None or not pack.in_capture:
            sheet.map = None
            return columns
        fitted = (columns, lines, self.density, id(pack.layout))
        if sheet.map is None or fitted != self._fitted:
            sheet.map = PackMap.fit(pack.layout, columns, lines, self.density)
            self._fitted = fitted
        return min(max(sheet.map.width + 1, LEAST_WIDE), columns)

    def _map(
        self,
        sheet: MapSheet,
        replay: Replay,
        snapshot: Snapshot,
        window: Window,
        columns: int,
        lines: int,
    ) -> None:
        """Draw the map, and below it where there is room a trend or the maps over time."""
        if sheet.map is None or snapshot.pack is None:
            sheet.show(wrap(no_pack(snapshot), columns - 1))
            return
        layout = snapshot.pack.layout
        drawn = sheet.map.draw(snapshot.pack, sheet.chosen)
        if lines > len(drawn):
            drawn.append(sheet.map.legend(columns - 1, snapshot.pack))
        left = lines - len(drawn) - 1
        if sheet.chosen and not self._trend_beside and left >= LEAST_TREND:
            rows = min(left, MOST_TREND)
            chosen = sheet.chosen
            t_ns, wide = snapshot.t_ns, columns - 1
            trend = draw_trend(replay, layout, chosen, window, t_ns, wide, rows, pen=self.pen)
            drawn += [[], *trend]
        for volts in (False, True):
            if (layout.cells if volts else layout.sensors) and (
                lines - len(drawn) > len(layout.modules) + 2
            ):
                heat = draw_heat(replay, layout, window, snapshot.t_ns, columns - 1, volts=volts)
                drawn += [[], *heat]
        sheet.show(drawn)

    def _overlay(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        assert snapshot.pack is not None
        layout = snapshot.pack.layout
        if self.overlay == "trend":
            choice = self._choice(snapshot)
            t_ns = snapshot.t_ns
            return draw_trend(replay, layout, choice, window, t_ns, columns, rows, pen=self.pen)
        if self.overlay == "figures":
            return self._facts(replay, snapshot, columns)
        volts = self.overlay == "volts"
        return draw_heat(replay, layout, window, snapshot.t_ns, columns, volts=volts)

    def _choice(self, snapshot: Snapshot) -> Choice:
        """What the trend shows: what is chosen, else the oddest, kept until another stands out."""
        assert snapshot.pack is not None
        if self.sheet.chosen:
            return self.sheet.chosen
        oddest, off = oddest_of(snapshot.pack)
        if off > 0.5 or self._oddest is None:
            self._oddest = oddest
        return self._oddest

    def _facts(self, replay: Replay, snapshot: Snapshot, columns: int) -> list[Line]:
        """State, figures of the pack and loads."""
        out = [*state_lines(snapshot, columns, 6), []]
        if snapshot.pack and not no_pack(snapshot):
            out += [clip(line, columns) for line in pack_table(snapshot.pack)]
            out += [[], *flow(quantities(snapshot.pack), columns, []), []]
        out.append([("load of the last second, | limit", HEAD)])
        out += load_grid(snapshot, replay.vehicle, columns, 1)
        return [*out, *unrecorded(snapshot, columns), []]

    def _beside(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, lines: int
    ) -> list[Line]:
        """Beside the map on a wide screen."""
        pack = snapshot.pack
        in_place = self.overlay == "figures" and not no_pack(snapshot)
        out = [] if in_place else self._facts(replay, snapshot, columns)
        self._trend_beside = False
        if pack and not no_pack(snapshot) and self.overlay == "map":
            choice = self._choice(snapshot)
            left = lines - len(out)
            shown = draw_chosen(pack, choice, columns)
            # Two findings under their heading stay in sight.
            left -= len(shown) + 1 + 3
            self._trend_beside = left >= LEAST_TREND
            if self._trend_beside:
                rows = min(max(LEAST_TREND, left * 2 // 3), MOST_TREND)
                t_ns = snapshot.t_ns
                pen = self.pen
                trend = draw_trend(
                    replay, pack.layout, choice, window, t_ns, columns, rows, pen=pen
                )
                out += [*shown, *trend, []]
            elif self.sheet.chosen:
                out += [*shown, []]
        if lines - len(out) >= 2:
            out.append([("findings so far, latest first", HEAD)])
            out += recent_findings(replay, snapshot, columns, max(lines - len(out), 1))
        return out

    def _below(self, replay: Replay, snapshot: Snapshot, columns: int, lines: int) -> list[Line]:
        """Below the map on a narrow screen: state, figures, loads, the latest finding."""
        loads = load_grid(snapshot, replay.vehicle, columns, 3 if columns >= 72 else 2)
        found = recent_findings(replay, snapshot, columns, 1)
        pack = snapshot.pack
        if pack is None or no_pack(snapshot):
            state = state_lines(snapshot, columns, 6)
            return [*state, *loads, *unrecorded(snapshot, columns), *found]
        if self.overlay == "figures":
            return []
        if self.sheet.chosen:
            found = draw_chosen(pack, self.sheet.chosen, columns)[:1]
        # The map comes first: what it leaves is shared by state, figures and quantities.
        asked = (columns, lines, self.density, id(pack.layout))
        if asked != self._asked:
            least = PackMap.fit(pack.layout, columns, lines - FEWEST_BELOW, self.density)
            self._asked, self._map_lines = asked, len(least.rows) + 1
        room = max(lines - self._map_lines, FEWEST_BELOW)
        table = [clip(line, columns) for line in pack_figures(pack)]
        state = state_lines(snapshot, columns, 1)
        rest = room - len(table) - len(loads) - len(found)
        parts = quantities(pack)
        lead: Line = [("pack  ", HEAD)]
        told = flow(parts, columns, lead) if parts else []
        for most in range(1, 7):
            longer = state_lines(snapshot, columns, most)
            if len(longer) + len(told) <= rest:
                state = longer
        spare = max(rest - len(state), 1)
        shown = len(parts)
        while len(told) > spare and shown:
            shown -= 1
            more: Line = [(f"{len(parts) - shown} more: t", FAINT)]
            told = flow([*parts[:shown], more], columns, lead)
        return [*state, *table, *told, *loads, *found][: max(lines - LEAST_MAP, 1)]
