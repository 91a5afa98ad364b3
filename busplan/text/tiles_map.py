"""Tiles of many alike: the cells or sensors of a pack, or any signals, each against the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from busplan.board.quantities import address_of
from busplan.board.state import TileState
from busplan.plan.vehicle import PackLayout
from busplan.replay.pack_state import Grade, PackState, Peers, grade_deviation
from busplan.replay.replay import Replay
from busplan.text.canvas import Canvas
from busplan.text.runs import FAINT, HEAD, PLAIN
from busplan.text.tiles import Look, begin, draw_head, hatch
from busplan.text.tiles_over_time import GRADE_GROUND

LABEL = 5
LEGEND = (Grade.FAR_LOW, Grade.LOW, Grade.EVEN, Grade.HIGH, Grade.FAR_HIGH)


class Spots(NamedTuple):
    """Places by row with their values, grades, and what the classes mean."""

    rows: Sequence[tuple[str, Sequence[int]]]
    value: Sequence[float]
    grade: Sequence[int]
    middle: float
    spread: float
    unit: str
    decimals: int


ROOM_FOR_NUMBERS = 9
"""Columns of a cell from which on those that are even show their values too, dull."""


def draw_map_tile(
    state: TileState, look: Look, replay: Replay, pack: PackState | None, columns: int, rows: int
) -> Canvas:
    """Blocks of one size, whole enclosures a row where they fit, five classes off the median."""
    canvas, ink = begin(state, look, columns, rows)
    draw_head(canvas, state, look)
    spots = _spots(state, replay, pack)
    if spots is None:
        hatch(canvas, 1)
        return canvas
    widest = max((len(places) for _, places in spots.rows), default=1)
    body = rows - 2 if rows > 3 else rows - 1
    shown, across = _folded(spots.rows, body, columns - LABEL, widest)
    each = max(min((columns - LABEL) // max(across, 1), 14), 1)
    high = max(min(body // max(len(shown), 1), 2), 1)
    for y, (name, places) in enumerate(shown):
        top = 1 + y * high
        if top >= 1 + body:
            break
        canvas.write(top, 0, name[: LABEL - 1].ljust(LABEL), ink if ink == PLAIN else HEAD)
        for n, place in enumerate(places):
            _spot(canvas, spots, place, LABEL + n * each, top, each, high)
    if rows > 3:
        _legend(canvas, spots, ink)
    return canvas


def _folded(
    rows: Sequence[tuple[str, Sequence[int]]], body: int, columns: int, widest: int
) -> tuple[list[tuple[str, Sequence[int]]], int]:
    """Rows as they are, or several side by side where there are too many for the height."""
    for across in (1, *_whole(rows), *range(2, len(rows) + 1)):
        if -(-len(rows) // across) <= body and across * widest <= max(columns, 1):
            break
    else:
        across = max(columns // max(widest, 1), 1)
    found: list[tuple[str, Sequence[int]]] = []
    for start in range(0, len(rows), across):
        part = rows[start : start + across]
        found.append((part[0][0], [p for _, places in part for p in places]))
    return found, max((len(p) for _, p in found), default=1)


def _whole(rows: Sequence[tuple[str, Sequence[int]]]) -> list[int]:
    """How many rows make a group of one first letter, where all groups have as many."""
    sizes: dict[str, int] = {}
    for name, _ in rows:
        sizes[name[:1]] = sizes.get(name[:1], 0) + 1
    each = set(sizes.values())
    return list(each) if len(each) == 1 and each != {len(rows)} else []


def _spot(canvas: Canvas, spots: Spots, place: int, x: int, y: int, wide: int, high: int) -> None:
    grade = Grade(int(spots.grade[place]))
    gap = 1 if wide >= 4 else 0
    if grade not in (Grade.MISSING, Grade.STALE, Grade.ASIDE):
        canvas.fill(y, x, high, wide - gap, GRADE_GROUND[grade])
    mark = "·" if grade == Grade.EVEN else grade.mark
    text = mark
    if grade == Grade.EVEN and wide - gap >= ROOM_FOR_NUMBERS:
        text = f"{spots.value[place]:.{spots.decimals}f}"
    if grade not in (Grade.EVEN, Grade.MISSING, Grade.STALE, Grade.ASIDE):
        number = f"{mark}{spots.value[place]:.{spots.decimals}f}"
        if len(number) > wide - gap:
            number = f"{mark}{spots.value[place]:.{max(spots.decimals - 1, 0)}f}"
        text = number if len(number) <= wide - gap else mark
    role = "map-text" if grade in (Grade.EVEN,) else PLAIN
    if grade in (Grade.MISSING, Grade.STALE, Grade.ASIDE):
        role = "stale"
    canvas.write(y, x + max((wide - gap - len(text)) // 2, 0), text, role)


def _legend(canvas: Canvas, spots: Spots, ink: str) -> None:
    """Which mark is how far off, and the median."""
    y, x = canvas.rows - 1, 0
    factor, unit, digits = (1e3, "mV", 0) if spots.unit == "V" else (1.0, spots.unit, 1)
    unit = "K" if unit == "°C" else unit
    half = spots.spread * factor / 2
    names = [f"-{2 * half:.{digits}f}", f"-{half:.{digits}f}", "even"]
    names += [f"+{half:.{digits}f}", f"+{2 * half:.{digits}f} {unit}"]
    faint = FAINT if ink != PLAIN else ink
    for grade, name in zip(LEGEND, names, strict=True):
        mark = "·" if grade == Grade.EVEN else grade.mark
        if x + len(name) + 2 > canvas.columns:
            break
        canvas.write(y, x, mark, PLAIN, ground=GRADE_GROUND[grade])
        canvas.write(y, x + 1, f" {name} ", faint)
        x += len(name) + 3
    told = f"median {spots.middle:.{spots.decimals}f} {spots.unit}"
    if spots.middle == spots.middle and x + len(told) < canvas.columns:
        canvas.write(y, canvas.columns - len(told) - 1, told, faint)


def _spots(state: TileState, replay: Replay, pack: PackState | None) -> Spots | None:
    """What is shown: as the pack's judgement grades it, else each against the median."""
    if not state.readings:
        return None
    layout = replay.vehicle.pack
    addresses = [address_of(r.subject) for r in state.readings]
    if layout is not None and pack is not None:
        cells = {c.address: i for i, c in enumerate(layout.cells)}
        sensors = {s.address: i for i, s in enumerate(layout.sensors)}
        for known, peers, kind in ((cells, pack.cells, True), (sensors, pack.sensors, False)):
            if all(a in known for a in addresses):
                return _of_pack(layout, peers, [known[a] for a in addresses if a], kind)
    values = np.array([r.held.value if r.held.fresh else np.nan for r in state.readings])
    good = ~np.isnan(values)
    middle = float(np.median(values[good])) if good.any() else float("nan")
    off = values - middle
    scatter = 1.4826 * float(np.median(np.abs(off[good]))) if good.any() else 0.0
    track = state.readings[0].track
    spread = max(6 * scatter, 2 * (track.step if track else 0.0), 1e-9)
    grade = grade_deviation(off, spread)
    rows: dict[str, list[int]] = {}
    for i, address in enumerate(addresses):
        rows.setdefault(address.message if address else "", []).append(i)
    return Spots(
        rows=list(rows.items()),
        value=values.tolist(),
        grade=grade.tolist(),
        middle=middle,
        spread=spread,
        unit=track.unit if track else "",
        decimals=track.decimals if track else 0,
    )


def _of_pack(layout: PackLayout, peers: Peers, chosen: Sequence[int], cells: bool) -> Spots:
    places = layout.cells if cells else layout.sensors
    rows: dict[str, list[int]] = {}
    for i in chosen:
        rows.setdefault(places[i].module, []).append(i)
    fresh = peers.fresh
    middle = float(np.median(peers.value[fresh])) if fresh.any() else float("nan")
    limits = layout.limits
    return Spots(
        rows=list(rows.items()),
        value=peers.value.tolist(),
        grade=peers.grade.tolist(),
        middle=middle,
        spread=limits.voltage_spread_v if cells else limits.temperature_spread_k,
        unit="V" if cells else "°C",
        decimals=3 if cells else 1,
    )
