"""How many of the quantities that a plan defines a survey found, by the bits that moved."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from busplan.definitions.model import Message
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.traffic.fields import positions
from busplan.traffic.survey import SAMPLE, SurveyedIdentifier, survey


def score(table: FrameTable, vehicle: Vehicle) -> Counter[str]:
    """Counts over all identifiers the plan defines:

    * ``quantities``: defined signals that took six values or more, that are no counter, checksum or
      state with named values; multiplexed ones page by page, ``on pages: ...``;
    * ``right``: found values whose moving bits are just those of one signal, in its order;
    * ``part``: found values that are a part of one signal's moving bits; ``wrong``: all others;
    * ``missed``: quantities nobody found, ``rough`` those of them that move too wildly to look like
      one (mean step above 12 % of the range).
    """
    found = {s.key: s for s in survey(table)}
    total: Counter[str] = Counter()
    for stream in vehicle.streams:
        if stream.key in found:
            total += _of_message(table, found[stream.key], stream.message)
    return total


def _of_message(table: FrameTable, surveyed: SurveyedIdentifier, message: Message) -> Counter[str]:
    width = next(iter(surveyed.lengths), 0)
    rows = table.rows_of(surveyed.key)
    rows = rows[table.length[rows] == width][:SAMPLE]
    bits = np.unpackbits(table.payload_matrix(rows, width), axis=1, bitorder="little")
    count = _of_page(surveyed, message, bits, None)
    for selector in (s for s in message.signals if s.selects):
        pages = number(bits, selector.bits())
        for page in np.unique(pages).tolist():
            paged = _of_page(surveyed, message, bits[pages == page], int(page))
            count.update({f"on pages: {name}": n for name, n in paged.items()})
    return count


def number(bits: np.ndarray, places: Sequence[int]) -> np.ndarray:
    """The bits at some places, highest first, as one number a frame."""
    return bits[:, list(places)] @ 2.0 ** np.arange(len(places) - 1, -1, -1)


def _of_page(
    surveyed: SurveyedIdentifier, message: Message, bits: np.ndarray, page: int | None
) -> Counter[str]:
    """What a page carries, or with ``None`` what every frame does."""
    moves = (bits != bits[:1]).any(axis=0)

    def moving(start: int, length: int, big: bool) -> list[int]:
        return [b for b in positions(start, length, big) if b < len(moves) and moves[b]]

    places, quantities = [], []
    for s in message.signals:
        on = s.condition
        if (on is None) != (page is None) or (on and not any(a <= page <= b for a, b in on.ranges)):
            continue
        places.append(moving(s.start, s.length, s.big_endian))
        numbers = number(bits, places[-1])
        named = "counter" in s.name.lower() or "checksum" in s.name.lower()
        if not (named or s.choices or s.selects) and len(np.unique(numbers)) >= 6:
            quantities.append((len(places) - 1, numbers))
    count: Counter[str] = Counter(quantities=len(quantities))
    hit = []
    for value in (v for v in surveyed.values if v.page == page):
        here = moving(value.start, value.length, value.big_endian)
        if here in places:
            hit.append(places.index(here))
            count["right"] += 1
        else:
            count["part" if any(set(here) <= set(p) for p in places) else "wrong"] += 1
    for place, values in quantities:
        if place not in hit:
            count["missed"] += 1
            count["rough"] += bool(np.abs(np.diff(values)).mean() > 0.12 * np.ptp(values))
    return count
