"""The application as its user drives it, with a clock of our own."""

import pytest
from support.pilot import SIZES, FakeNow, S, screen_text
from support.van import make_replay
from textual.events import MouseScrollDown
from textual.scroll_view import ScrollView

from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.screens.app import ReplayApp
from busplan.screens.pack_view import MapSheet
from busplan.screens.sheet import Sheet
from busplan.text.runs import text


@pytest.fixture(scope="module")
def replay() -> Replay:
    return make_replay(gap_s=(10, 14))


async def test_keys_play_hold_step_seek_and_change_speed(replay: Replay) -> None:
    now = FakeNow()
    app = ReplayApp(replay, now=now)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("space")
        now.ns += 2 * S
        await pilot.press("plus")
        now.ns += 2 * S
        await pilot.press("space")
        assert app.clock.position_ns == 6 * S
        await pilot.press("right_square_bracket", "full_stop")
        assert app.clock.position_ns == 11 * S + S // 10
        assert "monitor_a" in screen_text(app)
        await pilot.press("end")
        assert app.clock.position_ns == replay.span_ns
        await pilot.press("home")
        assert app.clock.position_ns == 0


async def test_the_mouse_seeks_on_the_line_of_time_and_chooses_cells(replay: Replay) -> None:
    app = ReplayApp(replay, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.mouse_down("#timeline", offset=(40, 0))
        await pilot.mouse_up("#timeline", offset=(40, 0))
        assert app.clock.position_ns == pytest.approx(replay.span_ns * 40 / 79, rel=0.02)
        await pilot.click("#pack-map", offset=(6, 1))
        await pilot.pause()
        assert app.query_one(MapSheet).chosen == ("cell", 0)
        await pilot.press("right", "down")
        assert app.query_one(MapSheet).chosen == ("cell", 5)


async def test_a_click_opens_a_screen_and_a_double_click_goes_to_a_finding(replay: Replay) -> None:
    found = replay.with_findings(watch(replay.lines, replay.span_ns))
    app = ReplayApp(found, judge=None, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        tabs = screen_text(app).split("\n")[0]
        await pilot.click("#heading", offset=(tabs.index("5 Finds") + 2, 0))
        await pilot.pause()
        assert app.view.title == "Findings"
        await pilot.click("#findings-list", offset=(5, 0), times=2)
        await pilot.pause()
        assert app.clock.position_ns == found.findings[0].where.time_ns
        await pilot.click("#heading", offset=(tabs.index("4 Msgs") + 2, 0))
        await pilot.pause()
        await pilot.click("#messages-table", offset=(5, 3))
        assert app.messages.table.chosen == 3


@pytest.mark.parametrize("size", SIZES)
async def test_every_size_shows_the_same_facts(replay: Replay, size: tuple[int, int]) -> None:
    app = ReplayApp(replay, start_ns=20 * S, now=FakeNow())
    async with app.run_test(size=size) as pilot:
        await pilot.pause(0.05)
        shown = screen_text(app)
        for fact in ("Heron (invented)", "CELLS UNEVEN", "3.636", "62 mV", "thermal", "HELD"):
            assert fact in shown
        assert "High voltage can kill" in shown


def test_a_sheet_repaints_only_what_changed() -> None:
    sheet = Sheet()
    sheet.show([[("a", "plain")]])
    assert [text(line) for line in sheet.lines] == ["a"]


async def test_a_click_on_a_signal_chooses_it(replay: Replay) -> None:
    app = ReplayApp(replay, start_ns=20 * S, now=FakeNow())
    async with app.run_test(size=(120, 35)) as pilot:
        await pilot.press("4")
        await pilot.pause()
        table = app.messages.table
        at = screen_text(app).split("\n")
        y = next(n for n, line in enumerate(at) if line.startswith("pack/battery_master/")) + 1
        await pilot.click(offset=(at[y].index("ContactorState") + 3, y))
        await pilot.pause()
        assert table.signal == 1
        await pilot.press("p")
        assert [address.signal for address in table.pinned] == ["ContactorState"]


async def test_enter_shows_what_is_chosen_over_time_and_the_map_again(replay: Replay) -> None:
    app = ReplayApp(replay, start_ns=20 * S, judge=None, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("right", "down", "right")
        await pilot.pause()
        assert "cell 6 (A2)  3.636 V«" in screen_text(app)
        assert "far below peers" in screen_text(app)
        await pilot.press("enter")
        await pilot.pause()
        assert "█ cell 6 (A2) 3.636 V  ─ median" in screen_text(app)
        await pilot.press("enter")
        await pilot.pause()
        assert "cells [V]" in screen_text(app)
        await pilot.press("left")
        await pilot.pause()
        assert "cell 5 (A2)" in screen_text(app)


@pytest.mark.parametrize("beside", [None, "same"])
async def test_help_lists_the_keys_that_work_and_no_others(
    replay: Replay, beside: str | None
) -> None:
    app = ReplayApp(replay, beside=replay if beside else None, now=FakeNow())
    async with app.run_test(size=(200, 80)) as pilot:
        await pilot.pause()
        assert "plays  1-" in screen_text(app)
        await pilot.press("question_mark")
        await pilot.pause()
        shown = screen_text(app)
        assert "Open Messages" in shown
        assert "ctrl+p" in shown
        assert ("Other capture" in shown) == bool(beside)
        assert ("Open Pair" in shown) == bool(beside)
        assert "Screen 8" not in shown


async def test_a_filter_that_finds_nothing_says_so_and_how_to_go_on(replay: Replay) -> None:
    app = ReplayApp(replay, start_ns=20 * S, judge=None, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("4", "slash", *"zzz")
        await pilot.pause()
        assert "no message holds all of these words; escape" in screen_text(app)
        await pilot.press("escape")
        await pilot.pause()
        assert "PackStatus" in screen_text(app)


@pytest.mark.parametrize("size", [(50, 14), (12, 5)])
async def test_a_tiny_terminal_shows_less_but_nothing_breaks(
    replay: Replay, size: tuple[int, int]
) -> None:
    app = ReplayApp(replay, beside=replay, start_ns=20 * S, judge=None, now=FakeNow())
    async with app.run_test(size=size) as pilot:
        for key in (*"12345678", "question_mark", "escape", "t", "v", "down", "enter"):
            await pilot.press(key)
            await pilot.pause()
        await pilot.resize_terminal(120, 35)
        await pilot.pause()
        assert "CELLS UNEVEN" in screen_text(app)


async def test_the_heading_says_which_of_two_captures_is_shown(replay: Replay) -> None:
    app = ReplayApp(replay, beside=make_replay(), judge=None, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert screen_text(app).startswith("1 Heron (invented)")
        await pilot.press("o")
        await pilot.pause()
        assert screen_text(app).startswith("2 Heron (invented)")


async def test_the_wheel_scrolls_what_is_longer_than_the_screen() -> None:
    giant = make_replay([[20] * 10, [20] * 10], 1.0)
    app = ReplayApp(giant, judge=None, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        for key, name in (("1", "#pack-map"), ("4", "#messages-table")):
            await pilot.press(key)
            await pilot.pause()
            await pilot._post_mouse_events([MouseScrollDown], name, offset=(3, 3))
            await pilot.pause()
            assert app.query_one(name, ScrollView).scroll_offset.y > 0
