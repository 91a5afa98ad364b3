"""The demo's files in the current folder, as a user has them after ``busplan demo --to``."""

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Plans, definitions and short captures side by side."""
    folder = tmp_path_factory.mktemp("demo-files")
    for source in ("dbc_examples", "captures"):
        for file in (ROOT / source).iterdir():
            (folder / file.name).symlink_to(file)
    return folder


@pytest.fixture
def in_demo_folder(demo_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The same as the current folder."""
    monkeypatch.chdir(demo_folder)
    return demo_folder
