"""Why there is no answer: sums that prove it, or a smallest set of nodes that cannot live together.

The set is found by QuickXplain (Junker, "QuickXplain: preferred explanations and relaxations for
over-constrained problems", AAAI 2004, from memory): nodes are taken in halves, and each half is
searched only as far as it matters beside the other.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from busplan.allot.judging import Judging
from busplan.allot.learnt import Cut
from busplan.allot.problem import Net, Option, Placement, Question, Unit, Wanted
from busplan.allot.programme import Programme
from busplan.allot.room import bits_per_s
from busplan.allot.search import Verdict, search
from busplan.allot.smallest import smallest_part
from busplan.plan.paper_text import key_text
from busplan.wire.load_limit import ROUNDING

_STEP_S = 10.0
"""Longest time for one question whether a set of nodes can live together."""


@dataclass(frozen=True, slots=True)
class Sum:
    """Loads that add up to more than there is: bits a second of ``nodes``, on ``networks``.

    ``needed``: how many networks as large as the largest of these they would take.
    """

    nodes: tuple[str, ...]
    networks: tuple[str, ...]
    bits_per_s: float
    room_per_s: float
    needed: int


@dataclass(frozen=True, slots=True)
class Conflict:
    """``nodes``: none of them can be left out, all together have no place (with the gateways).

    ``smallest`` false: the search ended before that was known. ``late``: deadlines are in it.
    ``frees``: what would give these nodes a place, each alone; for each of them one was found.
    """

    nodes: tuple[str, ...] = ()
    sums: tuple[Sum, ...] = ()
    smallest: bool = True
    late: bool = False
    frees: tuple[str, ...] = ()


def find_conflict(
    question: Question,
    cuts: Sequence[Cut],
    left: Callable[[], float],
    over: Callable[[], bool],
    refused: Sequence[str] = (),
) -> Conflict:
    """Why a question has no answer. ``cuts``: what is known of sets that miss their deadlines."""
    sums = tuple(too_much(question))
    asker = _Asker(question, [c for c in cuts if c.sound and not c.changes], left, over, refused)
    gateways = frozenset(i for g in question.gateways for i in g.units)
    nodes = list(dict.fromkeys(u.node for i, u in enumerate(question.units) if i not in gateways))
    if asker.possible(nodes):
        return Conflict((), sums, smallest=False)
    guilty = smallest_part(nodes, asker.impossible, stop=over)
    late = bool(guilty) and _Asker(_patient(question), [], left, over, refused).possible(guilty)
    frees = tuple(_frees(question, asker.cuts, guilty, left, over, refused)) if guilty else ()
    return Conflict(tuple(guilty), sums, not over(), late, frees)


def too_much(question: Question) -> Iterator[Sum]:
    """Groups of nodes whose loads are more than the networks on which they may sit can take."""
    seen = set()
    nets = question.nets
    for allowed in {frozenset(u.networks) for u in question.units}:
        units = [u for u in question.units if set(u.networks) <= allowed and u.sent]
        rates = {k: [b for b in nets[k].rates if any(b in u.rates for u in units)] for k in allowed}
        room = {k: nets[k].limit * max(rates[k], default=0) for k in allowed}
        needs = sum(
            min(bits_per_s(s, nets[k].rate, nets[k].data_rate) for k in u.networks)
            for u in units
            for s in u.sent
        )
        total = sum(room.values())
        nodes = tuple(dict.fromkeys(u.node for u in units))
        if needs > total * (1 + ROUNDING) and nodes not in seen:
            seen.add(nodes)
            largest = max(room.values(), default=0.0)
            yield Sum(
                nodes,
                tuple(nets[k].name for k in sorted(allowed)),
                needs,
                total,
                int(-(-needs // largest)) if largest else 0,
            )


@dataclass
class _Asker:
    question: Question
    cuts: Sequence[Cut]
    left: Callable[[], float]
    over: Callable[[], bool]
    refused: Sequence[str] = ()

    def __post_init__(self) -> None:
        self.programme = Programme(self.question, list(self.cuts))
        self.forbidden = self.programme.forbidden(self.refused)
        self.gateways = frozenset(i for g in self.question.gateways for i in g.units)

    def impossible(self, nodes: Sequence[str]) -> bool:
        """Whether these nodes and the gateways have no place together, proven."""
        wanted = frozenset(nodes)
        units = self.question.units
        present = self.gateways | {i for i, u in enumerate(units) if u.node in wanted}
        seconds = min(self.left(), _STEP_S)
        found = self.programme.solve(seconds, present=present, forbidden=self.forbidden)
        return found.impossible

    def possible(self, nodes: Sequence[str]) -> bool:
        """Whether that is not proven."""
        return not self.impossible(nodes)


def _frees(
    question: Question,
    cuts: Sequence[Cut],
    guilty: Sequence[str],
    left: Callable[[], float],
    over: Callable[[], bool],
    refused: Sequence[str],
) -> Iterator[str]:
    """What alone would give the guilty ones a place."""

    def helps(other: Question) -> bool:
        if over():
            return False
        known = (
            cuts
            if len(other.nets) == len(question.nets)
            else [c for c in cuts if c.network is None]
        )
        return _Asker(other, known, left, over, refused).possible(guilty) and _placed(
            alone(other, guilty), left, over, refused
        )

    if helps(_with_network(question)):
        yield "one more network"
    theirs = {k for u in question.units if u.node in guilty for k in u.networks}
    for k in sorted(theirs):
        for rate in question.nets[k].more_rates:
            if helps(_with_rate(question, k, rate)):
                may = ", ".join(str(b) for b in _with_rate(question, k, rate).nets[k].rates)
                yield f"bit_rates = [{may}] in [network.{key_text(question.nets[k].name)}]"
    for node in guilty:
        for told, change in _changes(question, node):
            other = replace(
                question, units=tuple(change(u) if u.node == node else u for u in question.units)
            )
            if helps(other):
                yield told


def _placed(
    question: Question,
    left: Callable[[], float],
    over: Callable[[], bool],
    refused: Sequence[str],
) -> bool:
    """Whether a placement is found in which nothing speaks against any network."""
    judging = Judging(question, lambda: True)
    right: list[bool] = []

    def accept(answer: Placement) -> Verdict:
        wrong = {k for k, one in judging.wrong(answer) if isinstance(one, Cut)}
        right.extend([True] * (not wrong))
        return Verdict(late=tuple(sorted(wrong)))

    end = left() - min(left(), _STEP_S)
    search(
        question,
        accept,
        left=lambda: left() - end,
        enough=lambda: bool(right) or over(),
        refused=refused,
    )
    return bool(right)


def alone(question: Question, nodes: Collection[str]) -> Question:
    """The same with these nodes and the gateways only, and what they need of each other."""
    gateways = {i for g in question.gateways for i in g.units}
    kept = [i for i, u in enumerate(question.units) if i in gateways or u.node in nodes]
    new = {old: n for n, old in enumerate(kept)}

    def within(wanted: Wanted) -> Wanted | None:
        asked = (*wanted.units, *(u for u, _ in (*wanted.senders, *wanted.bring)))
        if not new.keys() >= set(asked):
            return None
        return replace(
            wanted,
            units=tuple(new[u] for u in wanted.units),
            senders=tuple((new[u], m) for u, m in wanted.senders),
            bring=tuple((new[u], m) for u, m in wanted.bring),
        )

    return replace(
        question,
        units=tuple(question.units[i] for i in kept),
        wanted=tuple(w for w in map(within, question.wanted) if w is not None),
        gateways=tuple(
            replace(
                g,
                units=tuple(new[i] for i in g.units),
                carries={(new[u], m): to for (u, m), to in g.carries.items() if u in new},
                delays={(new[u], m, k): ns for (u, m, k), ns in g.delays.items() if u in new},
            )
            for g in question.gateways
        ),
        stays=tuple((g, new[u], m, k) for g, u, m, k in question.stays if u in new),
        feeds=tuple((g, new[u]) for g, u in question.feeds if u in new),
    )


def _patient(question: Question) -> Question:
    """The same without deadlines."""

    def one(unit: Unit) -> Unit:
        sent = (
            replace(s, frames=tuple(replace(f, judged=False) for f in s.frames)) for s in unit.sent
        )
        return replace(unit, sent=tuple(sent))

    return replace(question, units=tuple(map(one, question.units)))


def _with_network(question: Question) -> Question:
    """One network more, which every classical node may join."""
    rates = tuple(sorted({b for u in question.units for b in u.rates}))
    faults = min(net.fault_interval_ns for net in question.nets)
    new = Net("one more", 0, rates, 0.5, fault_interval_ns=faults)
    number = len(question.nets)
    return replace(
        question,
        nets=(*question.nets, new),
        units=tuple(
            u
            if u.pinned or any(s.address is not None for s in u.sent)
            else replace(u, networks=(*u.networks, number))
            for u in question.units
        ),
    )


def _with_rate(question: Question, network: int, rate: int) -> Question:
    """The same where a network may have one bit rate more."""
    nets = list(question.nets)
    net = nets[network]
    nets[network] = replace(net, rates=tuple(sorted((*net.rates, rate))))
    return replace(question, nets=tuple(nets))


def _changes(question: Question, node: str) -> Iterator[tuple[str, Callable[[Unit], Unit]]]:
    """What could be different about a node, and how it would be."""
    units = [u for u in question.units if u.node == node]
    classical = tuple(k for k, net in enumerate(question.nets) if net.data_rate is None)
    if not any(o.kind == "bought" for u in units for o in u.options) and any(u.sent for u in units):
        yield (
            f"{node} with other identifiers",
            lambda u: replace(u, options=(*u.options, Option("bought"))),
        )
    if any(set(u.networks) < set(classical) for u in units):
        yield (
            f"{node} allowed on every classical network",
            lambda u: replace(u, networks=tuple(sorted({*u.networks, *classical})), pinned=""),
        )
    spoken = {b for u in units for b in u.rates}
    rates = sorted({b for net in question.nets for b in net.rates} - spoken)
    for rate in rates:
        yield (
            f"{node} if it spoke {rate // 1000} kbit/s",
            lambda u, rate=rate: replace(u, rates=u.rates | {rate}),  # type: ignore[misc]
        )
