"""A board's file while it is edited: its text, what can be undone, where it is saved."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from pathlib import Path

from busplan.board.edit import written
from busplan.board.facts import with_plan
from busplan.board.model import Boards
from busplan.board.resolve import resolve_boards
from busplan.errors import PlanError, UsageError
from busplan.plan.problems import Problems
from busplan.replay.replay import Replay

MOST_UNDONE = 100


class BoardFile:
    """The text of a board's file. ``path`` is where it is, or will be; ``None``: nowhere yet."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.text: str | None = None
        self.saved = True
        self._before: list[str] = []

    def begin(self, shown: Replay, boards: Boards | None) -> None:
        """Take the file as it is, or what is shown where there is none. ``UsageError``."""
        if self.text is not None:
            return
        if boards is not None and boards.source and self.path is not None:
            try:
                self.text = self.path.read_text(encoding="utf-8-sig")
                return
            except OSError as error:
                raise UsageError(f"{self.path}: {error.strerror}") from error
        self.text, self.saved = written(with_plan(shown, boards)), False

    def change(self, shown: Replay, change: Callable[[str], str]) -> Boards:
        """The boards after a change. ``UsageError`` when it makes the file wrong; then it stays."""
        assert self.text is not None
        after = change(self.text)
        boards = self._boards(after, shown)
        self._before = [*self._before[-MOST_UNDONE:], self.text]
        self.text, self.saved = after, False
        return boards

    def undo(self, shown: Replay) -> Boards | None:
        """The boards before the last change; ``None`` when there is none."""
        if not self._before:
            return None
        self.text, self.saved = self._before.pop(), False
        return self._boards(self.text, shown)

    def _boards(self, text: str, shown: Replay) -> Boards:
        source = str(self.path or "board")
        try:
            return resolve_boards(tomllib.loads(text), Problems(source, {}), shown.vehicle)
        except (PlanError, tomllib.TOMLDecodeError) as error:
            raise UsageError(str(error)) from error

    def save(self) -> Path:
        """Write the file as a whole, or not at all. ``UsageError`` when that cannot be done."""
        if self.path is None or self.text is None:
            raise UsageError("there is no plan and no file: open the screens with --board FILE")
        new = self.path.with_name(f"{self.path.name}.{os.getpid()}")
        try:
            new.write_text(self.text, encoding="utf-8")
            new.replace(self.path)
        except OSError as error:
            raise UsageError(f"cannot write {self.path}: {error.strerror}") from error
        self.saved = True
        return self.path
