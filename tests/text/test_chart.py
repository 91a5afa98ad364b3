"""Curves over time: no spike is lost, gaps stay gaps, columns stand still, ticks are round."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.findings import Weight
from busplan.replay.pyramid import BLOCK, Pyramid
from busplan.replay.track import Columns, Track
from busplan.text.canvas import Canvas
from busplan.text.chart import HATCH, Chart, Curve, Flag, LimitLine, chart_lines, draw_chart
from busplan.text.dots import DRAWINGS, SHAPES, Pen, sample_card, to_cells
from busplan.text.runs import text
from busplan.text.ticks import LEAST_APART, nice_step, round_scale, time_step_ns, value_ticks

S = 1_000_000_000
MARKS = "▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"


def track(seconds: list[float], values: list[float], allowed_s: float = 2.0) -> Track:
    times = np.array([round(t * S) for t in seconds], np.int64)
    return Track("Speed", "rpm", times, np.array(values, float), allowed_s * S)


def plain_extremes(value: np.ndarray, first: int, last: int) -> tuple[float, float]:
    seen = [v for v in value[first:last].tolist() if v == v]
    return (min(seen), max(seen)) if seen else (np.nan, np.nan)


@settings(max_examples=60)
@given(st.data())
def test_the_pyramid_says_what_a_plain_loop_says(data) -> None:
    n = data.draw(st.sampled_from([0, 1, BLOCK, BLOCK + 1, 5 * BLOCK, BLOCK * BLOCK + 7, 9999]))
    value = np.random.default_rng(n).normal(size=n)
    value[:: data.draw(st.integers(2, 90))] = np.nan
    ends = st.integers(0, n)
    cuts = [sorted((data.draw(ends), data.draw(ends))) for _ in range(8)]
    first, last = (np.array(c, np.int64) for c in zip(*cuts, strict=True))
    low, high = Pyramid(value).extremes(first, last)
    for i, (a, b) in enumerate(cuts):
        np.testing.assert_equal((low[i], high[i]), plain_extremes(value, a, b))


@settings(max_examples=40)
@given(st.integers(0, 35_999), st.integers(10, 400))
def test_one_sample_of_an_hour_is_in_its_column(at: int, count: int) -> None:
    """10 ms in an hour at ten values a second, wherever it is and however few columns there are."""
    value = np.full(36_000, 20.0)
    value[at] = 99.0
    long = Track("T", "", np.arange(36_000, dtype=np.int64) * (S // 10), value, 0.25 * S)
    columns = Columns.over(0, 3600 * S, count)
    low, high = long.lowest_highest(columns)
    hit = columns.column(at * (S // 10))
    assert high[hit] == 99.0
    later = high[hit + 1 : hit + 2]
    assert (np.flatnonzero(high == 99.0) >= hit).all()
    assert (high == 99.0).sum() <= 1 + len(later)
    assert np.nanmin(low) == 20.0


@given(st.integers(0, 35_999), st.sampled_from(DRAWINGS))
@settings(max_examples=40)
def test_such_a_spike_reaches_the_top_of_the_drawing(at: int, drawing) -> None:
    value = np.full(36_000, 20.0)
    value[at] = 99.0
    long = Track("T", "", np.arange(36_000, dtype=np.int64) * (S // 10), value, 0.25 * S)
    pen = Pen(drawing)
    columns = Columns.over(0, 3600 * S, 60 * pen.shape.wide)
    low, high = long.lowest_highest(columns)
    chart = Chart([Curve(low, high, "trace")], columns, (20.0, 99.0), 3600 * S, pen=pen)
    canvas = draw_chart(chart, 6)
    top = "".join(canvas.piece[0, -60:])
    drawn = [x for x, c in enumerate(top) if c in set(SHAPES[drawing].glyphs[1:].tolist())]
    assert columns.column(at * (S // 10)) // pen.shape.wide in drawn
    assert len(drawn) <= 2


def test_a_column_begins_with_what_held_and_a_gap_stays_open() -> None:
    t = track([0, 1, 2, 10, 11], [5, 5, 9, 4, 4])
    low, high = t.lowest_highest(Columns(0, S, 13))
    assert list(zip(low[:5], high[:5], strict=True)) == [(5, 5), (5, 5), (5, 9), (9, 9), (9, 9)]
    assert np.isnan(low[5:10]).all()
    assert (low[10], high[10], high[11]) == (4, 4, 4)
    chart = Chart(
        [Curve(low, high, "trace")], Columns(0, S, 12), (4.0, 9.0), 12 * S, pen=Pen("half")
    )
    rows = [text(line).partition("│")[2].ljust(12) for line in chart_lines(chart, 5)][:4]
    assert all(row[5:10].strip(f" {HATCH}╎") == "" for row in rows)
    assert any(HATCH in row[5:10] for row in rows)
    assert not any(HATCH in row[:5] for row in rows)


def test_a_code_ends_the_value_before_it() -> None:
    t = track([0, 1, 2], [5, np.nan, 6])
    assert t.at(S // 2).fresh
    assert not t.at(3 * S // 2).fresh
    low, _ = t.lowest_highest(Columns(S, S // 2, 3))
    assert np.isnan(low[1])


def test_columns_stand_still_while_time_runs() -> None:
    first = Columns.over(0, 60 * S, 121)
    for moved in range(0, 2_000_000_000, 130_000_000):
        later = Columns.over(moved, 60 * S + moved, 121)
        assert later.step_ns == first.step_ns
        assert (later.start_ns - first.start_ns) % first.step_ns == 0
        assert later.start_ns <= moved
        assert later.stop_ns > 60 * S + moved
    assert (Columns.over(5, 60 * S + 5, 121, 10**18 + 7).start_ns + 10**18 + 7) % first.step_ns == 0


@settings(max_examples=40)
@given(st.lists(st.integers(-1, 2), min_size=16, max_size=16))
def test_quarters_show_the_front_curve_and_the_other_where_both_fill_the_cell(owner) -> None:
    dots = np.array(owner, np.int64).reshape(4, 4)
    pieces, front, back = to_cells(dots, SHAPES["quadrant"])
    for y in range(2):
        for x in range(2):
            four = dots[2 * y : 2 * y + 2, 2 * x : 2 * x + 2].ravel().tolist()
            assert front[y, x] == max(four)
            mine = [max(four) >= 0 and f == max(four) for f in four]
            number = sum(1 << i for i, m in enumerate(mine) if m)
            assert pieces[y, x] == " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"[number]
            others = [f for f, m in zip(four, mine, strict=True) if not m]
            assert back[y, x] == (max(others) if min(four) >= 0 and others else -1)


def test_braille_dots_stand_where_the_standard_has_them() -> None:
    """Unicode 15, block Braille Patterns: U+2801 is dot 1, at the upper left; U+2880 dot 8."""
    one = np.full((4, 2), -1, np.int64)
    one[0, 0] = 0
    assert to_cells(one, SHAPES["braille"])[0][0, 0] == "\u2801"
    one[:] = -1
    one[3, 1] = 0
    assert to_cells(one, SHAPES["braille"])[0][0, 0] == "\u2880"
    assert to_cells(np.zeros((4, 2), np.int64), SHAPES["braille"])[0][0, 0] == "\u28ff"


def test_a_limit_never_takes_dots_from_a_curve() -> None:
    values = np.linspace(0, 10, 80)
    columns = Columns(0, S, 80)
    plain = Chart([Curve(values, values, "trace")], columns, (0.0, 10.0), 80 * S)
    limited = Chart(
        plain.curves, columns, (0.0, 10.0), 80 * S, limits=[LimitLine(7.0, Weight.FAULT, True)]
    )
    a, b = draw_chart(plain, 8), draw_chart(limited, 8)
    curve = np.isin(a.piece, list(MARKS))
    assert (a.piece[curve] == b.piece[curve]).all()
    assert (b.piece[~curve] == "─").any()


def test_a_flag_takes_the_place_of_the_time_it_falls_on() -> None:
    def axis(*seconds: float) -> str:
        flags = tuple(Flag(round(t * S), "m", "note") for t in seconds)
        columns = Columns.over(0, 60 * S, 160)
        chart = Chart([], columns, (0.0, 1.0), 60 * S, lead=6, flags=flags)
        return text(chart_lines(chart, 6)[-1])

    plain = axis()
    times = [t for t in plain.split() if ":" in t]
    assert len(times) >= 3
    flagged = axis(float(times[1].split(":")[1]) + 0.8)
    assert flagged.split().count("m") == 1
    assert [t for t in flagged.split() if t != "m"] == [t for t in plain.split() if t != times[1]]
    assert axis(0.1, 0.1) == axis(0.1)


def test_what_lies_outside_the_scale_stands_at_its_end() -> None:
    columns = Columns(0, S, 20)
    values = np.full(20, 50.0)
    chart = Chart([Curve(values, values, "trace")], columns, (0.0, 10.0), 20 * S)
    assert set(draw_chart(chart, 5).piece[0, -10:]) == {"▀"}


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e6), st.integers(1, 12))
def test_ticks_are_round_inside_and_not_too_many(low: float, span: float, most: int) -> None:
    ticks, decimals = value_ticks(low, low + span, most)
    assert len(ticks) <= most
    assert all(low - 1e-6 * span <= t <= low + span * (1 + 1e-6) for t in ticks)
    assert len({f"{t:.{decimals}f}" for t in ticks}) == len(ticks)
    ends = round_scale(low, low + span)
    assert ends[0] <= low + 1e-6 * span
    assert ends[1] >= low + span * (1 - 1e-6)


def test_steps_are_one_two_and_five() -> None:
    assert [nice_step(x) for x in (0.9, 1.1, 3, 5.5, 0.011)] == [1, 2, 5, 10, pytest.approx(0.02)]
    assert time_step_ns(0.1 * S) == S
    assert time_step_ns(60 * S) == 600 * S
    assert time_step_ns(7 * 86400 * S) >= LEAST_APART * 7 * 86400 * S


def test_the_card_shows_each_kind_of_dots() -> None:
    card = dict(sample_card())
    assert set(card) == set(DRAWINGS)
    assert all(len(rows) == 3 and len({len(r) for r in rows}) == 1 for rows in card.values())
    assert "".join(card["ascii"]).isascii()


def test_a_canvas_cuts_what_lies_outside_and_joins_like_cells() -> None:
    canvas = Canvas(2, 6)
    canvas.write(0, -2, "abcd", "head")
    canvas.write(1, 4, "xyz", "fault", ground="lane-1")
    canvas.write(7, 0, "nowhere")
    canvas.fill(0, 4, 1, 9, "lane-2")
    assert canvas.lines() == [
        # Blanks go on in the ink before them: nobody sees which.
        [("cd  ", "head"), ("  ", "lane-2")],
        [("    ", "plain"), ("xy", "lane-1+fault")],
    ]
