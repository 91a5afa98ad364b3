"""Counted nouns and lists of names."""

from busplan.wording import counted, listing, plural


def test_one_thing_has_no_s() -> None:
    assert [counted(n, "frame") for n in (0, 1, 2)] == ["0 frames", "1 frame", "2 frames"]
    assert plural(1, "frame is", "frames are") == "frame is"
    assert counted(3, "frame is", "frames are") == "3 frames are"


def test_long_lists_are_cut() -> None:
    assert listing([]) == ""
    assert listing(["a"]) == "a"
    assert listing(["a", "b", "a"]) == "a and b"
    assert listing("abcde") == "a, b, c, d and 1 more"
