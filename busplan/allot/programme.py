"""The placement as a mixed-integer programme.

The rules of this file: every row is a necessary condition, so that the least cost under them is a
bound below which there is no answer; whether messages are in time for certain is judged outside
(:mod:`busplan.allot.judge`) and comes back as cuts. The rows themselves: :mod:`busplan.allot.rows`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from busplan.allot.learnt import ANY_NAME, Cut, Demand, Elsewhere, Who
from busplan.allot.matrix import Growing, Terms
from busplan.allot.problem import Carried, Placement, Question
from busplan.allot.room import add_room
from busplan.allot.rows import Rows, message_at
from busplan.allot.solver import Linear, solved
from busplan.frames.columns import F64, I64


@dataclass(frozen=True, slots=True)
class Solved:
    """``answer``: the cheapest found, ``None`` when none was. ``bound``: none is cheaper.

    ``impossible``: there is none.
    """

    answer: Placement | None
    cost: float
    bound: float
    impossible: bool


@dataclass
class Programme:
    """One question as a programme, with the cuts it has been given."""

    question: Question
    cuts: list[Cut] = field(default_factory=list)
    demands: list[Demand] = field(default_factory=list)
    rows: Rows = field(init=False)
    unproven: list[int] = field(default_factory=list, init=False)
    """Rows of cuts that prove nothing."""
    _matrix: Growing = field(default_factory=Growing, init=False)

    def __post_init__(self) -> None:
        self.rows = Rows(self.question)
        add_room(self.rows)
        for cut in self.cuts:
            self._add(cut)
        for wanted in self.demands:
            self._demand(wanted)

    def rules_out(self, answer: Placement) -> bool:
        """Whether an answer is ruled out by a cut that proves nothing for others."""
        return any(not cut.sound and _holds(cut, answer) for cut in self.cuts)

    def add(self, cut: Cut) -> bool:
        """One more cut; false when it is there already."""
        if cut in self.cuts:
            return False
        self.cuts.append(cut)
        self._add(cut)
        return True

    def _add(self, cut: Cut) -> None:
        nets = self.question.nets
        for k in range(len(nets)) if cut.network is None else (cut.network,):
            terms = self._together(cut, k)
            begin = len(self.rows.rows)
            if terms is not None and (cut.network is not None or nets[k].data_rate is None):
                beside = self._beside(cut.beside)
                if beside is not None:
                    self._cut(cut, k, terms, beside)
            if not cut.sound:
                self.unproven += range(begin, len(self.rows.rows))

    def _beside(self, beside: Elsewhere) -> tuple[Terms, int] | None:
        """Terms whose sum is at most the number beside them, and equals it when all of that is so;
        ``None`` where it cannot be."""
        rows = self.rows
        terms: Terms = {}
        for i, j, k in beside.units:
            v = rows.place.get((i, k)) if j is None else rows.named.get((i, j, k))
            if v is None:
                return None
            terms[v] = 1.0
        number = len(terms) + len(beside.carried)
        for u, m, k, j in beside.carried:
            under = rows.under((u, m), k, j)
            if not under:
                return None
            terms |= under
        terms |= {rows.moving(*which): -1.0 for which in beside.kept}
        for k, rate in beside.rates:
            terms |= {rows.rate[k, b]: -1.0 for b in self.question.nets[k].rates if b > rate}
        return terms, number

    def _together(self, cut: Cut, k: int) -> Terms | None:
        """Whether all that a cut names is on a network; ``None`` where it cannot be."""
        rows = self.rows
        found: Terms = {}
        for i, j in cut.units:
            v = rows.place.get((i, k)) if j is None else rows.named.get((i, j, k))
            if v is None:
                return None
            found[v] = 1.0
        for u, m, j in cut.carried:
            ways = dict.fromkeys(rows.ways((u, m), k), 1.0)
            if not ways:
                return None
            found |= ways if j == ANY_NAME else rows.under((u, m), k, j)
        return found

    def _cut(self, cut: Cut, k: int, terms: Terms, beside: tuple[Terms, int]) -> None:
        rows = self.rows
        faster = [rows.rate[k, b] for b in self.question.nets[k].rates if b > cut.rate]
        size = len(cut.units) + len(cut.carried)
        if cut.changes:
            weight = float(cut.changes)
            all_of = dict.fromkeys(terms, -weight) | dict.fromkeys(faster, weight)
            rows.row({rows.changing(k): 1.0, **all_of}, low=weight * (1 - size))
        else:
            more, number = beside
            high = size - 1 + number
            rows.row(_added(terms, more, dict.fromkeys(faster, -1.0)), high=high)

    def demand(self, wanted: Demand) -> bool:
        """One more inequality of a network; false when it is there already."""
        if wanted in self.demands:
            return False
        self.demands.append(wanted)
        self._demand(wanted)
        return True

    def _demand(self, wanted: Demand) -> None:
        rows, k = self.rows, wanted.network
        sum_of: Terms = {}
        most = max(wanted.least, wanted.most)
        total, whole = 0, -float(most)
        both = [(w, n, True) for w, n in wanted.kept] + [(w, n, False) for w, n in wanted.there]
        for (u, j, m, brought), weight, own in both:
            total += weight
            if brought:
                stays = rows.under((u, m), k, j) if own else dict.fromkeys(rows.ways((u, m), k), 1)
                for v, sign in stays.items():
                    sum_of[v] = sum_of.get(v, 0.0) - sign * weight
                continue
            if (here := rows.named.get((u, j, k))) is not None:
                sum_of[here] = sum_of.get(here, 0.0) - weight
                if sum_of[here] < whole:
                    # Whoever leaves with more than enough for all brings just that.
                    total -= int(whole - sum_of[here])
                    sum_of[here] = whole
            if own and self.question.units[u].sent[m].movable:
                v = rows.moving(u, m, k)
                sum_of[v] = sum_of.get(v, 0.0) + weight
        least = wanted.least
        for b in self.question.nets[k].rates:
            if b > wanted.rate:
                v = rows.rate[k, b]
                sum_of[v] = sum_of.get(v, 0.0) + most
        for guest, weight in wanted.guests:
            self._guest(sum_of, guest, k, weight)
        beside = self._beside(wanted.beside)
        if beside is not None:
            terms, number = beside
            relief = {v: -most * w for v, w in terms.items()}
            rows.row(_added(sum_of, relief), low=least - total - most * number)

    def _guest(self, sum_of: Terms, who: Who, k: int, weight: int) -> None:
        """Count what may come to a network, where it is there under its own identifier for sure."""
        rows, (u, j, m, brought) = self.rows, who
        if brought:
            one = len(list(rows.ways((u, m), k))) == 1
            found = {v: -sign for v, sign in rows.under((u, m), k, j).items()} if one else {}
        else:
            v = rows.named.get((u, j, k))
            found = {} if v is None else {v: -1.0}
            if found and self.question.units[u].sent[m].movable:
                moved = rows.moved.get((u, m, k))
                found = {} if moved is None else {**found, moved: 1.0}
        for v, sign in found.items():
            sum_of[v] = sum_of.get(v, 0.0) + sign * weight

    def at_most(self, most: float) -> None:
        """Rule out answers that cost more; what only cuts to come let change is not counted."""
        self.rows.row({v: c for v, c in enumerate(self.rows.cost) if c}, high=most)

    def other_than(self, answer: Placement) -> bool:
        """Rule out answers that hold all the dear choices of this one; false when it has none.

        That another one of the same things moves is no other answer.
        """
        rows, question = self.rows, self.question
        moved = {
            (question.units[i].alike or i, question.units[i].home, k)
            for i, k in enumerate(answer.where)
            if k != question.units[i].home and len(question.units[i].networks) > 1
        }
        held: Terms = {}
        least = 0
        for (i, k), v in rows.place.items():
            unit = question.units[i]
            if (unit.alike or i, unit.home, k) in moved:
                held[v] = 1.0
                least += answer.where[i] == k
        chosen = [
            rows.rate[k, b]
            for k, b in enumerate(answer.rates)
            if b not in (0, question.nets[k].rate)
        ]
        for i, unit in enumerate(question.units):
            if unit.options[answer.option[i]].kind == "bought":
                chosen.append(rows.option[unit.node, answer.option[i]])
        held |= dict.fromkeys(chosen, 1.0)
        if held:
            rows.row(held, high=least + len(set(chosen)) - 1)
        return bool(held)

    def solve(
        self,
        seconds: float,
        *,
        gap: float = 1e-6,
        present: Collection[int] | None = None,
        fixed: Mapping[int, float] | None = None,
        forbidden: Iterable[int] = (),
        sound: bool = False,
    ) -> Solved:
        """The cheapest answer. ``present``: only these units are there, and only whether that can
        be is asked. ``fixed`` holds variables at a value, ``forbidden`` at 0. ``sound``: by
        what is proven only."""
        linear = self.linear(fixed or {}, forbidden, sound=sound)
        if present is not None:
            self._only(frozenset(present), linear)
        found = solved(linear, self.rows.whole, seconds, gap)
        if found.x is None:
            return Solved(None, np.inf, max(found.bound, 0.0), found.impossible)
        answer = self.answer(found.x) if present is None else None
        return Solved(answer, found.cost, found.bound, impossible=False)

    def linear(
        self, fixed: Mapping[int, float], forbidden: Iterable[int] = (), *, sound: bool = False
    ) -> Linear:
        """All of it as it is solved; see :meth:`solve`."""
        rows = self.rows.rows
        cost = np.array(self.rows.cost)
        matrix = self._matrix.of(rows, len(cost), self.rows.sums.values())
        low, high = (np.array([entry[side] for entry in rows], float) for side in (1, 2))
        lower, upper = np.zeros(len(cost)), np.array(self.rows.upper)
        for v, value in fixed.items():
            lower[v] = upper[v] = value
        upper[list(forbidden)] = 0.0
        if sound:
            low[self.unproven], high[self.unproven] = -np.inf, np.inf
        return Linear(cost, matrix, low, high, lower, upper)

    def pools(self) -> tuple[list[I64], I64]:
        """Variables to tell answers apart by: who stays, options, where to; and all that are whole
        numbers."""
        rows, units = self.rows, self.question.units
        stays: list[int] = []
        goes: list[int] = []
        for (i, k), v in rows.place.items():
            if len(units[i].networks) > 1:
                (stays if k == units[i].home else goes).append(v)
        some = (stays, list(rows.option.values()), goes)
        whole = np.flatnonzero(np.array(rows.whole))
        return [np.array(pool, np.int64) for pool in some], whole

    def _only(self, present: frozenset[int], linear: Linear) -> None:
        """Only these units are there, at no cost."""
        linear.cost[:] = 0.0
        for (i, _), x in self.rows.place.items():
            if i not in present:
                linear.upper[x] = 0.0
        for i, row in self.rows.seats.items():
            if i not in present:
                linear.low[row] = linear.high[row] = 0.0
        for row, units in self.rows.loose.items():
            if not units <= present:
                linear.low[row], linear.high[row] = -np.inf, np.inf

    def answer(self, x: F64) -> Placement:
        """What the variables of a solution say; of those that are not whole, the nearest."""
        question, rows = self.question, self.rows
        on = x > 0.5
        where = [0] * len(question.units)
        most = [0.0] * len(question.units)
        for (i, k), v in rows.place.items():
            if x[v] > most[i]:
                where[i], most[i] = k, x[v]
        option = [
            next((j for j in range(len(u.options)) if on[rows.option[u.node, j]]), 0)
            if len(u.options) > 1
            else 0
            for u in question.units
        ]
        rates = [
            next((b for b in net.rates if on[rows.rate[k, b]]), 0)
            for k, net in enumerate(question.nets)
        ]
        carried = frozenset(c for c, v in rows.brought.items() if on[v])
        renamed = frozenset(c for c in carried if on[rows.renamed[message_at(c)]])
        moved = frozenset((u, m) for (u, m, k), v in rows.moved.items() if on[v] and where[u] == k)
        return Placement(tuple(where), tuple(option), tuple(rates), renamed, carried, moved)

    def forbidden(self, names: Collection[str]) -> list[int]:
        """The variables of choices that are refused, by their names (:func:`choices`)."""
        return [v for name, v in self.choices().items() if name in names] if names else []

    def choices(self) -> dict[str, int]:
        """The name of each choice that can be refused, and its variable."""
        question, rows = self.question, self.rows
        units, nets = question.units, question.nets
        found: dict[str, int] = {}
        for (i, k), v in rows.place.items():
            if k != units[i].home:
                found[move_name(question, i, k)] = v
        for (k, b), v in rows.rate.items():
            found[f"rate {nets[k].name} {b}"] = v
        for (node, j), v in rows.option.items():
            option = next(u for u in units if u.node == node).options[j]
            found[f"{option.kind} {node}" + (f" {option.shift:#x}" if option.shift else "")] = v
        for what, v in rows.brought.items():
            found[carry_name(question, what)] = v
        return found


def _holds(cut: Cut, answer: Placement) -> bool:
    """Whether an answer has all of a cut of one network together there."""
    k = cut.network
    brought = {(c.unit, c.message): c for c in answer.carried if c.network == k}
    return (
        k is not None
        and answer.rates[k] <= cut.rate
        and all(answer.where[i] == k and j in (None, answer.option[i]) for i, j in cut.units)
        and all(
            (u, m) in brought
            and (j == ANY_NAME or (brought[u, m] not in answer.renamed and answer.option[u] == j))
            for u, m, j in cut.carried
        )
        and (not cut.changes or sum(answer.where[u] == k for u, _ in answer.moved) < cut.changes)
    )


def _added(*sums: Terms) -> Terms:
    """All of these in one sum."""
    found: Terms = {}
    for terms in sums:
        for v, weight in terms.items():
            found[v] = found.get(v, 0.0) + weight
    return found


def move_name(question: Question, unit: int, network: int) -> str:
    """What a move is called where it can be refused."""
    one = question.units[unit]
    several = sum(u.node == one.node for u in question.units) > 1
    port = f"/{one.port}" if several else ""
    return f"move {one.node}{port} {question.nets[network].name}"


def carry_name(question: Question, what: Carried) -> str:
    """What carrying a message is called where it can be refused."""
    label = question.units[what.unit].sent[what.message].label
    return f"carry {label} {question.nets[what.network].name}"
