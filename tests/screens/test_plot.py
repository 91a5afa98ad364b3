"""Maps and loads drawn whole, against the rule applied to one character at a time."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.style import Style

from busplan.replay.pack_state import Grade
from busplan.screens import look
from busplan.text.grades import OF_GRADE
from busplan.text.plot import draw_load, draw_map
from busplan.text.runs import FAINT, HEAD, INK, merge, text


def cells(line) -> list[tuple[str, str]]:
    """Characters with their roles; a blank looks the same in each."""
    return [(c, "" if c == " " else role) for piece, role in line for c in piece]


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
