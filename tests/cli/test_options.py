"""Options stand once, and long work shows a bar on a terminal only."""

from __future__ import annotations

import ast
import io
import sys
from collections import Counter
from pathlib import Path

import pytest

import busplan.cli
from busplan.cli.progress import progress_bar

FILES = sorted(Path(busplan.cli.__file__).parent.glob("*.py"))
TOLD = {"Option", "Argument"}


def told_options() -> Counter[str]:
    """How often each option or argument with a help text is written out."""
    return Counter(
        ast.unparse(node)
        for file in FILES
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in TOLD
    )


def test_no_option_is_told_in_two_places() -> None:
    told = told_options()
    assert len(told) > 50
    assert [option for option, times in told.items() if times > 1] == []


class Terminal(io.StringIO):
    """Stands for a terminal."""

    def isatty(self) -> bool:
        return True


def test_a_bar_shows_what_is_done_and_goes_away(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("COLUMNS", "120")
    with progress_bar("reading", 10, worth=True) as step:
        assert step is not None
        step(5, note="7 frames")
        step(10, work="sorting")
    shown = terminal.getvalue()
    assert "reading" in shown or "sorting" in shown


@pytest.mark.parametrize("terminal", [io.StringIO(), Terminal()])
def test_short_work_and_a_file_show_no_bar(
    monkeypatch: pytest.MonkeyPatch, terminal: io.StringIO
) -> None:
    monkeypatch.setattr(sys, "stderr", terminal)
    with progress_bar("reading", 10, worth=not terminal.isatty()) as step:
        assert step is None
    assert terminal.getvalue() == ""
