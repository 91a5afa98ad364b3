"""The board of a capture that nobody made one for: what matters of a pack, else what moves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from busplan.board.model import Board, Boards, Tile
from busplan.board.quantities import LOAD
from busplan.board.resolve import limits_of_plan
from busplan.board.spec import Kind
from busplan.replay.replay import Replay
from busplan.replay.track import AT_ONCE

LOOK_NS = 600_000_000_000
"""How far back the charts of an automatic board look: ten minutes."""
MOST_LOOKED_AT = 400
"""Frames of a message in which a moving signal is looked for."""
SECOND = (
    *("link_voltage", "insulation", "state_of_charge", "dcdc_output_voltage"),
    *("inlet_temperature", "outlet_temperature", "charger_current", "voltage"),
)
"""Quantities of the second board, in this order."""


def automatic(replay: Replay) -> Boards:
    """Boards for what a capture holds, with the limits that the plan states."""
    layout = replay.vehicle.pack
    sources = replay.sources
    with_pack = (
        layout is not None
        and sources is not None
        and (sources.cells.in_capture or sources.sensors.in_capture)
    )
    boards = tuple(_of_pack(replay)) if with_pack else (_without_pack(replay),)
    return Boards(boards, limits_of_plan(replay.vehicle))


def _heard(replay: Replay, names: Iterable[str]) -> list[str]:
    """Those of the pack's quantities that come in this capture, as full names."""
    layout = replay.vehicle.pack
    assert layout is not None
    found = []
    for name in names:
        address = layout.quantities.get(name)
        line = None if address is None else replay.line_of(address)
        if line is not None and line.k >= 0:
            found.append(str(address))
    return found


def _of_pack(replay: Replay) -> Iterator[Board]:
    layout, sources = replay.vehicle.pack, replay.sources
    assert layout is not None
    assert sources is not None
    cells = bool(layout.cells) and sources.cells.in_capture
    heat = bool(layout.sensors) and sources.sensors.in_capture
    current = _heard(replay, ["current"])
    figures: list[tuple[str, ...]] = []
    if current:
        figures.append((current[0],))
    if cells:
        figures += [("lowest of cells",)]
    if heat:
        figures += [("highest of sensors",)]
    spare: list[tuple[str, ...]] = []
    if cells:
        spare += [("spread of cells",), ("highest of cells",)]
    if heat:
        spare += [("spread of sensors",), ("lowest of sensors",)]
    while len(figures) < 3 and spare:
        figures.append(spare.pop(0))
    tiles = [Tile("figure", (4 * i, 0), (4, 4), subjects) for i, subjects in enumerate(figures[:3])]
    ends: tuple[str, ...] = ()
    if cells:
        ends = ("lowest of cells", "highest of cells")
    elif heat:
        ends = ("lowest of sensors", "highest of sensors")
    tiles.append(Tile("chart", (0, 4), (6, 4), tuple(current) or ends, window_ns=LOOK_NS))
    members = layout.cells if cells else layout.sensors
    tiles.append(Tile("map", (6, 4), (6, 6), tuple(str(m.address) for m in members)))
    heats = (
        *(("lowest of sensors", "highest of sensors") if heat else ends),
        *_heard(replay, ["inlet_temperature", "outlet_temperature"]),
    )
    tiles.append(Tile("chart", (0, 8), (6, 4), heats[:4], window_ns=LOOK_NS))
    states = _states(replay)
    contactors = _heard(replay, ["contactor_state"])
    lanes = tuple(dict.fromkeys([*contactors, *states]))[:3]
    if lanes and contactors:
        tiles.append(Tile("lanes", (6, 10), (4, 2), lanes, window_ns=LOOK_NS))
        tiles.append(Tile("word", (10, 10), (2, 2), tuple(contactors)))
    elif lanes:
        tiles.append(Tile("lanes", (6, 10), (6, 2), lanes, window_ns=LOOK_NS))
    else:
        tiles.append(Tile("alarms", (6, 10), (6, 2)))
    yield Board("pack", tuple(tiles), LOOK_NS)
    yield _more_of_pack(replay, cells, heat)


def _more_of_pack(replay: Replay, cells: bool, heat: bool) -> Board:
    """Spreads, what surrounds the pack, loads, alarms and notes."""
    subjects = [
        *(["spread of cells"] if cells else []),
        *(["spread of sensors", "lowest of sensors"] if heat else []),
        *_heard(replay, SECOND),
    ]
    tiles = [
        Tile("figure", (3 * (i % 4), 3 * (i // 4)), (3, 3), (subject,))
        for i, subject in enumerate(subjects[:8])
    ]
    loads = _loads(replay)
    for i, subject in enumerate(loads[:6]):
        tiles.append(Tile("bar", (6 * (i % 2), 6 + i // 2), (6, 1), (subject,)))
    tiles.append(Tile("alarms", (0, 9), (6, 3)))
    tiles.append(Tile("notes", (6, 9), (6, 3)))
    return Board("around", tuple(tiles), LOOK_NS)


def _loads(replay: Replay) -> list[str]:
    return [f"{LOAD}{name}" for name in replay.vehicle.networks if name in replay.traffic.recorded]


def _without_pack(replay: Replay) -> Board:
    """Loads of the networks, and the signals that move most."""
    loads = _loads(replay)[:6]
    rows = 2 if len(loads) <= 3 else 1
    each = 12 // max(min(len(loads), 3), 1)
    tiles = [
        Tile("bar", (each * (i % 3), rows * (i // 3)), (each, rows), (subject,))
        for i, subject in enumerate(loads)
    ]
    moving = liveliest(replay, 9)
    kind: Kind = "figure"
    for i, subject in enumerate(moving[:3]):
        tiles.append(Tile(kind, (4 * i, 2), (4, 4), (subject,)))
    for i, subject in enumerate(moving[:3]):
        tiles.append(Tile("chart", (0, 6 + 2 * i), (8, 2), (subject,), window_ns=LOOK_NS))
    for i, subject in enumerate(moving[3:6]):
        tiles.append(Tile(kind, (8, 6 + 2 * i), (4, 2), (subject,)))
    if not moving:
        tiles.append(Tile("chart", (0, 2), (12, 7), tuple(loads[:4]), window_ns=LOOK_NS))
        tiles.append(Tile("alarms", (0, 9), (6, 3)))
        tiles.append(Tile("notes", (6, 9), (6, 3)))
    return Board("networks", tuple(tiles), LOOK_NS)


def _states(replay: Replay) -> list[str]:
    """Signals with named values that change, those of the pack's own network first."""
    layout = replay.vehicle.pack
    mapped = {a.signal for a in layout.quantities.values()} if layout else set()
    found: dict[str, str] = {}
    for line in replay.lines.lines:
        if line.message is None or line.k < 0 or len(line.streams) != 1:
            continue
        for signal in line.message.signals:
            if signal.choices and signal.name.endswith("State") and signal.name not in mapped:
                found.setdefault(signal.name, str(line.streams[0].address(signal.name)))
    return sorted(found.values())[:12]


def liveliest(replay: Replay, most: int) -> list[str]:
    """Full names of the signals that take the most different values, none of one message twice."""
    scored: list[tuple[float, str]] = []
    for line in replay.lines.lines:
        if line.message is None or line.k < 0 or len(line.streams) != 1:
            continue
        here = replay.index.slice_of(line.k)
        if here.stop - here.start < 3:
            continue
        at = np.unique(
            np.linspace(here.start, here.stop - 1, min(here.stop - here.start, MOST_LOOKED_AT))
        ).astype(np.int64)
        best = _best(replay, line.k, at, line.streams[0].message.name)
        if best is not None:
            scored.append((best[0], str(line.streams[0].address(best[1]))))
    scored.sort(key=lambda s: (-s[0], s[1]))
    return [name for _, name in scored[:most]]


def _best(replay: Replay, k: int, at: np.ndarray, name: str) -> tuple[float, str] | None:
    """The signal of a message that moves most without jumping about, and how much it does."""
    from busplan.decode.codec import decode_message

    key = replay.index.keys[k]
    message = replay.lines.lines[replay.lines.number[key]].message
    assert message is not None
    assert message.name == name
    decoded = decode_message(*replay.index.messages.pick(replay.index.rows[at]), message)
    best: tuple[float, str] | None = None
    for signal in message.signals:
        if signal.choices or signal.selects or signal.length < 4 or not signal.unit:
            continue
        column = decoded.signals[signal.name]
        values = np.asarray(column.values[column.present], np.float64)
        if len(values) < 3 or (signal.unit == "s" and (np.diff(values) >= 0).all()):
            continue  # a clock moves most and says least
        score = float(len(np.unique(values)))
        if best is None or score > best[0]:
            best = (score, signal.name)
    return best if best is not None and best[0] > 2 else None


def subjects_of(boards: Sequence[Board]) -> tuple[str, ...]:
    """Everything that some boards show."""
    return tuple(dict.fromkeys(s for b in boards for t in b.tiles for s in t.subjects))


def quick(replay: Replay) -> bool:
    """Whether all alarms can be worked out while the screens are drawn."""
    return len(replay.table) <= AT_ONCE
