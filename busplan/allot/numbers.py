"""Identifiers for messages whose order of arbitration is found."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.allot.order import END, numbers_up_to


def new_identifiers(
    order: Sequence[int], changed: frozenset[int], ranks: Sequence[int], wide: Sequence[int]
) -> dict[int, int]:
    """An identifier for each changed entry, spread evenly between the kept ones around it.

    ``order`` lists all entries, most urgent first; ``ranks`` and ``wide`` (1 for 29 bits) as in
    :class:`busplan.allot.order.NetworkOrder`. A later message finds room everywhere. Raises
    ``ValueError`` when the numbers between two kept ones do not suffice.
    """
    found: dict[int, int] = {}
    run: list[int] = []
    begin = -1
    for entry in (*order, None):
        if entry is not None and entry in changed:
            run.append(entry)
            continue
        end = END if entry is None else ranks[entry]
        found |= _spread(run, begin, end, wide)
        begin, run = max(begin, end), []
    return found


def _spread(run: Sequence[int], begin: int, end: int, wide: Sequence[int]) -> dict[int, int]:
    """Identifiers of one run, between two ranks."""
    if not run:
        return {}
    found: dict[int, int] = {}
    mixed = len({wide[i] for i in run}) > 1
    for place, entry in enumerate(run):
        first, beyond = numbers_up_to(begin)[wide[entry]], numbers_up_to(end - 1)[wide[entry]]
        to_place = len(run) - place
        if beyond - first < (1 if mixed else to_place):
            raise ValueError("the identifiers between two kept ones do not suffice")
        step = 0 if mixed else (beyond - first) // (to_place + 1)
        found[entry] = first + min(step, beyond - first - to_place) if not mixed else first
        begin = _rank(found[entry], wide[entry])
    return found


def _rank(identifier: int, wide: int) -> int:
    if wide:
        return (identifier >> 18) << 19 | 1 << 18 | (identifier & 0x3FFFF)
    return identifier << 19
