"""Identifiers for messages whose order of arbitration is found."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.allot.free_numbers import FreeNumbers
from busplan.allot.order import END


def new_identifiers(
    order: Sequence[int],
    changed: frozenset[int],
    ranks: Sequence[int],
    wide: Sequence[int],
    numbers: FreeNumbers | None = None,
) -> dict[int, int]:
    """An identifier for each changed entry, spread evenly between the kept ones around it.

    ``order`` lists all entries, most urgent first; ``ranks`` and ``wide`` (1 for 29 bits) as in
    :class:`busplan.allot.order.NetworkOrder`, ``numbers`` those that may be given. A later message
    finds room everywhere. Raises ``ValueError`` when the numbers between two kept ones do not
    suffice.
    """
    found: dict[int, int] = {}
    run: list[int] = []
    begin = -1
    for entry in (*order, None):
        if entry is not None and entry in changed:
            run.append(entry)
            continue
        end = END if entry is None else ranks[entry]
        found |= _spread(run, begin, end, wide, numbers or FreeNumbers())
        begin, run = max(begin, end), []
    return found


def _spread(
    run: Sequence[int], begin: int, end: int, wide: Sequence[int], numbers: FreeNumbers
) -> dict[int, int]:
    """Identifiers of one run, between two ranks."""
    if not run:
        return {}
    found: dict[int, int] = {}
    mixed = len({wide[i] for i in run}) > 1
    for place, entry in enumerate(run):
        kind = wide[entry]
        first, beyond = numbers.up_to([begin, end - 1])[:, kind].tolist()
        to_place = len(run) - place
        if beyond - first < (1 if mixed else to_place):
            raise ValueError("the identifiers between two kept ones do not suffice")
        step = 0 if mixed else (beyond - first) // (to_place + 1)
        at = first + min(step, beyond - first - to_place) if not mixed else first
        found[entry] = numbers.identifier(at)
        begin = _rank(found[entry], kind)
    return found


def _rank(identifier: int, wide: int) -> int:
    if wide:
        return (identifier >> 18) << 19 | 1 << 18 | (identifier & 0x3FFFF)
    return identifier << 19
