"""Keys typed on before a screen is drawn, what is put on boards, nothing told twice."""

from typing import NamedTuple

import pytest
from support.pilot import FakeNow, S, screen_text, settle
from support.van import make_replay
from textual import events
from textual.widgets import Input

from busplan.replay.pack_state import Quantity
from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.screens.dialogs import HelpScreen
from busplan.screens.sheet import Sheet
from busplan.screens.start import run_to_the_end
from busplan.text.draw import quantities
from busplan.text.runs import text


@pytest.fixture(scope="module")
def replay() -> Replay:
    return make_replay(((4, 4), (4,)), 30.0, sag_v=0.0)


class Told(NamedTuple):
    """A pack that only tells its quantities."""

    quantities: dict[str, Quantity]


def held(replay: Replay) -> ReplayApp:
    return ReplayApp(replay, start_ns=5 * S, judge=None, now=FakeNow())


async def test_a_key_typed_at_once_already_belongs_to_the_screen_just_opened(
    replay: Replay,
) -> None:
    app = held(replay)
    async with app.run_test(size=(120, 35)) as pilot:
        for key, character in (("4", "4"), ("slash", "/")):
            app.post_message(events.Key(key, character))
        await pilot.pause()
        assert app.focused is app.query_one(Input)
        await pilot.press("escape")
        for key, character in (("5", "5"), ("question_mark", "?")):
            app.post_message(events.Key(key, character))
        await pilot.pause()
        assert isinstance(app.screen, HelpScreen)
        assert "Choose above" not in screen_text(app)
        told = " ".join(text(line) for line in app.screen.query_one(Sheet).lines)
        assert "findings.up" in told
        assert "the drawing lies behind it" in " ".join(told.split())


async def test_what_is_put_on_a_full_board_gets_a_board_of_its_own(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(app, pilot)
        before = [board.name for board in app.board.judged.boards.boards]
        for _ in range(2):
            await pilot.press("4", "down", "B")
            await pilot.pause()
        names = [board.name for board in app.board.judged.boards.boards]
        assert names == [*before, "chosen"]
        assert [t.show for t in app.board.board.tiles] == ["figure", "chart"] * 2
        await pilot.press("7")
        await pilot.pause()
        assert "cell 5 A2" in screen_text(app)


async def test_all_figures_stand_once_on_a_wide_screen(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(160, 45)) as pilot:
        await settle(app, pilot)
        await pilot.press(*"tttt")
        await pilot.pause()
        assert app.pack.overlay == "figures"
        assert screen_text(app).count("load of the last second") == 1
        assert "findings" in screen_text(app)


def test_a_resistance_is_told_in_few_digits() -> None:
    told = {
        "insulation": Quantity(2_562_000.0, "Ω", True, "2562000 Ω"),
        "voltage": Quantity(375.2, "V", False, "375.2 V"),
    }
    shown = ["".join(piece for piece, _ in part) for part in quantities(Told(told))]  # type: ignore[arg-type]
    assert shown == ["insulation 2.56 MΩ~", "voltage 375.2 V"]


def test_screens_that_broke_down_do_not_end_as_if_all_were_well(
    replay: Replay, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = held(replay)
    monkeypatch.setattr(app, "run", lambda: None)
    run_to_the_end(app)
    monkeypatch.setattr(app, "_return_code", 1)
    with pytest.raises(SystemExit) as ended:
        run_to_the_end(app)
    assert ended.value.code == 1
