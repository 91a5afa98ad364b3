"""The workbench as a screen: reached from any message and worked by keys."""

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.pilot import FakeNow, S, screen_text, settle
from support.van import make_replay
from textual.widgets import Input

from busplan.frames.identifier import FrameKey
from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.screens.workbench_screen import BenchScreen
from busplan.traffic.workbench import Field


async def test_fields_are_chosen_by_keys_held_against_a_signal_and_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    heron, other = make_replay(seconds=10.0), make_replay(seconds=10.0, sag_v=0.03)
    app = ReplayApp(heron, beside=other, judge=None, start_ns=5 * S, now=FakeNow())
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(app, pilot)
        await pilot.press("4", "enter")
        await pilot.pause()
        assert isinstance(app.screen, BenchScreen)
        await pilot.press("escape")
        app.look_into(key(heron, 0x1700))
        await pilot.pause(0.2)
        screen = app.screen
        assert isinstance(screen, BenchScreen)
        first = screen.field
        assert (first, screen.second is not None) == (Field(0, 16, signed=True), True)
        shown = screen_text(app)
        assert "signals of the definition" in shown
        assert re.search(r"bit 0, 16 bits little-endian signed  raw -?\d+ to \d+", shown)
        await pilot.press("down", "left", "shift+right", "o", "s")
        assert screen.field == first.moved(9).sized(1).turned().__class__(15, 17, True, False)
        await pilot.press("up", "up", "up")
        assert screen.field.start == 7, "above the first byte there is none"
        await pilot.press("k")
        app.screen.query_one(Input).value = "CellVoltage*"
        await pilot.press("enter")
        await pilot.pause()
        assert screen.known is None, "many signals are none"
        await pilot.press("k")
        app.screen.query_one(Input).value = "PackCurrent"
        await pilot.press("enter")
        for _ in range(400):
            await pilot.pause(0.02)
            if screen.known and screen.known.held:
                break
        held = screen.known.held if screen.known else None
        assert held is not None
        true = Field(0, 16)  # in ten seconds its sign did not move
        assert true in [fit.field for fit in held.fits]
        assert not held.found, "in ten seconds nothing turned six times"
        shown = screen_text(app)
        assert "not found: the known signal turned" in " ".join(shown.split())
        while screen.field != true:
            await pilot.press("n")
        assert "r = 1.0000, × 0.1" in screen_text(app)
        await pilot.press("w", "enter")
        await pilot.pause()
        (path,) = tmp_path.iterdir()
        await pilot.press("w", "enter")
        await pilot.pause()
        assert path.name == "guessed_0x00001700.toml"
        await pilot.press("escape")
        assert app.screen is app.screen_stack[0]
    text = path.read_text()
    assert "Guessed by busplan" in text
    (message,) = tomllib.loads(text)["part"]["part_name"]["message"]
    assert message["confidence"] <= 0.5


def key(replay: Replay, identifier: int) -> FrameKey:
    return next(k for k in replay.index.messages.groups if k.identifier == identifier)


async def test_a_message_that_nobody_defines_and_one_without_frames() -> None:
    heron = make_replay(seconds=4.0)
    bare = Replay.of(replace(heron.vehicle, streams=()), heron.table, source="heron.log")
    app = ReplayApp(bare, judge=None, start_ns=2 * S, now=FakeNow())
    async with app.run_test(size=(80, 24), notifications=True) as pilot:
        await settle(app, pilot)
        app.look_into(key(bare, 0x1700))
        await pilot.pause(0.2)
        shown = screen_text(app)
        assert "not defined" in shown
        assert "fields that look like a number" in shown
        assert "High voltage can kill" in shown
        await pilot.press("question_mark")
        await pilot.pause()
        assert "Held against a known signal" in screen_text(app)
        await pilot.press("escape", "escape")
        app.look_into(key(bare, 0x1700)._replace(identifier=0x1701))
        await pilot.pause()
        assert app.screen is app.screen_stack[0]
        assert re.search(r"no frame of pack/0x0*1701 has\b", screen_text(app))


@given(st.integers(0, 7), st.integers(1, 4), st.booleans())
def test_whole_bytes_read_in_the_other_order_are_the_same_bytes(
    first: int, count: int, signed: bool
) -> None:
    field = Field(8 * first, 8 * count, signed=signed)
    turned = field.turned()
    assert turned.big_endian
    assert set(turned.bits()) == set(field.bits())
    assert turned.turned() == field
