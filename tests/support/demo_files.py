"""The definition files of the invented demo vehicle."""

from pathlib import Path


def demo_dbc_files() -> list[Path]:
    """Every DBC file that the project ships."""
    return sorted((Path(__file__).parents[2] / "dbc_examples").rglob("*.dbc"))
