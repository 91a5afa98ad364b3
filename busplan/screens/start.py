"""Opening the screens as the user left them."""

from __future__ import annotations

import gc
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from busplan.board.desk import BoardDesk
from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.screens.board_view import BoardView
from busplan.screens.dialogs import AskScreen, HelpScreen
from busplan.screens.findings_view import FindingList
from busplan.screens.keys import keys_file, names_of, read_keys, refuse_doubles
from busplan.screens.memory import layout_file, read_layout, write_layout
from busplan.screens.messages_view import MessagesView, MessageTable
from busplan.screens.pack_view import MapSheet, PackView
from busplan.screens.sheet import Sheet
from busplan.screens.steering import Steered
from busplan.screens.workbench_screen import BenchScreen


def user_keys() -> Mapping[str, str]:
    """The user's own keys; :class:`busplan.errors.UsageError` when their file is wrong."""
    everywhere = (*Steered.BINDINGS, *ReplayApp.BINDINGS)
    screens = (
        (Sheet.BINDINGS,),
        (PackView.BINDINGS, MapSheet.BINDINGS),
        (MessagesView.BINDINGS, MessageTable.BINDINGS),
        (FindingList.BINDINGS,),
        (BoardView.BINDINGS,),
    )
    dialogs = (HelpScreen.BINDINGS, AskScreen.BINDINGS, BenchScreen.BINDINGS)
    path = keys_file()
    keys = read_keys(path, names_of(everywhere, *(b for each in screens for b in each), *dialogs))
    for each in screens:
        refuse_doubles(path, keys, everywhere, *each)
    refuse_doubles(path, keys, BenchScreen.BINDINGS)
    return keys


def keep_loaded() -> None:
    """Spare what is loaded by now from every later search for garbage.

    Nearly all of it stays; searching it took a tenth of the time of the screens.
    """
    gc.collect()
    gc.freeze()


def run_to_the_end(app: ReplayApp) -> None:
    """Run the screens until the user leaves; where they broke down, the call ends with 1, too."""
    app.run()
    if app.return_code:
        raise SystemExit(app.return_code)


def run_replay(
    replay: Replay,
    *,
    beside: Replay | None = None,
    shift_ns: int = 0,
    start_ns: int = 0,
    screen: str | None = None,
    play: bool = True,
    speed: float = 1.0,
    desk: BoardDesk | None = None,
) -> None:
    """Open the screens on a capture, as they were left last time; returns when the user leaves.

    ``beside`` is a second capture to compare with, shown ``shift_ns`` later than the first;
    ``screen`` overrides the remembered one.
    """
    path: Path = layout_file()
    layout = read_layout(path)
    keep_loaded()
    app = ReplayApp(
        replay,
        beside=beside,
        shift_ns=shift_ns,
        start_ns=start_ns,
        play=play,
        speed=speed,
        desk=desk,
        layout=replace(layout, screen=screen) if screen else layout,
        keys=user_keys(),
        keep=lambda kept: write_layout(path, kept),
    )
    run_to_the_end(app)
