"""The screen of a fleet: browsed with keys, down to the capture that is to be replayed."""

import re
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from deltalake import write_deltalake
from support import made_rows
from support.command import busplan
from support.pilot import screen_text

from busplan.fleet.browsing import Shelf
from busplan.fleet.catalogue import Fleet
from busplan.fleet.reply import Curve, Drawing, Reply
from busplan.screens.fleet_app import FleetApp, Wanted
from busplan.text.fleet_draw import draw_years


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shelf]:
    fleet = Fleet.at(str(tmp_path_factory.mktemp("made")), make=True)
    for number, drift in enumerate(({5: 0.55}, {})):
        table = made_rows.judgements(f"van-{number + 1}", 40, number, drift=drift)
        write_deltalake(fleet.judgements.uri, table, mode="append")
    file = {"uri": "/made", "size": 1, "changed_ns": 0, "sha256": "", "offset_ns": None}
    known = [made_rows.capture_row(f"van-{n}") | {"files": [file]} for n in (1, 2)]
    fleet.captures.add(known)
    made = Shelf(fleet)
    yield made
    made.close()


@pytest.mark.parametrize("size", [(80, 24), (160, 45)])
async def test_keys_lead_from_a_vehicle_to_a_moment(shelf: Shelf, size: tuple[int, int]) -> None:
    app = FleetApp(shelf)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        shown = screen_text(app)
        assert "High voltage can kill" in shown
        assert "▸ van-1" in shown
        assert "cell 1 of van-1" in shown
        await pilot.press("enter", *["right"] * 3, *["left"] * 3, *["right"] * 4, "down")
        await pilot.pause()
        shown = screen_text(app)
        assert "cell 5 of van-1: resistance over the middle cell's" in shown
        assert "a year, between" in shown
        assert shown.count("●") > 20
        newest = shelf.captures("van-1")
        assert newest[0].start_ns > newest[1].start_ns
        await pilot.press("f")
        await pilot.pause()
        assert "no capture asked for tells" in screen_text(app)
        await pilot.press("escape", "down", "f", "f")
        await pilot.pause()
        assert "▸ van-2" in screen_text(app)
        await pilot.press("enter", "end", "enter")
        await pilot.pause()
    told = app.return_value
    assert isinstance(told, Wanted)
    assert told.capture == shelf.captures("van-2")[-1]
    assert (told.spot.vehicle, told.spot.capture, told.spot.cell) == ("van-2", 39, 5)
    again = FleetApp(shelf, told.spot)
    async with again.run_test(size=size) as pilot:
        await pilot.pause()
        assert again.capture == 39
        assert "cell 5 of van-2" in screen_text(again)
        await pilot.press("q")
    assert again.return_value is None


async def test_a_curve_is_told_whole_and_fills_its_half_after_a_resize(shelf: Shelf) -> None:
    app = FleetApp(shelf, told="/made/one.log: cannot be read [any more]")
    async with app.run_test(size=(40, 16)) as pilot:
        await pilot.pause()
        await pilot.pause()
        assert [n.message for n in app._notifications] == [app.told]
        shown = " ".join(" ".join(line[0][0] for line in app.query_one("#years").shown).split())  # type: ignore[attr-defined]
        assert "a year, between" in shown
        assert "q quit" in screen_text(app)
        for columns, rows in ((100, 40), (80, 24)):
            await pilot.resize_terminal(columns, rows)
            await pilot.pause()
            await pilot.pause()
            years = app.query_one("#years")
            assert len(years.shown) == years.size.height  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("days", "under"),
    [
        (1000.0, ["2023-11-14", "2024-07-21", "2025-03-28", "2025-12-03"]),
        (1.0, ["11-14 22:13", "11-15 04:13", "11-15 10:13", "11-15 16:13"]),
        (1e-5, ["11-14 22:13"]),
    ],
)
def test_no_date_stands_twice_below_a_curve(days: float, under: list[str]) -> None:
    # Days of the calendar; the times are those of the made rows' first capture and after, UTC.
    time_ns = made_rows.START_NS + np.array([0, round(days * made_rows.DAY_NS)])
    curve = Curve("cell 1", time_ns, np.array([1.0, 2.0]))
    told = Reply("", None, ("",), drawing=Drawing("curves", "it [%]", [curve]))
    lines = draw_years(told, "", None, 9 + 57, 10)
    last = "".join(text for text, _ in lines[-1])
    assert re.split(r"\s{2,}", last.strip()) == ["[%]", *under]


async def test_an_empty_fleet_says_what_to_do(tmp_path: Path) -> None:
    shelf = Shelf(Fleet.at(str(tmp_path), make=True))
    app = FleetApp(shelf)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter", "down", "right", "escape")
        await pilot.pause()
        assert "busplan fleet judge" in screen_text(app)
    shelf.close()
    told = busplan("fleet", "browse", "--fleet", tmp_path)
    assert told.code == 3
    assert "browse needs a terminal" in told.err


def test_a_capture_judged_by_older_rules_is_opened_and_a_forgotten_one_is_not(shelf: Shelf) -> None:
    newest, older = shelf.captures("van-1")[:2]
    name = newest.uri.removeprefix("/made/").removesuffix(".log")
    (row,) = (r for r in shelf.fleet.captures.rows().to_pylist() if r["vehicle"] == "van-1")
    row |= {"entry": "another", "capture_id": sha256(name.encode()).hexdigest()}
    shelf.fleet.captures.add([row])
    task = shelf.task(newest.run_key)
    assert task is not None
    assert task.run_key != newest.run_key  # as it would be judged now
    assert task.capture_id == row["capture_id"]
    assert shelf.task(older.run_key) is None
