"""Boards while time runs: what did not change is neither drawn nor sent again."""

import tomllib

import numpy as np
import pyte
import pytest
from rich.color import ColorSystem
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from support.pilot import S
from support.van import make_replay
from textual.strip import Strip

from busplan.board.facts import judged_boards
from busplan.board.model import Tile
from busplan.board.resolve import resolve_boards
from busplan.board.state import TileState
from busplan.plan.problems import Problems
from busplan.replay.replay import Replay
from busplan.screens.sending import ExactUpdate, change
from busplan.text.board_draw import Shown, draw_board
from busplan.text.tiles import Kept, Look
from busplan.text.tiles_over_time import Stretch

LIMIT = '[[limit]]\nsignal = "current"\ncaution_high = 60\nfault_high = 70\nback_by = 1\n'


@pytest.fixture(scope="module")
def heron() -> Replay:
    return make_replay(((4, 4), (4,)), 30.0, sag_v=0.0)


def silent(replay: Replay) -> Replay:
    """The same, but nothing came after 20 s."""
    table = replay.table
    until = np.flatnonzero(table.time_ns < table.origin_ns + 20 * S)
    return Replay.of(replay.vehicle, table.take(until), source="heron.log", until_ns=30 * S)


def test_what_is_drawn_on_is_what_is_drawn_anew(heron: Replay) -> None:
    """Whatever moments come after each other, and nothing later than the moment is ever shown."""
    moves = np.random.default_rng(3).choice([0.1, 0.1, 0.1, 0.4, 3.0, -0.3, -6.0], 30)
    tiles = [("chart", "current", 9.0), ("chart", "CellVoltage0*", 0), ("lanes", "Contactor*", 9.0)]
    tiles += [("heat", "cells", 9.0), ("chart", "current", 12.0)]
    file = LIMIT + '[[board]]\nname = "x"\n'
    for i, (show, signals, window) in enumerate(tiles):
        file += f'[[board.tile]]\nshow = "{show}"\nsignals = "{signals}"\nsize = [4, 6]\n'
        file += f"at = [{i % 3 * 4}, {i // 3 * 6}]\n" + f"window_s = {window}\n" * bool(window)
    for replay, size in ((heron, (120, 35)), (silent(heron), (90, 24))):
        boards = resolve_boards(tomllib.loads(file), Problems("b.toml", {}), replay.vehicle)
        judged, kept, t_ns = judged_boards(replay, boards), Kept(), 15 * S
        for by in moves.tolist():
            t_ns = min(max(t_ns + round(by * S), 0), 30 * S)
            state = judged.at(judged.boards.boards[0], t_ns)
            shown = Shown(judged, state, replay, replay.snapshot(t_ns))
            on, anew = (draw_board(shown, Look(t_ns, kept=k), *size) for k in (kept, Kept()))
            assert not on.differs(anew).any()


def test_a_window_stands_still_for_a_twelfth_of_its_length_and_holds_the_present() -> None:
    tile = TileState(Tile("chart", (0, 0), (4, 4), window_ns=60 * S), "", ())
    ends = set()
    for t_ns in range(70 * S, 130 * S, S // 10):
        stretch = Stretch.of(tile, None, t_ns, 600 * S, origin_ns=3 * S)
        assert stretch.b_ns - stretch.a_ns == 60 * S
        assert stretch.a_ns < t_ns <= stretch.b_ns < t_ns + 5 * S
        ends.add(stretch.b_ns)
    assert len(ends) == 13


def test_only_the_changed_columns_of_a_row_are_sent() -> None:
    """Held against pyte: a terminal that shows the update shows what Textual drew, styles too."""
    console = Console(color_system="truecolor", force_terminal=True)
    red, bold = Style.parse("#ff0000 on #000010"), Style.parse("bold #00ff00 on #000010")
    strip = Strip([Segment("aaaa", red), Segment("b世c", bold), Segment(" dd", red)])
    update = ExactUpdate([{0: strip}], [(0, 3, 7), (0, 9, 11)], [[11]])
    sent = update.render_segments(console)
    screen = pyte.Screen(11, 1)
    stream = pyte.Stream(screen)
    stream.feed(f"\x1b[1;1H{'.' * 11}{sent}")
    assert screen.display[0] == "...ab世..dd"
    assert [screen.buffer[0][x].fg for x in (3, 4, 5, 9)] == [
        "ff0000",
        "00ff00",
        "00ff00",
        "ff0000",
    ]
    assert [screen.buffer[0][x].bold for x in (3, 4, 9)] == [False, True, False]
    assert screen.buffer[0][9].bg == "000010"
    assert screen.cursor.attrs.bold is False
    assert change(red, red, ColorSystem.TRUECOLOR) == ""
    assert change(red, Style.parse("#0000ff on #000010"), ColorSystem.TRUECOLOR).count(";") == 4
