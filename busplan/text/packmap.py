"""Where every cell and sensor of a pack stands on the screen, for packs of any shape.

One row a module (more when its cells do not fit side by side), enclosures one below the other in
plan order; sensors at the end of the module's first row. Three densities: values, deviations from
the peers, marks alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from busplan.plan.vehicle import PackLayout
from busplan.replay.pack_state import Grade, PackState
from busplan.text.grades import OF_GRADE
from busplan.text.runs import FAINT, HEAD, PLAIN, Line, width

Density = Literal["values", "deviations", "marks"]
DENSITIES: tuple[Density, ...] = ("values", "deviations", "marks")
_WIDTH = {"values": 6, "deviations": 5, "marks": 2}
SENSOR_WIDTH = 6
LAG_WIDTH = 6
PlaceKind = Literal["cell", "sensor", "module"]


class Choice(NamedTuple):
    """A cell, a sensor or a module, by its place in the layout, from 0."""

    kind: PlaceKind
    number: int


class Spot(NamedTuple):
    """Where something that can be chosen stands in a row."""

    x: int
    width: int
    choice: Choice


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the map: labels and what stands on it from left to right."""

    enclosure: str
    module: str
    spots: tuple[Spot, ...]
    lag: int
    """Index of the module whose lag ends the row; −1 for none."""


@dataclass(frozen=True, eq=False)
class PackMap:
    """The map of one layout at one width and density; row 0 is the heading."""

    layout: PackLayout
    density: Density
    rows: tuple[Row, ...]
    labels: int
    lag_at: int

    @staticmethod
    def fit(layout: PackLayout, columns: int, lines: int, density: Density | None) -> PackMap:
        """The given density, or the fullest one that needs no scrolling."""
        if density:
            return PackMap.of(layout, columns, density)
        for each in DENSITIES:
            found = PackMap.of(layout, columns, each)
            if len(found.rows) + 1 <= lines:
                return found
        return found

    @staticmethod
    def of(layout: PackLayout, columns: int, density: Density) -> PackMap:
        """Place everything for a screen of ``columns``."""
        modules = layout.modules
        names = [*layout.enclosures, *modules]
        enclosure_width = max((len(e) for e in layout.enclosures), default=0) + 1
        labels = enclosure_width + max((len(n) for n in names), default=0) + 1
        cells: dict[str, list[int]] = {}
        sensors: dict[str, list[int]] = {}
        for i, cell in enumerate(layout.cells):
            cells.setdefault(cell.module, []).append(i)
        for i, sensor in enumerate(layout.sensors):
            sensors.setdefault(sensor.module, []).append(i)
        most = max((len(sensors.get(m, ())) for m in modules), default=0)
        room = columns - labels - (LAG_WIDTH if most else 0)
        # Sensors stand beside the cells while they leave at least half of the row to them.
        beside = min(most, max(room // 2 // SENSOR_WIDTH, 1))
        step = _WIDTH[density]
        widest = max((len(c) for c in cells.values()), default=0)
        across = max(min((room - beside * SENSOR_WIDTH) // step, widest), 1)
        # Equal rows rather than full ones and a rest.
        across = -(-widest // -(-widest // across)) if widest else 1
        sensors_at = labels + across * step + 1
        rows: list[Row] = []
        for enclosure, members in layout.enclosures.items():
            shared = sensors.get(enclosure, []) if enclosure not in members else []
            heading = enclosure
            if shared:
                per_row = max((columns - labels) // SENSOR_WIDTH, 1)
                for chunk in _chunks(shared, per_row):
                    spots = _place("sensor", chunk, labels, SENSOR_WIDTH)
                    rows.append(Row(heading, "", spots, -1))
                    heading = ""
            for module in members:
                number = modules.index(module)
                label = Spot(enclosure_width, len(module), Choice("module", number))
                first = [label]
                mine = _chunks(cells.get(module, []), across) or [[]]
                warm = _chunks(sensors.get(module, []), max(beside, 1)) or [[]]
                for n in range(max(len(mine), len(warm))):
                    spots = tuple(first)
                    if n < len(mine):
                        spots += _place("cell", mine[n], labels, step)
                    if n < len(warm):
                        spots += _place("sensor", warm[n], sensors_at, SENSOR_WIDTH)
                    has_lag = n == 0 and bool(sensors.get(module))
                    rows.append(
                        Row(heading, module if n == 0 else "", spots, number if has_lag else -1)
                    )
                    heading, first = "", []
        return PackMap(
            layout, density, tuple(rows), labels, sensors_at + beside * SENSOR_WIDTH if most else 0
        )

    @property
    def width(self) -> int:
        """Columns the drawn map needs."""
        ends = [s.x + s.width for row in self.rows for s in row.spots]
        return max([*ends, self.lag_at + LAG_WIDTH if self.lag_at else 0], default=0)

    def draw(self, state: PackState, chosen: Choice | None) -> list[Line]:
        """The map with its heading."""
        return [self._heading(), *(self._row(row, state, chosen) for row in self.rows)]

    def legend(self, columns: int, pack: PackState) -> Line:
        """What the marks mean, as much of it as there is room for; those that are shown first."""
        shown = {*pack.cells.grade.tolist(), *pack.sensors.grade.tolist()}
        limits = self.layout.limits
        mv, kelvin = 500 * limits.voltage_spread_v, limits.temperature_spread_k / 2
        parts: list[Line] = [
            [
                (Grade.LOW.mark, OF_GRADE[Grade.LOW]),
                (" ", PLAIN),
                (Grade.FAR_LOW.mark, OF_GRADE[Grade.FAR_LOW]),
                (f" below by {mv:.0f}, {2 * mv:.0f} mV or {kelvin:g}, {2 * kelvin:g} K  ", FAINT),
                (Grade.HIGH.mark, OF_GRADE[Grade.HIGH]),
                (" ", PLAIN),
                (Grade.FAR_HIGH.mark, OF_GRADE[Grade.FAR_HIGH]),
                (" above  ", FAINT),
            ]
        ]
        meanings = (
            (Grade.OUTSIDE, "outside"),
            (Grade.STALE, "stale"),
            (Grade.MISSING, "not heard"),
            (Grade.ASIDE, "not believed"),
        )
        for grade, meaning in sorted(meanings, key=lambda one: one[0].value not in shown):
            parts.append([(grade.mark, OF_GRADE[grade]), (f" {meaning}  ", FAINT)])
        line: Line = []
        for part in parts:
            if width(line) + width(part) <= columns:
                line += part
        return line

    def at(self, x: int, y: int) -> Choice | None:
        """What stands at a place of the drawn map."""
        if not 1 <= y <= len(self.rows):
            return None
        spots = self.rows[y - 1].spots
        return next((s.choice for s in spots if s.x <= x < s.x + s.width), None)

    def find(self, choice: Choice) -> tuple[int, Spot] | None:
        """The line and spot of something that can be chosen."""
        for y, row in enumerate(self.rows):
            for spot in row.spots:
                if spot.choice == choice:
                    return y + 1, spot
        return None

    def move(self, choice: Choice | None, dx: int, dy: int) -> Choice | None:
        """The neighbour of a choice; the first cell when nothing is chosen."""
        found = self.find(choice) if choice else None
        if found is None:
            spots = [s for row in self.rows for s in row.spots if s.choice.kind == "cell"]
            return spots[0].choice if spots else None
        y, spot = found
        if dx:
            spots = list(self.rows[y - 1].spots)
            i = min(max(spots.index(spot) + dx, 0), len(spots) - 1)
            return spots[i].choice
        row = y - 1 + dy
        while 0 <= row < len(self.rows):
            if near := self.rows[row].spots:
                return min(near, key=lambda s: abs(s.x - spot.x)).choice
            row += dy
        return spot.choice

    def _heading(self) -> Line:
        what = {"values": "cells [V]", "deviations": "cells, mV off their median", "marks": "cells"}
        line: Line = [(what[self.density].rjust(self.labels + len(what[self.density])), HEAD)]
        if self.lag_at:
            start = next(
                (s.x for row in self.rows for s in row.spots if s.choice.kind == "sensor"), 0
            )
            lead = self.labels + len(what[self.density])
            if start and start <= lead:
                line = [("[V]".rjust(self.labels + 3), HEAD)]
                lead = self.labels + 3
            if start > lead:
                line.append((" " * (start - lead) + "[°C]", HEAD))
                lead = start + 4
            line.append(("lag K".rjust(max(self.lag_at + LAG_WIDTH - 1 - lead, 6)), HEAD))
        return line

    def _row(self, row: Row, state: PackState, chosen: Choice | None) -> Line:
        line: Line = [(row.enclosure, HEAD)]
        x = len(row.enclosure)
        for spot in row.spots:
            if spot.x > x:
                line.append((" " * (spot.x - x), PLAIN))
            piece, role = self._spot(spot, state)
            line.append((piece, "chosen" if spot.choice == chosen else role))
            x = spot.x + len(piece)
            if len(piece) < spot.width:
                line.append((" " * (spot.width - len(piece)), PLAIN))
                x = spot.x + spot.width
        if row.lag >= 0 and (lag := state.lag_k[row.lag]) == lag:
            limit = self.layout.limits.temperature_spread_k
            # A module behind its peers is colder: it carries the marks of a low value.
            grade = Grade.FAR_LOW if lag > limit else Grade.LOW if lag > limit / 2 else Grade.EVEN
            role = FAINT if grade == Grade.EVEN else "caution" if lag > limit else "low"
            line.append((f"{lag:+z.1f}".rjust(max(self.lag_at + LAG_WIDTH - 1 - x, 5)), role))
            line.append((grade.mark, role))
        return line

    def _spot(self, spot: Spot, state: PackState) -> tuple[str, str]:
        kind, i = spot.choice
        if kind == "module":
            return self.layout.modules[i], HEAD
        peers = state.cells if kind == "cell" else state.sensors
        grade = Grade(int(peers.grade[i]))
        role = OF_GRADE[grade]
        if kind == "sensor":
            number = "  -  " if grade == Grade.MISSING else f"{peers.value[i]:5.1f}"
        elif self.density == "marks":
            return (
                "·" if grade == Grade.EVEN else grade.mark
            ), FAINT if grade == Grade.EVEN else role
        elif grade == Grade.MISSING:
            number = "  -  " if self.density == "values" else "  -"
        elif self.density == "values":
            number = f"{peers.value[i]:5.3f}"
        else:
            number = _millivolts(float(peers.deviation[i]) * 1e3)
        return number + grade.mark, role


def _millivolts(off: float) -> str:
    """A deviation in three characters; the sign is left to the mark from 100 mV on."""
    if off != off:  # no peer is fresh
        return "  -"
    if abs(off) < 0.5:
        return "  0"
    return f"{off:+3.0f}" if abs(off) < 99.5 else f"{min(abs(off), 999):3.0f}"


def _place(
    kind: Literal["cell", "sensor"], indices: Sequence[int], x: int, step: int
) -> tuple[Spot, ...]:
    return tuple(Spot(x + n * step, step, Choice(kind, i)) for n, i in enumerate(indices))


def _chunks(items: Sequence[int], size: int) -> list[list[int]]:
    return [list(items[i : i + size]) for i in range(0, len(items), size)]
