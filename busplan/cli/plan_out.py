"""Saving a changed plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from busplan.cli.output import say
from busplan.errors import UsageError
from busplan.files import write_new


def write_changed(plan: Path, document: Mapping[str, Any], out: Path) -> None:
    """Save the changed plan, comments and order kept; a file that is there stays as it is.

    Raises :class:`UsageError`.
    """
    from busplan.plan.reader import changed_text

    if out.exists():
        raise UsageError(f"{out}: exists already")
    write_new(out, changed_text(plan, document, out.parent))
    say(f"{out}: written", err=True)
