"""Tables that are wider than the terminal come as several below each other."""

from __future__ import annotations

import pytest

from busplan.text.table import parted_lines, table_lines

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
