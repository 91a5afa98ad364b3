"""Notes kept beside captures, for commands that carry them on."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.cli.output import say

if TYPE_CHECKING:
    from busplan.board.notes import Note


def usable_notes(captures: Sequence[Path], origin_ns: int) -> tuple[Note, ...]:
    """The notes kept beside the captures; those that cannot be used are told and left out."""
    from busplan.board.kept import notes_beside
    from busplan.errors import UsageError

    found: list[Note] = []
    for path in captures:
        try:
            notes, left_out = notes_beside(path, origin_ns)
        except UsageError as error:
            notes, left_out = (), f"notes are left out: {error}"
        found += notes
        if left_out:
            say(f"! {left_out}", err=True)
    return tuple(sorted(found, key=lambda note: note.t_ns))
