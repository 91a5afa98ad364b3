"""Names cut for a column: what they share goes first, what differs stays."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplan.text.shorten import CUT, least_width, shortened
from busplan.text.table import LEAST, table_lines

UNITS = [f"HydraulicUnit{p:03}Message{m:02}" for p in range(40) for m in range(8)]


@pytest.mark.parametrize("width", [24, 20, 16, 12, 9, 8])
def test_names_of_one_maker_stay_apart_however_narrow(width: int) -> None:
    short = shortened(UNITS, width)
    assert len(set(short.values())) == len(UNITS)
    assert all(len(s) <= width for s in short.values())


def test_the_shared_part_is_shortened_as_little_as_needed() -> None:
    assert shortened(UNITS, 20)["HydraulicUnit007Message03"] == "Hydraul~007Message03"
    assert shortened(UNITS, 12)["HydraulicUnit007Message03"] == "Hy~007Me~03"
    assert "HydraulicUnit007Message03" not in shortened(UNITS, 25)


def test_where_nothing_is_shared_the_middle_goes_unless_that_is_what_differs() -> None:
    assert shortened(["ModuleTemperaturesOfFrontLeft1"], 12) == {
        "ModuleTemperaturesOfFrontLeft1": "Module~Left1"
    }
    ends = [f"{a}xxxxxxxxxxxxxxxxxxxxxxxxxx" for a in ("aaaaaab", "aaaaaac")]
    assert len(set(shortened(ends, 8).values())) == 2


def test_a_column_stays_wide_enough_to_tell_its_names_apart() -> None:
    names = [f"{n:012b}x" for n in range(0, 4096, 3)]
    assert least_width(names, LEAST, 13) > LEAST
    lines = table_lines(("name", "other"), [(n, "z" * 40) for n in names], 30, shrink={0, 1})
    assert len({line.split()[0] for line in lines[1:]}) == len(names)
    assert least_width(UNITS, LEAST, 25) == LEAST


@given(st.lists(st.text("abAB01_ ", max_size=30), max_size=20), st.integers(8, 30))
def test_nothing_is_wider_than_asked(texts: list[str], width: int) -> None:
    short = shortened(texts, width)
    assert set(short) == {t for t in texts if len(t) > width}
    assert all(len(s) <= width and CUT in s for s in short.values())


@given(st.sets(st.text("aA01_/", min_size=1, max_size=24), min_size=1, max_size=25))
def test_the_least_width_tells_all_apart(texts: set[str]) -> None:
    most = max(map(len, texts))
    width = least_width(texts, min(8, most), most)
    short = shortened(texts, width)
    assert len({short.get(t, t) for t in texts}) == len(texts)
