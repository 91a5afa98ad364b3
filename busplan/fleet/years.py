"""One figure of a vehicle's cells or modules over its captures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from busplan.capture.ahead import in_order
from busplan.fleet.desk import Desk
from busplan.fleet.figures import Figure
from busplan.fleet.grids import Lists, read_lists
from busplan.fleet.trend import all_finite
from busplan.frames.columns import F64, I64
from busplan.pack.drift import TWO_SIDED

Made = TypeVar("Made")


@dataclass(frozen=True, eq=False)
class Years:
    """One figure of one vehicle's cells or modules over its captures.

    ``time_ns`` (n,) ascending; ``value``, ``uncertainty`` (standard) and the two ends of its
    interval are (n, m), NaN where not told; the interval need not lie evenly about the value.
    ``members`` (m,) are their names, ``texts`` (n,) pyarrow arrays by column.
    ``left_out`` counts captures without a date or of another layout.
    """

    vehicle: str
    members: tuple[str, ...]
    time_ns: I64
    value: F64
    uncertainty: F64
    low: F64
    high: F64
    texts: Mapping[str, Any]
    left_out: int

    def only(self, rows: npt.NDArray[np.bool_]) -> Years:
        """Some captures of it."""
        kept = np.flatnonzero(rows)
        return replace(
            self,
            time_ns=self.time_ns[kept],
            value=self.value[kept],
            uncertainty=self.uncertainty[kept],
            low=self.low[kept],
            high=self.high[kept],
            texts={n: each.take(kept) for n, each in self.texts.items()},
        )


def of_each(
    desk: Desk,
    figure: Figure,
    vehicles: Sequence[str],
    work: Callable[[Years], Made],
    *,
    modules: bool,
    ends: int | None = None,
    texts: Sequence[str] = (),
) -> Iterator[Made]:
    """``work`` of the figure of every vehicle that tells it; vehicles are read beside each other.

    ``ends``: of so many dated captures at each end only. ``texts``: what else of them is wanted.
    """

    part, member = ("modules", "module") if modules else ("cells", "cell")
    columns = [c for c in (figure.column, figure.low, figure.high) if c]
    members: dict[int, tuple[str, ...]] = {}

    def known(given: tuple[str, Any]) -> list[Made]:
        vehicle, rows = given
        lists = read_lists(desk.judged_files, rows, part, columns)
        some = np.flatnonzero(lists[figure.column].length > 0)
        plans = np.asarray(rows["plan"])
        for plan in np.unique(plans[some]).tolist():
            if plan not in members:
                one = rows.take(some[plans[some] == plan][-1:])
                told = read_lists(desk.judged_files, one, part, [member])[member]
                members[plan] = tuple(map(_text, told.flat[told.start[0] :][: told.length[0]]))
        years = _years(vehicle, rows, [lists[c] for c in columns], some, members, texts)
        return [] if years is None else [work(years)]

    plain = ["start_ns", "dated", *texts]
    told = by_vehicle(desk, vehicles, plain, part, [member, *columns], ends=ends)
    for made in in_order(told, known):
        yield from made


def _text(member: Any) -> str:
    return member if isinstance(member, str) else f"{member:.0f}"


def by_vehicle(
    desk: Desk,
    vehicles: Sequence[str],
    plain: Sequence[str],
    part: str,
    columns: Sequence[str],
    *,
    ends: int | None = None,
) -> Iterator[tuple[str, Any]]:
    """Each vehicle that has any with its judged captures in time order, as :meth:`Desk.judged`."""
    found = desk.judged(vehicles, plain, part, columns).combine_chunks()
    start, dated = np.asarray(found["start_ns"], np.int64), np.asarray(found["dated"], np.bool_)
    codes = np.asarray(found["vehicle"])
    order = np.lexsort((start, codes))
    if not np.array_equal(order, np.arange(len(order))):
        found, dated = found.take(order), dated[order]
    edges = np.searchsorted(codes[order], np.arange(1, len(vehicles) + 2))
    for at in sorted(range(len(vehicles)), key=lambda at: vehicles[at]):
        first, end = edges[at : at + 2].tolist()
        if ends is not None:
            mine = first + np.flatnonzero(dated[first:end])
            mine = mine if len(mine) <= 2 * ends else np.concatenate((mine[:ends], mine[-ends:]))
            if len(mine):
                yield vehicles[at], found.take(mine)
        elif end > first:
            yield vehicles[at], found.slice(first, end - first)


def _years(
    vehicle: str,
    rows: Any,
    lists: Sequence[Lists],
    some: I64,
    members: Mapping[int, tuple[str, ...]],
    texts: Sequence[str],
) -> Years | None:
    """The figure in rows of one vehicle, in time order; ``None`` where none tells it.

    ``lists`` are the figure's own and the two ends of its interval, if it has one; ``some`` the
    rows that have any, ``members`` the names of cells or modules by plan: a capture's are those of
    its plan's pack.
    """
    if not len(some):
        return None
    # The layout that the newest capture has: others are other packs.
    plans, number = np.unique(np.asarray(rows["plan"])[some], return_inverse=True)
    mine = members[int(plans[number[-1]])]
    fits = np.array([members[p] == mine for p in plans.tolist()])[number]
    fits &= np.asarray(rows["dated"], np.bool_)[some] & (lists[0].length[some] == len(mine))
    kept = some[fits]
    value, *sides = (one.grid(kept, len(mine)) for one in lists)
    if not value.size:
        return None
    whole = all_finite(value)
    known = np.isfinite(value).any(axis=1) if not whole else np.empty(0, np.bool_)
    if not whole and not known.any():
        return None
    if sides:
        low, high = sides
        error = high - low
        error /= 2 * TWO_SIDED
    else:
        error = low = high = np.full(value.shape, np.nan)
    years = Years(
        vehicle=vehicle,
        members=mine,
        time_ns=np.asarray(rows["start_ns"], np.int64)[kept],
        value=value,
        uncertainty=error,
        low=low,
        high=high,
        texts={n: rows[n].take(kept) for n in texts},
        left_out=len(some) - len(kept),
    )
    return years if whole or known.all() else years.only(known)
