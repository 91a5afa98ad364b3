"""Every screen as text at three sizes, time standing still.

The kept screens are one file each in ``__snapshots__``. After a change that is meant, look at the
difference of ``pytest tests/screens/test_snapshots.py --snapshot-update`` before committing it.
What a screen must never do is asserted beside them, where an update cannot wave it through.
"""

import asyncio
from typing import Any

import pytest
from support.pilot import SIZES, FakeNow, S, screen_text, settle
from support.van import make_replay
from syrupy.assertion import SnapshotAssertion
from syrupy.extensions.single_file import SingleFileSnapshotExtension, WriteMode

from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.screens.app import ReplayApp

SCREENS = ("pack", "verdict", "networks", "messages", "findings", "span", "board")
ALL = (*SCREENS, "pair", "help", "go-to")


class TextFile(SingleFileSnapshotExtension):
    """One plain text file a screen and size."""

    _write_mode = WriteMode.TEXT
    file_extension = "txt"


def van(**more: Any) -> Replay:
    plain = make_replay(**more)
    return plain.with_findings(watch(plain.lines, plain.span_ns))


async def shots_of(size: tuple[int, int]) -> dict[str, str]:
    """Every screen at one size: a van whose monitor fell silent, 20 s into its capture."""
    shown = {}
    app = ReplayApp(van(gap_s=(10, 14)), start_ns=20 * S, now=FakeNow())
    async with app.run_test(size=size) as pilot:
        await settle(app, pilot)
        for number, screen in enumerate(SCREENS, 1):
            await pilot.press(str(number))
            await pilot.pause()
            shown[screen] = screen_text(app)
        await pilot.press("1", "question_mark")
        await pilot.pause()
        shown["help"] = screen_text(app)
        await pilot.press("escape", "g")
        await pilot.pause()
        shown["go-to"] = screen_text(app)
    repaired = van(sag_v=0.0)
    app = ReplayApp(van(gap_s=(10, 14)), beside=repaired, start_ns=20 * S, now=FakeNow())
    async with app.run_test(size=size) as pilot:
        await settle(app, pilot)
        await pilot.press("8")
        await pilot.pause()
        shown["pair"] = screen_text(app)
    return shown


@pytest.fixture(scope="module")
def shots() -> dict[tuple[int, int], dict[str, str]]:
    return {size: asyncio.run(shots_of(size)) for size in SIZES}


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("screen", ALL)
def test_screen(
    shots: dict[tuple[int, int], dict[str, str]],
    screen: str,
    size: tuple[int, int],
    snapshot: SnapshotAssertion,
) -> None:
    assert shots[size][screen] + "\n" == snapshot(extension_class=TextFile)
