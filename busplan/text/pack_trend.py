"""The pack over time: one cell, sensor or module beside its peers, and the map of all modules."""

from __future__ import annotations

from busplan.pack.labels import cell_label, short_sensor
from busplan.plan.vehicle import PackLayout
from busplan.replay.replay import Replay
from busplan.replay.trend import Grid, ModuleGrid, cell_grid, module_heat, module_volts, sensor_grid
from busplan.text.packmap import Choice
from busplan.text.plot import Curve, draw_curves, draw_map
from busplan.text.runs import FAINT, HEAD, Line, clip
from busplan.text.timeline import Window

AXIS = 12
"""Columns that the axis of a plot takes."""


def draw_trend(
    replay: Replay,
    layout: PackLayout,
    choice: Choice,
    window: Window,
    t_ns: int,
    columns: int,
    rows: int,
) -> list[Line]:
    """The chosen one as a line, its peers as a shaded band and their median as a thin line."""
    wide = max(columns - AXIS, 8)
    sensors = choice.kind == "sensor" or (
        choice.kind == "module"
        and any(s.module == layout.modules[choice.number] for s in layout.sensors)
    )
    found = _grid(replay, sensors, window, wide)
    mine, name = _members(layout, choice, sensors)
    low, middle, high = found.band()
    own = found.middle_of(mine)
    unit = "°C" if sensors else "V"
    title: Line = [
        (f"█ {name}", "trace"),
        ("  ─ median", "trace-2"),
        ("  ░ all", FAINT),
        (f"  {window.text}", FAINT),
    ]
    curves = [Curve(middle, "trace-2", thin=True), Curve(own, "trace")]
    return [
        clip(title, columns),
        *draw_curves(
            curves,
            max(rows - 1, 3),
            band=(low, high),
            cursor=window.column(t_ns, wide),
            unit=unit,
            least=1.0 if sensors else 0.01,
            decimals=1 if sensors else 3,
        ),
    ]


def draw_heat(
    replay: Replay, layout: PackLayout, window: Window, t_ns: int, columns: int, *, volts: bool
) -> list[Line]:
    """Each module over time, graded by how far it is off the others."""
    lead = max((len(name) for name in (*layout.modules, *layout.enclosures)), default=0) + 1
    wide = max(columns - lead, 8)
    found = _modules(replay, layout, volts, window, wide)
    what = "cells of each module" if volts else "temperature of each module"
    return [
        clip([(what, HEAD), (f"  {window.text}", FAINT)], columns),
        *draw_map(found.names, found.grade, window.column(t_ns, wide)),
    ]


def _members(layout: PackLayout, choice: Choice, sensors: bool) -> tuple[list[int], str]:
    if choice.kind == "cell":
        return [choice.number], cell_label(layout.cells[choice.number])
    if choice.kind == "sensor":
        return [choice.number], f"sensor {short_sensor(layout.sensors[choice.number])}"
    module = layout.modules[choice.number]
    owners = [s.module for s in layout.sensors] if sensors else [c.module for c in layout.cells]
    return [i for i, owner in enumerate(owners) if owner == module], f"module {module}"


def _grid(replay: Replay, sensors: bool, window: Window, count: int) -> Grid:
    make = sensor_grid if sensors else cell_grid
    return replay.keep(
        (make, window.a_ns, window.b_ns, count), lambda: make(replay, window.moments(count))
    )


def _modules(
    replay: Replay, layout: PackLayout, volts: bool, window: Window, count: int
) -> ModuleGrid:
    make = module_volts if volts else module_heat
    return replay.keep(
        (make, window.a_ns, window.b_ns, count),
        lambda: make(replay, layout, window.moments(count)),
    )
