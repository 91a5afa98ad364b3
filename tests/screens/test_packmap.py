"""Packs of every shape find their place; every cell and sensor can be chosen."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.van import make_replay, make_table, make_vehicle

from busplan.plan.vehicle import SensorPlace
from busplan.replay.replay import Replay
from busplan.text.pack_trend import draw_heat, draw_trend
from busplan.text.packmap import Choice, PackMap
from busplan.text.runs import text, width
from busplan.text.timeline import Window

S = 1_000_000_000

shapes = st.lists(st.lists(st.integers(1, 30), min_size=1, max_size=4), min_size=1, max_size=6)


@settings(max_examples=25)
@given(shapes, st.integers(0, 4), st.sampled_from([40, 80, 120]))
def test_everything_is_placed_once_and_within_the_screen(
    shape: list[list[int]], sensors: int, columns: int
) -> None:
    layout = make_vehicle(shape, sensors).pack
    assert layout is not None
    for density in ("values", "deviations", "marks"):
        drawn = PackMap.of(layout, columns, density)
        spots = [s for row in drawn.rows for s in row.spots]
        placed = [s.choice for s in spots]
        assert sorted(c.number for c in placed if c.kind == "cell") == list(
            range(len(layout.cells))
        )
        assert sum(c.kind == "sensor" for c in placed) == len(layout.sensors)
        assert all(s.x + s.width <= columns + 1 for s in spots)
        for row in drawn.rows:
            ends = [(s.x, s.x + s.width) for s in row.spots]
            assert all(a[1] <= b[0] for a, b in pairwise(ends))


def test_four_hundred_cells_fit_a_small_screen_as_marks() -> None:
    layout = make_vehicle([[20] * 10, [20] * 10], 1).pack
    assert layout is not None
    fitted = PackMap.fit(layout, 80, 22, None)
    assert fitted.density == "marks"
    assert len(fitted.rows) + 1 <= 22


def test_one_cell_is_a_pack_too() -> None:
    replay = make_replay([(1,)], 2.0, sensors=1)
    state = replay.snapshot(replay.span_ns).pack
    assert state is not None
    lines = PackMap.of(state.layout, 80, "values").draw(state, None)
    assert text(lines[1]).startswith("A A1 3.70")


def test_one_module_alone_is_behind_nobody() -> None:
    state = make_replay([(1,)], 2.0, sensors=1).snapshot(2_000_000_000).pack
    assert state is not None
    assert state.worst_lag is None
    heading, row = PackMap.of(state.layout, 80, "values").draw(state, None)
    assert text(heading).split() == ["[V]", "[°C]", "lag", "K"]
    assert text(row).split() == ["A", "A1", "3.701", "14.5"]


def test_cells_that_need_several_rows_share_them_equally() -> None:
    layout = make_vehicle([[14]], 2).pack
    assert layout is not None
    rows = PackMap.of(layout, 80, "values").rows
    assert [sum(s.choice.kind == "cell" for s in row.spots) for row in rows] == [7, 7]


def test_sensors_of_an_enclosure_have_their_row_and_their_line_over_time() -> None:
    vehicle = make_vehicle([[8, 8], [8, 8]], 1)
    assert vehicle.pack is not None
    places = [("A", 1), ("A", 2), ("B", 1), ("B", 2)]
    shared = tuple(
        SensorPlace(*place, sensor.address)
        for place, sensor in zip(places, vehicle.pack.sensors, strict=True)
    )
    vehicle = replace(vehicle, pack=replace(vehicle.pack, sensors=shared))
    replay = Replay.of(vehicle, make_table(vehicle, 4.0))
    state, layout = replay.snapshot(3 * S).pack, vehicle.pack
    assert state is not None
    assert layout is not None
    lines = [text(line) for line in PackMap.of(layout, 80, "values").draw(state, None)]
    assert [line.split()[0] for line in lines[1:]] == ["A", "A1", "A2", "B", "B1", "B2"]
    assert lines[1].split() == ["A", "14.5", "14.5"]
    heat = draw_heat(replay, layout, Window(0, 4 * S, None), 3 * S, 80, volts=False)
    assert [text(line).split()[0] for line in heat[1:]] == ["A", "B"]
    assert all(text(line).count("·") > 60 for line in heat[1:])
    trend = draw_trend(replay, layout, Choice("module", 0), Window(0, 4 * S, None), 0, 80, 8)
    assert "V" in text(trend[-1])


def test_a_click_and_the_arrows_find_their_cell() -> None:
    replay = make_replay()
    state = replay.snapshot(replay.span_ns).pack
    assert state is not None
    drawn = PackMap.of(state.layout, 80, "values")
    y, spot = drawn.find(Choice("cell", 5)) or (0, None)
    assert spot is not None
    assert drawn.at(spot.x, y) == Choice("cell", 5)
    assert drawn.move(Choice("cell", 5), 1, 0) == Choice("cell", 6)
    assert drawn.move(Choice("cell", 5), 0, -1) == Choice("cell", 1)
    assert drawn.move(Choice("cell", 0), -1, 0) == Choice("module", 0)
    assert drawn.move(None, 1, 0) == Choice("cell", 0)
    assert drawn.at(0, 0) is None


@pytest.mark.parametrize("density", ["values", "deviations", "marks"])
def test_the_sagging_cell_carries_its_mark_at_every_density(density: str) -> None:
    replay = make_replay()
    state = replay.snapshot(20_000_000_000).pack
    assert state is not None
    drawn = PackMap.of(state.layout, 80, density)  # type: ignore[arg-type]
    lines = drawn.draw(state, None)
    assert sum("«" in text(line) for line in lines) == 1
    assert all(width(line) <= 80 for line in lines)


def test_the_marks_on_the_map_have_their_words_first() -> None:
    replay = replace(make_replay(sag_v=0.0), set_aside=frozenset({("cell", 3)}))
    state = replay.snapshot(replay.span_ns).pack
    assert state is not None
    drawn = PackMap.of(state.layout, 80, "values")
    assert "x not believed" in text(drawn.legend(80, state))
    plain = make_replay(sag_v=0.0).snapshot(5 * S).pack
    assert plain is not None
    assert "! outside" in text(drawn.legend(80, plain))
