"""Figures for across the shop: what they are, and that they can be read from there."""

from dataclasses import replace
from math import atan, degrees

import pytest
from support.van import make_replay

from busplan.replay.asked import Asked
from busplan.replay.document import screen_dict
from busplan.replay.replay import Replay
from busplan.replay.tiles import tiles
from busplan.text.figures import HEIGHT
from busplan.text.runs import text, width
from busplan.text.shop_draw import draw_shop

S = 1_000_000_000


@pytest.fixture(scope="module")
def replay() -> Replay:
    return make_replay()


@pytest.mark.parametrize("size", [(80, 20), (120, 31), (200, 56)])
def test_everything_that_matters_fits_uncut_with_clear_gaps(
    replay: Replay, size: tuple[int, int]
) -> None:
    lines = draw_shop(replay.snapshot(20 * S), replay, *size)
    assert len(lines) <= size[1]
    assert all(width(line) <= size[0] for line in lines)
    shown = "\n".join(map(text, lines))
    assert "…" not in shown
    for what in ("lowest V  6 A2", "highest V", "! spread mV", "coldest °C  B1", "hottest °C"):
        assert what in shown
    assert "lag K  B1" in shown
    assert "fullest % pack" in shown
    assert shown.count("|") == 2  # both networks' loads with their limits
    at = next(n for n, line in enumerate(lines) if text(line).startswith("lowest"))
    figures = [text(line) for line in lines[at + 1 : at + 1 + HEIGHT]]
    second = text(lines[at]).index("highest")
    assert all(row[second - 4 : second].strip() == "" for row in figures)


def test_digits_are_high_enough_for_five_metres() -> None:
    """A laptop's screen of 14 inches (174 mm high) shows 24 rows: a digit has five of them.

    ISO 9241-303 asks for at least 16 minutes of arc and recommends 20 to 22; from memory.
    """
    height_mm = HEIGHT * 174 / 24
    assert degrees(atan(height_mm / 5000)) * 60 >= 22


def test_a_figure_out_of_its_window_is_marked_and_named_the_same_in_json(replay: Replay) -> None:
    pack = replay.vehicle.pack
    assert pack is not None
    strict = replace(pack, limits=replace(pack.limits, cell_low_v=3.65, discharge_high_c=17.0))
    hot = Replay.of(replace(replay.vehicle, pack=strict), replay.table)
    cells, heat = tiles(hot.snapshot(20 * S), hot.vehicle)
    assert [t.heading for t in cells[:2]] == ["# lowest", "highest"]
    assert [t.heading for t in heat[:2]] == ["coldest", "# hottest"]
    names = [f["name"] for f in screen_dict(Asked(hot, 20 * S), "shop")["figures"]]
    assert names[:3] == ["lowest", "highest", "spread"]
    assert hot.snapshot(20 * S).word == "CELL TOO LOW"
