"""Errors that end a command. Whose fault is it?

* :class:`PlanError`: the plan or a definition file is wrong; whoever wrote it can mend it.
* :class:`CaptureError`: the recorded data is wrong or not there.
* :class:`UsageError`: the call itself asks for something that cannot be.
* :class:`InterfaceError`: a bus interface is missing, unplugged or refused.

Anything that can be tolerated is not an error but a located :class:`busplan.findings.Finding`.
The command line prints the text of these errors and exits with 3; it never shows a traceback.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busplan.wording import disarmed


class BusplanError(Exception):
    """Base of every error busplan raises on purpose. ``str(error)`` is ready for the user."""

    exit_code = 3
    page = ""
    """The page of the manual that helps; empty: that of the command."""

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(map(disarmed, lines)))


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in an input file: where it stands, what is wrong, what would be allowed."""

    file: str
    line: int | None
    place: str
    text: str

    def __str__(self) -> str:
        at = self.file if self.line is None else f"{self.file}:{self.line}"
        return disarmed(f"{at}: {self.place}: {self.text}" if self.place else f"{at}: {self.text}")


class PlanError(BusplanError):
    """The plan or a definition file cannot be used. Carries every problem found, not the first."""

    page = "write-a-plan"

    def __init__(self, problems: Sequence[Problem] | str) -> None:
        self.problems: tuple[Problem, ...] = () if isinstance(problems, str) else tuple(problems)
        lines = problems.split("\n") if isinstance(problems, str) else map(str, self.problems)
        super().__init__(*lines)


class CaptureError(BusplanError):
    """A capture cannot be read at all (missing, empty, not a capture, torn beyond the limit)."""

    page = "formats"


class UsageError(BusplanError):
    """The call asks for something that does not exist or does not go together."""


class InterfaceError(BusplanError):
    """A bus interface cannot be opened or has gone."""

    page = "record-safely"
