"""One cell, sensor or module of the pack: the one that was chosen, or the oddest."""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64
from busplan.pack.labels import cell_label, sensor_label
from busplan.replay.pack_state import Grade, PackState
from busplan.text.grades import OF_GRADE
from busplan.text.packmap import Choice, PlaceKind
from busplan.text.runs import FAINT, PLAIN, Line, fold, span_text, width


def draw_chosen(pack: PackState, choice: Choice, columns: int) -> list[Line]:
    """What is chosen: its value, how far it is off its peers, how old it is."""
    layout, number = pack.layout, choice.number
    if choice.kind == "module":
        name = layout.modules[number]
        line: Line = [(f"module {name}", "strong")]
        if not np.isnan(pack.module_c[number]):
            warm, lag = pack.module_c[number], pack.lag_k[number]
            line.append((f"  {warm:.1f} °C, lag {lag:+z.1f} K", PLAIN))
    else:
        cell = choice.kind == "cell"
        peers = pack.cells if cell else pack.sensors
        label = cell_label(layout.cells[number]) if cell else sensor_label(layout.sensors[number])
        value, off = float(peers.value[number]), float(peers.deviation[number])
        grade = Grade(int(peers.grade[number]))
        line = [(label, "strong")]
        if grade == Grade.MISSING:
            told = "told as not available" if peers.coded[number] else grade.word
            line.append((f"  {told}", OF_GRADE[grade]))
        else:
            far = f"{off * 1e3:+z.0f} mV: " if cell else f"{off:+z.1f} K: "
            far = "" if np.isnan(off) else far
            shown = f"{value:.3f} V" if cell else f"{value:.1f} °C"
            age = span_text(float(peers.age_ns[number]))
            line += [
                ("  ", PLAIN),
                (f"{shown}{grade.mark}".rstrip(), OF_GRADE[grade]),
                (f"  {far}{grade.word}, {age} old", FAINT),
            ]
    hint = "  enter: over time"
    if width(line) + len(hint) <= columns:
        line.append((hint, FAINT))
    return fold(line, columns, 2)


def oddest_of(pack: PackState) -> tuple[Choice, float]:
    """The cell, sensor or module furthest off its peers, and how far in allowed spreads."""
    limits = pack.layout.limits
    peers: tuple[tuple[PlaceKind, F64, float], ...] = (
        ("module", np.abs(pack.lag_k), limits.temperature_spread_k),
        ("cell", np.abs(pack.cells.deviation), limits.voltage_spread_v),
        ("sensor", np.abs(pack.sensors.deviation), limits.temperature_spread_k),
    )
    found: list[tuple[float, Choice]] = []
    for kind, off, allowed in peers:
        if len(off) and not np.isnan(off).all():
            at = int(np.nanargmax(off))
            found.append((float(off[at]) / allowed, Choice(kind, at)))
    if not found:
        return Choice("cell" if pack.layout.cells else "module", 0), 0.0
    off_most, choice = max(found, key=lambda each: each[0])
    return choice, off_most
