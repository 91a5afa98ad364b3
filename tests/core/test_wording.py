"""Counted nouns and lists of names."""

import pytest

from busplan.wording import cell_text, counted, listing, plural


def test_one_thing_has_no_s() -> None:
    assert [counted(n, "frame") for n in (0, 1, 2)] == ["0 frames", "1 frame", "2 frames"]
    assert plural(1, "frame is", "frames are") == "frame is"
    assert counted(3, "frame is", "frames are") == "3 frames are"


def test_long_lists_are_cut() -> None:
    assert listing([]) == ""
    assert listing(["a"]) == "a"
    assert listing(["a", "b", "a"]) == "a and b"
    assert listing("abcde") == "a, b, c, d and 1 more"


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+cmd", "'+cmd"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\uff1d1+1", "'\uff1d1+1"),
        ("\t=1", "' =1"),
        ("-12.5", "-12.5"),
        ("-1+1", "'-1+1"),
        ("off", "off"),
        ("a\x1b[2J", "a\ufffd[2J"),
    ],
)
def test_no_spreadsheet_obeys_a_cell(text: str, cell: str) -> None:
    """OWASP, "CSV Injection": =, +, -, @, tab and carriage return at the beginning."""
    assert cell_text(text) == cell
