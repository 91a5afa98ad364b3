"""The application as its user drives it, with a clock of our own."""

import pytest
from support.pilot import SIZES, FakeNow, S, screen_text
from support.van import make_replay

from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.screens.pack_view import MapSheet
from busplan.screens.runs import text
from busplan.screens.sheet import Sheet


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
