"""What no screen may do at any size, however its text changes.

The demo's van stands for a real one here (six networks, 96 cells), a made pack for a giant one.
"""

from pathlib import Path

import pytest
from support.opened import open_replay
from support.pilot import SIZES, FakeNow, S, screen_text, settle
from support.van import make_replay
from textual.pilot import Pilot

from busplan.findings import Finding, Weight, Where
from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.screens.bars import TimeLine
from busplan.screens.findings_view import FindingList
from busplan.screens.messages_view import MessageTable
from busplan.screens.pack_view import MapSheet
from busplan.screens.sheet import Sheet
from busplan.text.packmap import Choice
from busplan.text.runs import text, width
from busplan.wording import CAUTIONS

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def demo() -> Replay:
    return open_replay(ROOT / "captures/warm_up_short.log.gz", ROOT / "dbc_examples/as_bought.toml")


@pytest.fixture(scope="module")
def giant() -> Replay:
    """400 cells, over a hundred messages, 90 findings."""
    many = [
        Finding("frame-late", Weight.NOTE, Where(time_ns=n * S // 100), f"Number {n}.")
        for n in range(90)
    ]
    return make_replay([[20] * 10, [20] * 10], 0.5, findings=many)


def assert_all_fits(app: ReplayApp) -> None:
    columns, rows = app.size
    shown = screen_text(app).split("\n")
    assert len(shown) == rows
    assert max(map(len, shown)) <= columns
    assert shown[-1] == (CAUTIONS[0] if columns >= len(CAUTIONS[0]) else CAUTIONS[1])
    for number, view in enumerate(app.views, 1):
        names = {f" {number} {view.title} ", f" {number} {view.short}"}
        assert any(name in shown[0] + " " for name in names), shown[0]
    for sheet in app.query(Sheet):
        if sheet.is_on_screen:
            room = sheet.scrollable_content_region.width
            too_wide = [text(line) for line in sheet.lines if width(line) > room]
            assert not too_wide, f"{app.view.title}, {sheet.id}: wider than {room}"


@pytest.mark.parametrize("size", SIZES)
async def test_no_screen_cuts_a_line_or_hides_the_caution(
    demo: Replay, size: tuple[int, int]
) -> None:
    app = ReplayApp(demo, beside=demo, start_ns=10 * S, now=FakeNow())
    async with app.run_test(size=size) as pilot:
        await settle(app, pilot)
        for number in range(1, len(app.views) + 1):
            await pilot.press(str(number))
            await pilot.pause()
            assert app.view is app.views[number - 1]
            assert_all_fits(app)
        await pilot.press("1", "a", "]", "b", "plus", "f", "space")
        for _ in range(4):
            await pilot.press("t")
            await pilot.pause()
            assert_all_fits(app)
        assert "x2" in text(app.query_one(TimeLine).lines[1])


@pytest.mark.parametrize("columns", [24, 40, 50])
async def test_a_very_narrow_screen_still_names_the_danger_and_the_way_out(
    demo: Replay, columns: int
) -> None:
    app = ReplayApp(demo, judge=None, now=FakeNow())
    async with app.run_test(size=(columns, 12)) as pilot:
        await pilot.pause()
        assert app.query_one(MapSheet).size.height >= 4
        await pilot.press("3")
        await pilot.pause()
        shown = screen_text(app).split("\n")
        assert shown[-1].startswith("High voltage can kill.")
        assert "…" not in shown[-1]
        if columns >= 40:
            assert shown[-1].endswith("? help  q quit") or shown[-2].endswith("? help  q quit")
            assert "3 Nets" in shown[0]
            assert shown[0].endswith("7") or shown[0].endswith("7 Shop")


@pytest.mark.parametrize("size", [SIZES[0], SIZES[-1]])
async def test_what_is_chosen_stays_in_sight(giant: Replay, size: tuple[int, int]) -> None:
    app = ReplayApp(giant, judge=None, now=FakeNow())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        sheet = app.query_one(MapSheet)
        for density in ("values", "deviations", "marks"):
            await pilot.press("v")
            for choice in (Choice("cell", 399), Choice("cell", 0), Choice("sensor", 39)):
                sheet.choose(choice)
                await pilot.pause()
                assert sheet.map
                assert sheet.map.density == density
                found = sheet.map.find(choice)
                assert found
                assert 0 <= found[0] - sheet.scroll_offset.y < sheet.size.height
        await pilot.press("4")
        await page_through(pilot, app.query_one(MessageTable), len(giant.lines.lines))
        await pilot.press("5")
        await page_through(pilot, app.query_one(FindingList), len(giant.findings))


async def page_through(pilot: Pilot[None], listed: MessageTable | FindingList, count: int) -> None:
    """Go to the end of a list and back, looking whether the chosen line is visible."""
    for by, last in ((count, count - 1), (-1, count - 2), (-count, 0), (1, 1)):
        listed.action_move(by)
        await pilot.pause()
        assert listed.chosen == last
        assert 0 <= listed.chosen - listed.scroll_offset.y < listed.size.height
