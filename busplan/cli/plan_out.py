"""Saving a changed plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from busplan.cli.output import print_text, say
from busplan.errors import UsageError
from busplan.files import write_new


def write_changed(plan: Path, document: Mapping[str, Any], out: Path) -> None:
    """Save the changed plan, comments and order kept; a file that is there stays as it is.

    Tests in a file beside the old plan do not follow it, and that is told. Raises
    :class:`UsageError`.
    """
    from busplan.plan.reader import changed_text, tests_beside

    if out.exists():
        raise UsageError(f"{out}: exists already")
    write_new(out, changed_text(plan, document, out.parent))
    say(f"{out}: written", err=True)
    tests, wanted = tests_beside(plan), tests_beside(out)
    if tests.is_file() and not wanted.exists():
        print_text(
            f"its tests in {tests} do not follow it: copy them to {wanted}", lead="! ", err=True
        )
