"""Selectors that depend on themselves, or on too many others: set aside before they are followed.

A DBC can make a selector depend on another selector, so also in a circle, and then no frame can
carry what hangs on it.
"""

from __future__ import annotations

from dataclasses import replace

from busplan.definitions.model import Message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.wording import counted, listing

DEEPEST = 16
"""Selectors above a signal; a classical frame of one-bit selectors and one signal could have 63,
files have two."""


def without_circles(message: Message) -> tuple[Message, tuple[Finding, ...]]:
    """The message without signals whose selectors lead in a circle or too deep, and the finding."""
    above = {s.name: s.condition.selector for s in message.signals if s.condition is not None}
    depth: dict[str, int] = {}
    for name in above:
        way = []
        while name in above and name not in depth:
            depth[name] = DEEPEST + 1  # what comes back here is a circle
            way.append(name)
            name = above[name]
        base = depth.get(name, 0)
        for step, passed in enumerate(reversed(way), start=1):
            depth[passed] = base + step
    lost = [s.name for s in message.signals if depth.get(s.name, 0) > DEEPEST]
    if not lost:
        return message, ()
    gone = set(lost)
    finding = Finding(
        "definition-selectors-endless",
        Weight.CAUTION,
        Where(message=message.name, file=message.file, line=message.line),
        f"{counted(len(lost), 'signal')} of {message.name} set aside ({listing(lost)}): their "
        f"selectors lead in a circle or more than {DEEPEST} deep.",
        why="No frame can be told to carry them.",
        action="Mend the multiplexing in the file.",
        figures=(Figure("signals", len(lost)),),
    )
    return replace(message, signals=tuple(s for s in message.signals if s.name not in gone)), (
        finding,
    )
