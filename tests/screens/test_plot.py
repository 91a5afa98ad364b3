"""Curves and maps drawn whole, against the rule applied to one character at a time."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.style import Style

from busplan.replay.pack_state import Grade
from busplan.screens import look
from busplan.text.grades import OF_GRADE
from busplan.text.plot import Curve, draw_curves, draw_load, draw_map
from busplan.text.runs import FAINT, HEAD, INK, merge, text

VALUES = st.lists(st.sampled_from([np.nan, 0.0, 0.3, 0.5, 2.0, 2.1, 4.0]), min_size=12, max_size=12)


def cells(line) -> list[tuple[str, str]]:
    """Characters with their roles; a blank looks the same in each."""
    return [(c, "" if c == " " else role) for piece, role in line for c in piece]


@settings(max_examples=60)
@given(VALUES, VALUES, st.booleans(), st.none() | st.integers(0, 11), st.integers(2, 5))
def test_every_character_of_a_plot_follows_the_rule(first, second, thin, cursor, rows) -> None:
    curves = [Curve(np.array(first), "trace-2", thin=thin), Curve(np.array(second), "trace")]
    band = (np.full(12, 0.0), np.array([np.nan] * 6 + [2.0] * 6))
    lines = draw_curves(curves, rows, band=band, cursor=cursor, decimals=1)
    seen = [v for v in [*first, *second, *band[0], *band[1]] if v == v]
    low, high = min(seen), max(seen)
    if high == low:
        low, high = low - 0.5, high + 0.5
    dots = 2 * rows

    def level(value: float) -> int:
        return -1 if value != value else round((value - low) / (high - low) * (dots - 1))

    for y, line in enumerate(lines):
        heights = (dots - 1 - 2 * y, dots - 2 - 2 * y)
        got = cells(line)[-12:]
        for x in range(12):
            at = [level(c.values[x]) for c in curves]
            above, below = ([n for n in (0, 1) if at[n] == h] for h in heights)
            joined = []
            for n, curve in enumerate(curves):
                before = level(curve.values[x - 1]) if x else -1
                if at[n] >= 0 and before >= 0 and abs(at[n] - before) > 1:
                    inside = range(min(at[n], before) + 1, max(at[n], before))
                    joined += [n for h in heights if h in inside]
            bottom, top = level(band[0][x]), level(band[1][x])
            expected = (" ", "")
            if any(bottom <= h <= top for h in heights):
                expected = ("░", "band")
            if cursor == x:
                expected = ("│", HEAD)
            if joined:
                expected = ("│", curves[max(joined)].role)
            if above or below:
                front = max([*above, *below])
                piece = "█" if above and below else "▀" if above else "▄"
                expected = ("─" if curves[front].thin else piece, curves[front].role)
            assert got[x] == expected


@settings(max_examples=30)
@given(
    st.lists(st.sampled_from(list(Grade)), min_size=8, max_size=8), st.none() | st.integers(0, 7)
)
def test_every_character_of_a_map_is_the_grade_s(grades, cursor) -> None:
    (line,) = draw_map(["A1"], np.array([grades], np.int8), cursor)
    assert cells(line)[:2] == [("A", HEAD), ("1", HEAD)]
    for x, (got, grade) in enumerate(zip(cells(line)[3:], grades, strict=True)):
        if x == cursor and grade in (Grade.EVEN, Grade.MISSING):
            assert got == ("│", HEAD)
        elif grade == Grade.EVEN:
            assert got == ("·", FAINT)
        else:
            piece = " " if grade == Grade.MISSING else grade.mark
            assert got == (piece, "" if piece == " " else OF_GRADE[grade])


def test_blanks_join_the_run_before_them_only_where_that_looks_the_same() -> None:
    joined = merge([("age", FAINT), (" ", "plain"), ("7 s", "stale"), (" ", "fault")])
    assert joined == [("age ", FAINT), ("7 s", "stale"), (" ", "fault")]
    for role in INK:
        for dark in (False, True):
            for colour in (False, True):
                style = look.style(role, dark, colour, Style.null())
                assert not any((style.bgcolor, style.underline, style.reverse))


def test_a_load_over_its_limit_can_be_told_without_colour() -> None:
    load = np.array([0.2, 0.7, 0.45])
    (row,) = draw_load(load, 0.5)
    assert text(row) == "▂!▄"
    rows = draw_load(load, 0.5, 4)
    assert [text(line) for line in rows] == ["", "___", " █▆", "▆██"]
    assert cells(rows[1]) == [("_", FAINT), ("_", "limit-in"), ("_", FAINT)]


def test_the_ends_of_a_narrow_scale_read_differently() -> None:
    lines = draw_curves([Curve(np.array([3.956, 3.958]), "trace")], 2, unit="V", decimals=2)
    assert [text(line).split("│")[0].strip() for line in lines] == ["3.958", "3.956 V"]
