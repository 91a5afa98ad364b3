"""Changing a board's file as text: tiles and limits come, go and change; comments stay.

The rules of this file: text in, text out; what nobody touched keeps its place and its comments.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from busplan.board.limits import Limit
from busplan.board.model import Board, Boards, Tile
from busplan.board.quantities import taken
from busplan.board.spec import GRID, KINDS
from busplan.definitions.model import Signal
from busplan.errors import UsageError

STATES: tuple[str, ...] = ("word", "lanes")
HEAD = "# Boards of busplan: busplan manual board-file tells what may stand here.\n"


def written(boards: Boards) -> str:
    """Boards as the text of a file, with the limits that do not come from the plan."""
    document = tomlkit.parse(HEAD)
    if boards.presets:
        document["presets"] = list(boards.presets)
    limits = tomlkit.aot()
    for limit in boards.limits:
        if not limit.of_plan:
            limits.append(_limit_table(limit))
    if len(limits):
        document["limit"] = limits
    found = tomlkit.aot()
    for board in boards.boards:
        found.append(_board_table(board))
    document["board"] = found
    return tomlkit.dumps(document)


def _limit_table(limit: Limit) -> Table:
    table = tomlkit.table()
    table["signal"] = limit.subject
    made = taken(limit.subject)
    if made is not None:
        table["signal"], table["take"] = made[1], made[0]
    table[f"{limit.weight.word}_{'high' if limit.above else 'low'}"] = limit.value
    for key, value in (("back_by", limit.back_by), ("when", limit.when and str(limit.when))):
        if value is not None:
            table[key] = value
    for key, ns in (("for_s", limit.for_ns), ("clear_s", limit.clear_ns)):
        if ns is not None:
            table[key] = ns / 1e9
    if limit.settle_ns:
        table["settle_s"] = limit.settle_ns / 1e9
    return table


def _board_table(board: Board) -> Table:
    table = tomlkit.table()
    table["name"] = board.name
    if board.window_ns:
        table["window_s"] = board.window_ns / 1e9
    tiles = tomlkit.aot()
    for tile in board.tiles:
        tiles.append(_tile_table(tile))
    table["tile"] = tiles
    return table


def _tile_table(tile: Tile) -> Table:
    table = tomlkit.table()
    table["show"] = tile.show
    signals, take = _signals(tile)
    if signals:
        table["signals"] = signals
    if take:
        table["take"] = take
    table["at"], table["size"] = list(tile.at), list(tile.size)
    if tile.range is not None:
        table["range"] = list(tile.range)
    if tile.title:
        table["title"] = tile.title
    if tile.decimals is not None:
        table["decimals"] = tile.decimals
    if tile.window_ns:
        table["window_s"] = tile.window_ns / 1e9
    if tile.bad:
        table["bad"] = sorted(tile.bad)
    return table


def _signals(tile: Tile) -> tuple[list[str], str]:
    """Selectors of a tile and how they are taken together."""
    if tile.written:
        return list(tile.written), tile.take or ""
    return list(tile.subjects), ""


def _document(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except Exception as error:  # its parser has many errors; the file was sound when it was read
        raise UsageError(f"the board's file cannot be changed: {error}") from error


def _tiles(document: tomlkit.TOMLDocument, board: int) -> AoT:
    boards: Any = document["board"]
    table = boards[board]
    if "tile" not in table:
        table["tile"] = tomlkit.aot()
    found: AoT = table["tile"]
    return found


def add_tile(text: str, board: int, keys: Mapping[str, Any]) -> str:
    """A further tile at the end of a board."""
    document = _document(text)
    table = tomlkit.table()
    for key, value in keys.items():
        table[key] = value
    _tiles(document, board).append(table)
    return tomlkit.dumps(document)


def add_board(text: str, name: str) -> str:
    """A further board without tiles."""
    document = _document(text)
    table = tomlkit.table()
    table["name"] = name
    boards: Any = document["board"]
    boards.append(table)
    return tomlkit.dumps(document)


def change_tile(text: str, board: int, tile: int, keys: Mapping[str, Any]) -> str:
    """Keys of a tile set; a value of ``None`` takes its key away."""
    document = _document(text)
    table: Any = _tiles(document, board)[tile]
    for key, value in keys.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
    return tomlkit.dumps(document)


def take_off(text: str, board: int, tile: int) -> str:
    """A board without one of its tiles."""
    document = _document(text)
    tiles: Any = _tiles(document, board)
    del tiles[tile]
    return tomlkit.dumps(document)


def add_limit(text: str, keys: Mapping[str, Any]) -> str:
    """A further limit; one of the same signal, without a condition, gets the new ends instead."""
    document = _document(text)
    if "limit" not in document:
        document["limit"] = tomlkit.aot()
    limits: Any = document["limit"]
    for table in limits:
        if table.get("signal") == keys["signal"] and "when" not in table and "when" not in keys:
            for key, value in keys.items():
                table[key] = value
            return tomlkit.dumps(document)
    table = tomlkit.table()
    for key, value in keys.items():
        table[key] = value
    limits.append(table)
    return tomlkit.dumps(document)


def moved(tile: Tile, dx: int, dy: int) -> dict[str, Any]:
    """The place of a tile after a move, held on the grid."""
    x = min(max(tile.at[0] + dx, 0), GRID - tile.size[0])
    y = min(max(tile.at[1] + dy, 0), GRID - tile.size[1])
    return {"at": [x, y]}


def sized(tile: Tile, dx: int, dy: int) -> dict[str, Any]:
    """The size of a tile after a change, held on the grid."""
    columns = min(max(tile.size[0] + dx, 1), GRID - tile.at[0])
    rows = min(max(tile.size[1] + dy, 1), GRID - tile.at[1])
    return {"size": [columns, rows]}


def next_kind(tile: Tile) -> dict[str, Any]:
    """The next kind of a tile."""
    return {"show": KINDS[(KINDS.index(tile.show) + 1) % len(KINDS)]}


def usual_tiles(subjects: Sequence[str], signal: Signal | None) -> list[dict[str, Any]]:
    """The tiles that a signal gets by what it is: named values a lane, many a map, else both."""
    names = list(subjects)
    if len(names) > 4:
        return [{"show": "map", "signals": names, "size": [6, 5]}]
    if signal is not None and signal.choices:
        return [{"show": "lanes", "signals": names, "size": [6, 2]}]
    figure = {"show": "figure", "signals": names[:1], "size": [4, 4]}
    return [figure, {"show": "chart", "signals": names, "size": [6, 4]}]


ENDS = ("fault_low", "caution_low", "caution_high", "fault_high")
NUMBERS = (*ENDS, "back_by", "for_s", "clear_s", "settle_s")


def typed_limits(signal: str, text: str) -> dict[str, Any]:
    """Limits as typed, ``caution_high=60 fault_high=70 for_s=2``; ``UsageError`` when they are not.

    ``when=...`` stands last, for it holds blanks.
    """
    rest, _, when = text.partition("when=")
    keys: dict[str, Any] = {"signal": signal}
    for word in rest.split():
        name, sign, value = word.partition("=")
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if name not in NUMBERS or not sign or number != number:
            raise UsageError(f"{word!r} is none of {', '.join(f'{n}=NUMBER' for n in NUMBERS)}")
        keys[name] = number
    if when.strip():
        keys["when"] = when.strip()
    if not any(end in keys for end in ENDS):
        raise UsageError(f"one of {', '.join(ENDS)} is needed")
    return keys
