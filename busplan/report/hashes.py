"""The detached list of hashes: by which anybody can check that files belong together.

The rules of this file: pure. A line is the SHA-256 in hexadecimal digits, two blanks and the name
of the file, as the common checking programs write and read it. A name that could steer a terminal
stands there disarmed; only busplan finds such a file again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from busplan.errors import UsageError
from busplan.wording import disarmed

_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")
MOST_LINES = 10_000


@dataclass(frozen=True, slots=True)
class Checked:
    """One file of the list: ``same``, ``changed`` or ``not here``."""

    name: str
    answer: str


def list_text(hashes: Mapping[str, str]) -> str:
    """The list as text; a name with a line end cannot stand in it."""
    for name in hashes:
        if "\n" in name or "\r" in name or "\\" in name:
            raise UsageError(f"a file of this name cannot stand in a list of hashes: {name!r}")
    return "".join(f"{digest}  {disarmed(name)}\n" for name, digest in hashes.items())


def read_list(text: str) -> dict[str, str]:
    """Names and hashes of a list; :class:`busplan.errors.UsageError` when it is none."""
    found = {}
    for number, line in enumerate(text.removesuffix("\n").split("\n"), 1):
        match = _LINE.fullmatch(line)
        if match is None or number > MOST_LINES:
            raise UsageError(f"line {number} is no line of a list of hashes")
        found[match[2]] = match[1]
    if not found:
        raise UsageError("the list of hashes is empty")
    return found


def check(listed: Mapping[str, str], here: Mapping[str, str]) -> tuple[Checked, ...]:
    """Each file of a list against the hashes of those that are here."""
    return tuple(
        Checked(name, "not here" if name not in here else "same" if here[name] == d else "changed")
        for name, d in listed.items()
    )


def worst(checked: Iterable[Checked]) -> int:
    """2 when a file was changed, 1 when one is not here, else 0."""
    return max(({"same": 0, "not here": 1, "changed": 2}[c.answer] for c in checked), default=0)
