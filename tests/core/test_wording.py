"""Counted nouns, lists of names and fractions in percent."""

import ast
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from busplan.wording import cell_text, counted, listing, percent, plain, plural

PACKAGE = Path(__file__).parents[2] / "busplan"


def test_one_thing_has_no_s() -> None:
    assert [counted(n, "frame") for n in (0, 1, 2)] == ["0 frames", "1 frame", "2 frames"]
    assert plural(1, "frame is", "frames are") == "frame is"
    assert counted(3, "frame is", "frames are") == "3 frames are"


def test_long_lists_are_cut() -> None:
    assert listing([]) == ""
    assert listing(["a"]) == "a"
    assert listing(["a", "b", "a"]) == "a and b"
    assert listing("abcde") == "a, b, c, d and 1 more"


def test_a_percent_sign_stands_after_a_space() -> None:
    """BIPM, The International System of Units, 9th edition (2019), 5.4.7, whose example for an
    amount fraction is the first."""
    assert percent(0.0025, 2) == "0.25 %"
    assert [percent(0.4734), percent(0.4734, 0), percent(1.0, 0)] == ["47.3 %", "47 %", "100 %"]
    assert [percent(x, 0, sign=True) for x in (0.36, -0.36, -0.001)] == ["+36 %", "-36 %", "+0 %"]
    assert percent(float("nan")) == "-", "nobody knows it"


def written_otherwise(source: str) -> Iterator[int]:
    """Lines of f-strings that write a percent themselves."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.JoinedStr):
            continue
        for part, after in pairwise([*node.values, ast.Constant("")]):
            if not isinstance(part, ast.FormattedValue) or part.format_spec is None:
                continue
            follows = str(after.value) if isinstance(after, ast.Constant) else ""
            spec = ast.unparse(part.format_spec).strip("f'\"")
            # Points of percent are a difference of two, which is no fraction.
            if spec.endswith("%") or re.match(r" ?%(?! points)", follows):
                yield node.lineno


def test_nobody_else_writes_percents() -> None:
    assert (
        list(
            written_otherwise('f"{x:.0%} of {y:.1f} %, {z:+.2f}%, {n} % points, {m:.0f} % points"')
        )
        == [1] * 3
    )
    found = [
        f"{path.relative_to(PACKAGE)}, line {line}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if path.name != "wording.py"
        for line in written_otherwise(path.read_text(encoding="utf-8"))
    ]
    assert found == []


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


@pytest.mark.parametrize(
    ("value", "digits", "told"),
    [
        (20_004.3, 4, "20000"),
        (19_996, 4, "20000"),
        (99.98765, 4, "99.99"),
        (2_512.0, 3, "2510"),
        (100.0, 4, "100"),
        (0.0125, 3, "0.0125"),
        (86_400_000, 4, "86400000"),
        (-1_234.5, 3, "-1230"),
    ],
)
def test_first_digits_without_powers_of_ten(value: float, digits: int, told: str) -> None:
    assert plain(value, digits) == told


def test_a_sign_is_told_where_it_is_asked_for_and_no_zero_has_a_minus() -> None:
    assert plain(12_345, 3, sign=True) == "+12300"
    assert plain(-0.5, sign=True) == "-0.5"
    assert plain(-0.0) == "0"


BY_POWERS = {
    "bench/expected.py": "values of signals, to as many digits as they are compared by",
    "bench/leaping.py": "shares of a travel",
    "bench/report_tables.py": "values of signals",
    "bench/rhythm.py": "a number, no text",
    "board/limits.py": "limits of signals",
    "board/workbench.py": "a number, no text",
    "checks/wording.py": "below 1000",
    "fleet/over_years.py": "changes in a year, of any size",
    "replay/differing.py": "values of signals",
    "replay/values.py": "values of signals",
    "sheets/csv_text.py": "read by programs",
    "text/board_draw.py": "limits of signals",
    "text/tiles.py": "limits of signals",
    "text/workbench_draw.py": "scales of guessed signals",
    "traffic/draft.py": "a number, no text",
    "wording.py": "plain itself",
}
"""Where a number may be formatted by its first digits, and come as a power of ten, and why."""


def test_times_and_lengths_are_told_without_powers_of_ten() -> None:
    found = {
        file.relative_to(PACKAGE).as_posix()
        for file in PACKAGE.rglob("*.py")
        if re.search(r":[+z]*\.\{?\w+\}?g\}", file.read_text("utf-8"))
    }
    assert found == BY_POWERS.keys()
