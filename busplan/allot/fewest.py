"""The fewest identifiers to change on one network, with a proven lower bound."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from busplan.allot.order import Failure, NetworkOrder
from busplan.allot.solver import Linear, solved
from busplan.frames.columns import I64, Mask

_TRIES = 3
"""Orders in which what need not change is put back."""
_MOST_MOMENTS = 4_000
"""Most moments at which a window is tried for one message; beyond them one is said to leave."""

WHOLE = 1_000
"""What those that leave must bring together, in :func:`relief`."""

MORE: Literal["more"] = "more"
FULL: Literal["full"] = "full"

_Answer = tuple[tuple[int, ...], Mask]
"""An order of all entries, most urgent first, and which of them change."""
Enough = Callable[[], bool]
"""Whether the time for the search is over."""
Told = Callable[[int | None, int], None]
"""Told how many change in the best so far (``None``: none yet), and in any at least."""
Waited = Callable[[Callable[[], Any]], Any]
"""Runs the solver; ``None`` when it was not waited for."""


@dataclass(frozen=True, slots=True)
class Fewest:
    """What to change on one network.

    ``order``: every entry, most urgent first, when an answer was found; ``changed`` those that get
    another identifier. ``bound``: no answer changes fewer. ``impossible``: entries that cannot all
    be in time whatever the identifiers that may change; empty when there is no such proof.
    """

    order: tuple[int, ...] | None
    changed: tuple[int, ...]
    bound: int
    impossible: tuple[int, ...] = ()

    @property
    def proven(self) -> bool:
        """Whether no answer changes fewer."""
        return self.order is not None and len(self.changed) == self.bound


@dataclass
class _Programme:
    """Minimise the number of changes under what is known: ``sum(weights * y) >= least`` each."""

    may_change: Mask
    rows: dict[tuple[tuple[int, int], ...], int] = field(default_factory=dict)

    impossible: tuple[int, ...] = ()
    """Entries that no change can bring in time together, once that is known."""

    def demand(self, weights: dict[int, int], least: int, proof: Sequence[int]) -> None:
        """One more inequality; ``proof``: the entries that are impossible if none can meet it."""
        met = tuple(sorted((i, w) for i, w in weights.items() if self.may_change[i]))
        if sum(w for _, w in met) < least:
            self.impossible = self.impossible or tuple(proof)
        else:
            self.rows[met] = max(least, self.rows.get(met, 0))

    def one_of(self, named: Sequence[int], proof: Sequence[int]) -> None:
        """At least one of these changes."""
        self.demand(dict.fromkeys(named, 1), 1, proof)

    def solve(self, seconds: float) -> tuple[Mask | None, int]:
        """A set of changes that meets every inequality, and a bound below which there is none."""
        from scipy.sparse import csr_matrix

        n = len(self.may_change)
        if not self.rows:
            return np.zeros(n, np.bool_), 0
        entries = [(row, i, w) for row, met in enumerate(self.rows) for i, w in met]
        rows, columns, weights = np.array(entries, np.int64).T
        matrix = csr_matrix((weights.astype(float), (rows, columns)), (len(self.rows), n))
        least = np.array(list(self.rows.values()), float)
        linear = Linear(
            np.ones(n),
            matrix,
            least,
            np.full(len(least), np.inf),
            np.zeros(n),
            self.may_change.astype(float),
        )
        found = solved(linear, [True] * n, seconds)
        bound = int(np.ceil(found.bound - 1e-6))
        if found.x is None:
            return None, bound
        return np.round(found.x).astype(np.bool_), bound


def fewest_changes(
    network: NetworkOrder,
    may_change: Sequence[bool],
    *,
    enough: Enough = lambda: False,
    seconds: float = 10.0,
    seed: int = 1,
    begin: Sequence[int] = (),
    waited: Waited = lambda work: work(),
    told: Told = lambda best, bound: None,
) -> Fewest:
    """The fewest entries whose identifiers must change so that every message is in time.

    ``enough`` is asked between steps and ends the search with the best so far; ``seconds`` bounds
    one solution of the programme. ``begin``: changes that may be near an answer. Two messages on
    one identifier count as wrong too.
    """
    free = np.array(may_change, np.bool_)
    programme = _Programme(free)
    shuffled = np.random.default_rng(seed)
    best: _Answer | None = None
    bound, rounds, gaps_matter = 0, 0, False
    _known_beforehand(network, programme)
    if len(begin) and not programme.impossible:
        near = np.zeros(network.n, np.bool_)
        near[list(begin)] = True
        best = _repaired(network, programme, near & free, shuffled, enough)
    while not programme.impossible:
        changed, least = waited(lambda: programme.solve(seconds)) or (None, 0)
        bound = bound if gaps_matter else max(bound, least)
        if changed is None:
            break
        found = _next_demand(network, programme, changed)
        if isinstance(found, list):
            best = (tuple(found), changed)
            break
        rounds += 1
        if rounds & (rounds - 1) == 0 and not programme.impossible:  # each twice as late
            best = _better(best, _repaired(network, programme, changed, shuffled, enough))
        told(None if best is None else int(best[1].sum()), bound)
        if enough() or (best is not None and best[1].sum() <= bound):
            break
        if found == FULL:
            # Which of several changed ones take the few numbers is not searched: the sets tried
            # are ruled out one by one, and the bound stays as it is.
            gaps_matter = True
            if not (free & ~changed).any():
                break
            programme.one_of(np.flatnonzero(free & ~changed).tolist(), ())
    if programme.impossible:
        return Fewest(None, (), 0, programme.impossible)
    if best is None:
        best = _repaired(network, programme, free.copy(), shuffled, enough)
    if best is None:
        return Fewest(None, (), bound, programme.impossible)
    return Fewest(best[0], tuple(np.flatnonzero(best[1]).tolist()), bound)


def _known_beforehand(network: NetworkOrder, programme: _Programme) -> None:
    """What follows from the order as it stands."""
    for twins in network.twins:
        if len(twins) > 1:
            programme.demand(dict.fromkeys(twins, 1), len(twins) - 1, twins)
    for f in np.flatnonzero(network.judged).tolist():
        above = _above(network, f)
        if network.in_time(f, above):
            continue
        if not network.in_time(f, np.zeros(network.n, np.bool_)):
            programme.impossible = (f,)
            return
        least = leaving(network, f, above)
        others = np.flatnonzero(above).tolist()
        programme.demand({**dict.fromkeys(others, 1), f: least}, least, (*others, f))


def _above(network: NetworkOrder, f: int) -> Mask:
    """What goes before an entry as it stands."""
    above = np.zeros(network.n, np.bool_)
    above[: network.model.upto[f]] = True
    above[f] = False
    return above


def leaving(network: NetworkOrder, f: int, above: Mask) -> int:
    """How many of ``above`` must leave at least before ``f`` can be in time where it stands.

    In time means that the first instance's queuing delay w ends: some w with B + the demand of
    those above <= w, and w + C + J within the deadline. Between two arrivals the demand stands
    still, so only the last moments before an arrival count; at each, the largest demands leave
    first. Blocking and the price of a bus error are taken as small as they can be, so fewer never
    suffice. Messages sent at stated offsets are not counted so: where there are some, one leaves.
    """
    found = windows(network, f, above)
    if found is None:
        return 1
    demand, spare, _ = found
    remaining = np.sort(demand, axis=1).cumsum(axis=1)
    staying = (remaining <= spare[:, None]).sum(axis=1)
    staying = np.where(spare >= 0, staying, -1)
    return int(max(1, demand.shape[1] - staying.max(initial=0)))


def relief(network: NetworkOrder, f: int, above: Mask) -> list[int] | None:
    """How much each of ``above`` that leaves brings ``f`` nearer to being in time, at most: it is
    late as long as those that leave bring less than :data:`WHOLE` together.

    In every window that those above overfill, each brings its own demand as a part of what is too
    much; the largest part over all windows counts. ``None`` where windows are not counted.
    """
    found = windows(network, f, above)
    if found is None:
        return None
    demand, spare, _ = found
    over = demand.sum(axis=1) - spare
    if (over <= 0).any():
        return None
    parts = -(-WHOLE * demand // over[:, None])
    return [int(part) for part in np.minimum(parts.max(axis=0), WHOLE)]


@dataclass(frozen=True, slots=True)
class Others:
    """Entries that are not there yet: time on the wire, period, and how much earlier than that the
    next may come [ns]."""

    frame: I64
    period: I64
    lead: I64

    def some(self, which: Sequence[int]) -> Others:
        """Some of them."""
        rows = np.array(which, np.int64)
        return Others(self.frame[rows], self.period[rows], self.lead[rows])


_NONE: I64 = np.zeros(0, np.int64)
NOBODY = Others(_NONE, _NONE, _NONE)


def windows(
    network: NetworkOrder, f: int, above: Mask, others: Others = NOBODY
) -> tuple[I64, I64, I64] | None:
    """The demand [ns] of each of ``above`` in every window that matters, shape (windows, above),
    how much of it each window can hold [ns], and the demand of each of ``others`` that may come
    too; ``None`` where that is not counted."""
    model = network.model
    rows = np.flatnonzero(above)
    frame = np.append(np.array(model.frame, np.int64)[rows], others.frame)
    period = np.append(np.array(model.period, np.int64)[rows], others.period)
    lead = np.append(np.array(model.jitter, np.int64)[rows] + model.bit, others.lead)
    own = model.frame[f]
    last = int(network.deadline[f]) - model.jitter[f] + max(model.inherited[f], 0) - own
    blocking = max((model.single[k] for k in range(model.upto[f], network.n)), default=0)
    counts = np.maximum(0, (last + lead) // period)
    if counts[: len(rows)].sum() > _MOST_MOMENTS or network.in_rhythms:
        return None
    moments = [np.array([last], np.int64)]
    for each, ahead in sorted(set(zip(period.tolist(), lead.tolist(), strict=True))):
        moments.append(np.arange(1, max(0, (last + ahead) // each) + 1) * each - ahead)
    ends = np.unique(np.concatenate(moments))
    ends = ends[(ends >= 0) & (ends <= last)]
    demand = -(-(ends[:, None] + lead) // period) * frame
    spare = ends - blocking
    if network.fault_every:
        hits = -(-(ends + own) // network.fault_every)
        spare = spare - hits * (model.fault_cost + model.single[f])
    return demand[:, : len(rows)], spare, demand[:, len(rows) :]


def _next_demand(
    network: NetworkOrder, programme: _Programme, changed: Mask
) -> list[int] | Literal["more", "full"]:
    """An order when these changes suffice; else what they must meet beside, as inequalities.

    :data:`FULL`: nothing new, but numbers are missing where the search is stuck.
    """
    late = False
    for f in np.flatnonzero(network.judged & ~changed).tolist():
        above = _above(network, f)
        if network.in_time(f, above & ~changed):
            continue
        # Late even below no changed one: who else leaves, as long as that does not help yet?
        leaves = changed.copy()
        for k in np.flatnonzero(above & ~changed):
            leaves[k] = True
            if network.in_time(f, above & ~leaves):
                leaves[k] = False
        named = [*np.flatnonzero(above & ~leaves).tolist(), f]
        programme.one_of(named, named)
        late = True
    if late:
        return MORE
    found = network.find(changed)
    if not isinstance(found, Failure):
        return found
    if found.full:
        return FULL
    programme.one_of(found.named, found.left)
    return MORE


def _repaired(
    network: NetworkOrder,
    programme: _Programme,
    begin: Mask,
    shuffled: np.random.Generator,
    enough: Enough,
) -> _Answer | None:
    """An answer from a set of changes that does not suffice: more of them, then none too many."""
    best: _Answer | None = None
    for up in (True, False):
        answer = _widened(network, programme, begin, up=up)
        if answer is not None:
            for _ in range(_TRIES):
                best = _better(best, _thinned(network, answer, shuffled, enough))
    return best


def _widened(
    network: NetworkOrder, programme: _Programme, begin: Mask, *, up: bool
) -> _Answer | None:
    """More changes until they suffice; each place where the search is stuck is a demand too.

    Where the search from below is stuck, either the message that is late there leaves (``up``), or
    one above it that could wait there.
    """
    changed = begin.copy()
    while isinstance(found := network.find(changed), Failure):
        if not found.full:
            programme.one_of(found.named, found.left)
        late = [found.next_kept] if found.next_kept >= 0 else []
        patient = sorted(found.in_time, key=lambda i: -_need(network, i))
        named = [*late, *patient] if up else [*patient, *late]
        named += sorted(found.left, key=lambda i: -_need(network, i))
        may = programme.may_change
        chosen = next((i for i in named if may[i] and not changed[i]), None)
        if chosen is None:
            return None
        changed[chosen] = True
    return tuple(found), changed


def _need(network: NetworkOrder, i: int) -> float:
    """The share of the bus that an entry takes."""
    return network.model.frame[i] / network.model.period[i]


def _thinned(
    network: NetworkOrder, answer: _Answer, shuffled: np.random.Generator, enough: Enough
) -> _Answer:
    """The answer without what need not change, tried in a random order."""
    order, trial = answer[0], answer[1].copy()
    for i in shuffled.permutation(np.flatnonzero(trial)):
        if enough():
            break
        trial[i] = False
        tried = None if _twins(network, trial, i) else network.find(trial)
        if tried is None or isinstance(tried, Failure):
            trial[i] = True
        else:
            order = tuple(tried)
    return order, trial


def _twins(network: NetworkOrder, changed: Mask, i: int) -> bool:
    """Whether ``i`` would keep an identifier that another one keeps."""
    own = next((twins for twins in network.twins if i in twins), ())
    return sum(not changed[k] for k in own) > 1


def _better(one: _Answer | None, other: _Answer | None) -> _Answer | None:
    if one is None or (other is not None and other[1].sum() < one[1].sum()):
        return other
    return one
