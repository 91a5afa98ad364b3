"""The definition's own version against the one the node sends.

The rules of this file: pure. A file's version may count the file alone, so a difference is a note
for a person and moves no verdict; two that agree prove nothing. Names as they are usual: common
practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import pairwise

from busplan.findings import Finding, Weight, Where
from busplan.wording import listing

_SOFTWARE = re.compile(r"version|revision|(soft|firm)ware|(sw|fw)_?(rev|ver)", re.IGNORECASE)
_OTHER = re.compile(r"hardware|hw_?|protocol|boot|serial|part_?n", re.IGNORECASE)
_NUMBER = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,9}){0,5}")
_MAJOR = re.compile(r"major|minor|patch", re.IGNORECASE)
MOST_NAMED = 4


def version_findings(
    identity: Sequence[tuple[str, str]], versions: Sequence[str], where: Where
) -> list[Finding]:
    """A note when no software version that the node tells is one of the definition's.

    ``identity`` is what it says of itself, by name; ``versions`` what the definition files say.
    """
    stated = {number for text in versions for number in _numbers(text)}
    told = list(_told(identity))
    if not stated or not told or any(number in stated for _, _, number in told):
        return []
    says = listing([f"{name} {text}" for name, text, _ in told], MOST_NAMED)
    return [
        Finding(
            "definition-version-differs",
            Weight.NOTE,
            where,
            f'the definition says version "{listing(versions)}", the node says {says}',
            why="A definition of another version may place or scale values otherwise; the version "
            "of a file may also count the file alone.",
            action="Ask the maker which definition belongs to this software.",
        )
    ]


def _numbers(text: str) -> set[tuple[int, ...]]:
    """The version numbers in a text, without zeros at their end: 2.3.0 is 2.3."""
    return {_trimmed([int(n) for n in m.split(".")]) for m in _NUMBER.findall(text)}


def _trimmed(number: list[int]) -> tuple[int, ...]:
    while len(number) > 1 and not number[-1]:
        number.pop()
    return tuple(number)


def _told(identity: Sequence[tuple[str, str]]) -> Iterable[tuple[str, str, tuple[int, ...]]]:
    """Software versions that the node tells: name, text, number; parts that follow are joined."""
    rows = [(n, t) for n, t in identity if _SOFTWARE.search(n) and not _OTHER.search(n)]
    for name, text in rows:
        if not _MAJOR.search(name):
            yield from ((name, text, number) for number in _numbers(text))
    parts = [(n, t) for n, t in rows if _MAJOR.search(n) and _NUMBER.fullmatch(t)]
    group: list[tuple[str, str]] = []
    for (name, text), (next_name, _) in pairwise([*parts, ("", "")]):
        group.append((name, text))
        if _MAJOR.sub("", name) != _MAJOR.sub("", next_name):
            joined = ".".join(t for _, t in group)
            yield (
                _MAJOR.sub("", name).strip(" _"),
                joined,
                _trimmed([int(n) for n in joined.split(".")]),
            )
            group = []
