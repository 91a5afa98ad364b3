"""The definition files of the invented demo vehicle, and captures of it."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from busplan.demo.captures import make_capture
from busplan.frames.columns import read_only
from busplan.frames.table import FrameTable


def demo_dbc_files() -> list[Path]:
    """Every DBC file that the project ships."""
    return sorted((Path(__file__).parents[2] / "dbc_examples").rglob("*.dbc"))


@lru_cache(maxsize=16)
def made(name: str, *, healthy: bool = False, duration_s: float | None = None) -> FrameTable:
    """What ``make_capture`` gives, made once for all tests of a process; nobody can change it."""
    table = make_capture(name, healthy=healthy, duration_s=duration_s)
    columns = {n: read_only(c) for n, c in vars(table).items() if isinstance(c, np.ndarray)}
    return replace(table, **columns)
