"""One bar for long work: on stderr, on a terminal only."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol


class Step(Protocol):
    """What moves a bar."""

    def __call__(self, done: int, *, work: str | None = None, note: str = "") -> None:
        """So much is done; ``work``: what is done now, if it changes; ``note`` stands beside."""


@contextmanager
def progress_bar(work: str, total: int, *, worth: bool) -> Iterator[Step | None]:
    """A bar with percentage and time left; ``None`` without a terminal, or if not ``worth`` it."""
    if not worth or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:.0f} %"),
        TextColumn("{task.fields[note]}"),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task(work, total=total, note="")

    def step(done: int, *, work: str | None = None, note: str = "") -> None:
        bar.update(task, completed=done, description=work, note=note)

    with bar:
        yield step
