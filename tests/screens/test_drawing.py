"""Small parts: bars, times, plots, figures, typed moments, the kept layout."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplan.screens.browser import served_command
from busplan.screens.dialogs import parse_moment
from busplan.screens.memory import Layout, read_layout, write_layout
from busplan.text.big import letter
from busplan.text.load_bar import load_bar
from busplan.text.plot import draw_load
from busplan.text.runs import clip, clock_text, fill, marked, span_text, text, width, wrap
from busplan.text.timeline import Window, column_of, moment_at

S = 1_000_000_000


def test_a_load_bar_is_on_a_fixed_scale_with_the_limit_marked() -> None:
    assert text(load_bar(0.25, 0.5, 20)) == "█████·····|·········"
    assert text(load_bar(0.6, 0.5, 20)) == "██████████|█········"
    assert text(load_bar(0.001, 0.5, 20)).startswith("█·")
    assert text(load_bar(1.7, 0.5, 10)) == "█████|████"
    assert {role for piece, role in load_bar(0.6, 0.5, 20) if "█" in piece} == {"over"}


def test_a_constant_load_looks_constant_and_not_full() -> None:
    (line,) = draw_load(np.full(8, 0.25), 0.5)
    assert text(line) == "▂" * 8
    high = [text(row) for row in draw_load(np.full(8, 0.25), 0.5, 4)]
    assert high == ["", "_" * 8, "", "█" * 8]
    assert text(draw_load(np.full(2, 0.0), 0.4, 3)[1]) == "_" * 2
    now = marked([("abc", "plain"), ("de", "faint")], 3)
    assert now == [("abc", "plain"), ("d", "faint+span"), ("e", "faint")]


@given(st.integers(0, 10**15), st.integers(1, 300))
def test_columns_and_moments_of_the_track_belong_together(span_ns: int, columns: int) -> None:
    for column in {0, columns // 2, columns - 1}:
        t_ns = moment_at(column, span_ns, columns)
        assert 0 <= t_ns <= span_ns
        if span_ns > columns and columns > 1:
            assert column_of(t_ns, span_ns, columns) == column


def test_a_window_moves_in_whole_columns_and_stays_inside() -> None:
    a = Window.around(30 * S, 100 * S, 10 * S, 100)
    b = Window.around(30 * S - 1, 100 * S, 10 * S, 100)
    assert a == b
    assert (a.b_ns, a.a_ns) == (30 * S, 20 * S)
    assert Window.around(1 * S, 100 * S, 10 * S, 100).a_ns == 0
    assert Window.around(1 * S, 5 * S, 10 * S, 100).text == "whole capture"


def test_clipping_filling_and_wrapping_keep_their_width() -> None:
    line = [("abc", "plain"), ("defgh", "faint")]
    assert text(clip(line, 5)) == "abcd…"
    assert text(clip(line, 8)) == "abcdefgh"
    assert width(fill(line, 12)) == 12
    assert [text(x) for x in wrap("one two three four", 9, indent=2)] == [
        "one two",
        "  three",
        "  four",
    ]


@pytest.mark.parametrize(
    ("ns", "shown"),
    [(0, "0:00:00.0"), (59_999_999_999, "0:00:59.9"), (3_723_400_000_000, "1:02:03.4")],
)
def test_moments_are_written_as_clocks(ns: int, shown: str) -> None:
    assert clock_text(ns) == shown


@pytest.mark.parametrize(
    ("ns", "shown"), [(2e5, "200 µs"), (5e6, "5 ms"), (1.5e9, "1.5 s"), (6e11, "10 min")]
)
def test_spans_are_written_in_their_unit(ns: float, shown: str) -> None:
    assert span_text(ns) == shown


@pytest.mark.parametrize(
    ("typed", "seconds"),
    [
        ("90", 90),
        ("1:30", 90),
        ("0:01:30.5", 90.5),
        ("+10", 60),
        ("-10", 40),
        ("50 %", 300),
        ("99:99", 600),
        ("-99", 0),
        ("1,5", 1.5),
        ("12 s", 12),
    ],
)
def test_typed_moments(typed: str, seconds: float) -> None:
    assert parse_moment(typed, 50 * S, 600 * S) == round(seconds * S)


@pytest.mark.parametrize("typed", ["", "soon", "1:2:3:4", "%", "+", "1::2"])
def test_what_is_no_moment_is_refused(typed: str) -> None:
    assert parse_moment(typed, 0, 600 * S) is None


def test_every_letter_has_a_shape_of_its_own_at_every_height() -> None:
    for high in (5, 8, 13, 20):
        for characters in ("0123456789.-+%", "ABCDEFGHIJKLMNOPQRSTUVWXYZ"):
            shapes = {letter(c, high).tobytes() + bytes(letter(c, high).shape) for c in characters}
            assert len(shapes) == len(characters)
        assert {letter(c, high).shape[0] for c in "0A.M%"} == {high}
        assert len({letter(c, high).shape[1] for c in "023456789"}) == 1


def test_the_layout_is_kept_and_damage_is_survived(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "screens.json"
    assert read_layout(path) == Layout()
    write_layout(path, Layout(screen="board", window_s=60.0, bell=True))
    assert read_layout(path) == Layout(screen="board", window_s=60.0, bell=True)
    path.write_text('{"screen": 5, "bell": true, "new": 1}')
    assert read_layout(path) == Layout(bell=True)
    path.write_text("{broken")
    assert read_layout(path) == Layout()
    path.write_text("[1]")
    assert read_layout(path) == Layout()


def test_the_browser_runs_the_same_command_without_the_browser_options() -> None:
    command = served_command(["replay", "a b.log", "--browser", "--port", "9", "--plan", "p.toml"])
    assert command.endswith("-m busplan replay 'a b.log' --plan p.toml")
    assert "--port" not in served_command(["replay", "--port=9", "--browser"])
    # cmd of Windows (rules of quoting of its runtime, from memory): double quotes, never single.
    words = ["replay", r"C:\my logs\a&b.log", r"D:\a&b(1).log", "--browser", "--offset", "a.log=5"]
    command = served_command(words, windows=True)
    assert command.endswith(
        r'-m busplan replay "C:\my logs\a&b.log" "D:\a&b(1).log" --offset "a.log=5"'
    )
