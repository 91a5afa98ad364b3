"""The pack over time: one cell, sensor or module beside its peers, and the map of all modules."""

from __future__ import annotations

from busplan.pack.labels import cell_label, short_sensor
from busplan.plan.vehicle import PackLayout
from busplan.replay.peers_over import addresses, peers_over
from busplan.replay.replay import Replay
from busplan.replay.track import at_hand
from busplan.replay.trend import ModuleGrid, module_heat, module_volts
from busplan.text.chart import Band, Chart, Curve, chart_lines, dot_columns, scale_of
from busplan.text.dots import Pen
from busplan.text.flags import note_flags
from busplan.text.packmap import Choice
from busplan.text.plot import draw_map
from busplan.text.runs import FAINT, HEAD, Line, clip
from busplan.text.ticks import round_scale
from busplan.text.timeline import Window

AXIS = 9
"""Columns that the labels of a plot take."""


def draw_trend(
    replay: Replay,
    layout: PackLayout,
    choice: Choice,
    window: Window,
    t_ns: int,
    columns: int,
    rows: int,
    pen: Pen = Pen(),
) -> list[Line]:
    """The chosen one as a line, its peers as a shaded band and their median as a thin line."""
    wide = max(columns - AXIS, 8)
    sensors = choice.kind == "sensor" or (
        choice.kind == "module"
        and any(s.module == layout.modules[choice.number] for s in layout.sensors)
    )
    over = dot_columns(window.a_ns, window.b_ns, wide, pen, replay.index.origin_ns)
    found = replay.keep(
        (peers_over, sensors, over, at_hand(replay, addresses(replay, sensors))),
        lambda: peers_over(replay, sensors, over),
    )
    mine, name = _members(layout, choice, sensors)
    low, high = found.of(mine)
    unit, least = ("°C", 1.0) if sensors else ("V", 0.01)
    curves = [
        Curve(found.middle, found.middle, "trace-2", thin=True),
        Curve(low, high, "trace"),
    ]
    band = Band(found.low, found.high)
    now = found.middle_now(mine, over.column(t_ns))
    title: Line = [
        (f"█ {name}", "trace"),
        (f" {now:.{1 if sensors else 3}f} {unit}" if now == now else " --", "trace"),
        ("  ─ median", "trace-2"),
        ("  ░ lowest to highest", FAINT),
        (f"  {window.text}", FAINT),
    ]
    chart = Chart(
        curves,
        over,
        round_scale(*scale_of(curves, [band]), least),
        until_ns=replay.span_ns,
        lead=AXIS,
        unit=unit,
        bands=[band],
        flags=note_flags(replay),
        cursor_ns=t_ns,
        pen=pen,
    )
    return [clip(title, columns), *chart_lines(chart, max(rows - 1, 3))]


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


def _modules(
    replay: Replay, layout: PackLayout, volts: bool, window: Window, count: int
) -> ModuleGrid:
    make = module_volts if volts else module_heat
    return replay.keep(
        (make, window.a_ns, window.b_ns, count),
        lambda: make(replay, layout, window.moments(count)),
    )
