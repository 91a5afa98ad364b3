"""Tables that are wider than the terminal come as several below each other."""

from __future__ import annotations

import pytest

from busplan.text.table import fitted_lines, parted_lines, table_lines

HEAD = ("cell", "module", "off mV", "resistance mΩ", "95 %", "capacity %")
ROWS = [(str(n), f"A{n}", f"+{n}.0", f"0.{n}00", f"0.{n} … 0.{n}9", "99.0") for n in range(1, 10)]


@pytest.mark.parametrize("columns", [40, 46, 54])
def test_no_part_is_wider_and_each_says_whose_row_it_is(columns: int) -> None:
    lines = parted_lines(HEAD, ROWS, columns, right={0, 2, 3, 4, 5}, kept=2, glued={4})
    assert max(map(len, lines)) <= columns
    blocks = "\n".join(lines).split("\n\n")
    assert len(blocks) > 1
    assert all(("95 %" in b) is ("resistance" in b) for b in blocks)
    for block in blocks:
        told = block.split("\n")
        assert [row.split()[:2] for row in told] == [
            ["cell", "module"],
            *(list(r[:2]) for r in ROWS),
        ]
    for row in (HEAD, *ROWS):
        assert all(any(cell in block for block in blocks) for cell in row)


def test_a_table_that_fits_is_one() -> None:
    assert parted_lines(HEAD, ROWS, 100, kept=2) == table_lines(HEAD, ROWS, 100)


WAITS = [("0x123", "PumpStatus", "3.5", "1x PumpOrder, 2x FanOrder, 4x HeaterOrder")]


def test_a_cell_of_several_names_goes_on_below_itself_and_is_not_cut() -> None:
    head = ("identifier", "message", "ms", "waits for")
    lines = table_lines(head, WAITS, 50, right={2}, shrink={1, 3}, folded={3})
    assert lines == [
        "identifier  message      ms  waits for",
        "0x123       PumpStatus  3.5  1x PumpOrder, 2x",
        "                             FanOrder, 4x",
        "                             HeaterOrder",
    ]


@pytest.mark.parametrize("columns", [30, 40, 50, 60, 80])
def test_a_table_comes_in_parts_before_its_names_are_cut(columns: int) -> None:
    head = ("identifier", "message", "ms", "waits for")
    lines = fitted_lines(head, WAITS, columns, right={2}, shrink={1}, folded={3}, whole=True)
    assert max(map(len, lines)) <= columns
    assert "~" not in "".join(lines)
    words = "\n".join(lines).split()
    assert all(word in words for cell in WAITS[0] for word in cell.split())


def test_names_without_end_are_cut_with_a_sign() -> None:
    for whole in (False, True):
        rows = [("a" * 10_000, "1", "b" * 10_000 + " c")]
        lines = fitted_lines(("x", "n", "y"), rows, 60, shrink={0}, folded={2}, whole=whole)
        assert max(map(len, lines)) <= 60
        assert len(lines) < 8
        assert "~" in "".join(lines)
