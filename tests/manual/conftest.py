"""The book as the command makes it, and the demo's files in a folder of a page's own."""

from pathlib import Path

import pytest

from busplan.cli.manual_facts import gathered_facts
from busplan.manual.book import Book
from busplan.manual.facts import Facts

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def facts() -> Facts:
    return gathered_facts()


@pytest.fixture(scope="session")
def book(facts: Facts) -> Book:
    return Book(facts)


@pytest.fixture
def demo_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The current folder, as ``busplan demo --to demo-files --short`` leaves it."""
    for source in ("dbc_examples", "captures"):
        for file in (ROOT / source).iterdir():
            (tmp_path / file.name).symlink_to(file)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path
