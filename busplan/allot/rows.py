"""Variables and rows of the placement: who sits where, who hears whom, under which names.

What has to fit (loads, deadlines, cables): :mod:`busplan.allot.room`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import combinations
from typing import NamedTuple

import numpy as np

from busplan.allot.matrix import Row, Terms
from busplan.allot.problem import Carried, Name, Option, Question, Unit, Wanted, carrying, residents


class _User(NamedTuple):
    """Who sends an identifier on a network: node, the variable that says so, and what helps."""

    node: str
    sends: int
    movable: tuple[int, int, int] | None = None
    renamed: int | None = None


class Rows:
    """The programme of one question; every variable is 0 or 1 unless said otherwise.

    ``place[unit, network]``, ``option[node, option]``, ``named[unit, option, network]`` (both of
    them together), ``rate[network, bit rate]``, ``brought`` what a gateway carries,
    ``brought_as[variable of that, option]`` under the identifier of an option of its sender,
    ``renamed[unit, message, network]`` with another identifier, ``moved[unit, message, network]``
    a message that gets another identifier, ``changes[network]`` how many do (``sums``: the row
    that says so). ``seats``: the row
    in which each unit gets its place; ``loose``: rows that say nothing without all these units.
    """

    def __init__(self, question: Question) -> None:
        self.question = question
        self.cost: list[float] = []
        self.upper: list[float] = []
        self.whole: list[bool] = []
        self.rows: list[Row] = []
        self.place: dict[tuple[int, int], int] = {}
        self.option: dict[tuple[str, int], int] = {}
        self.named: dict[tuple[int, int, int], int] = {}
        self.rate: dict[tuple[int, int], int] = {}
        self.brought: dict[Carried, int] = {}
        self._ways: dict[tuple[int, int, int], tuple[int, ...]] = {}
        self.brought_as: dict[tuple[int, int], int] = {}
        self.renamed: dict[tuple[int, int, int], int] = {}
        self.moved: dict[tuple[int, int, int], int] = {}
        self.changes: dict[int, int] = {}
        self.sums: dict[int, int] = {}
        self.seats: dict[int, int] = {}
        self.loose: dict[int, frozenset[int]] = {}
        self._units()
        self._rates()
        self._carrying()
        self._needs()
        self._names()

    def variable(self, cost: float = 0.0, upper: float = 1.0, *, whole: bool = True) -> int:
        """One more variable from 0 to ``upper``."""
        self.cost.append(cost)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms: Terms, low: float = -np.inf, high: float = np.inf) -> int:
        """One more row ``low <= sum(terms) <= high``."""
        self.rows.append((terms, low, high))
        return len(self.rows) - 1

    def changing(self, network: int) -> int:
        """The number of identifiers that change on a network."""
        if network not in self.changes:
            costs = self.question.costs
            v = self.changes[network] = self.variable(costs.identifier, np.inf, whole=False)
            self.sums[network] = self.row({v: 1.0}, low=0)
        return self.changes[network]

    def moving(self, unit: int, message: int, network: int) -> int:
        """Whether a message gets another identifier on a network."""
        key = (unit, message, network)
        if key not in self.moved:
            self.changing(network)
            v = self.moved[key] = self.variable()
            self.rows[self.sums[network]][0][v] = -1.0
            self.row({v: 1.0, self.place[unit, network]: -1.0}, high=0)
        return self.moved[key]

    def _units(self) -> None:
        question, costs = self.question, self.question.costs
        nodes: dict[str, list[int]] = defaultdict(list)
        for i, unit in enumerate(question.units):
            nodes[unit.node].append(i)
            for k in unit.networks:
                self.place[i, k] = self.variable(costs.move * (k != unit.home))
            self.seats[i] = self.row({self.place[i, k]: 1.0 for k in unit.networks}, 1, 1)
        for node, units in nodes.items():
            options = question.units[units[0]].options
            if len(options) > 1:
                for j, option in enumerate(options):
                    self.option[node, j] = self.variable(option.cost)
                self.row({self.option[node, j]: 1.0 for j in range(len(options))}, 1, 1)
            for i in units:
                self._ways_named(i, len(options))
            for a, b in combinations(units, 2):
                # Two connections on one network only where that is so today.
                if question.units[a].home != question.units[b].home:
                    for k in question.units[a].networks:
                        if (b, k) in self.place:
                            self.row({self.place[a, k]: 1.0, self.place[b, k]: 1.0}, high=1)

    def _ways_named(self, i: int, options: int) -> None:
        """A unit on a network has one of its node's options there."""
        unit = self.question.units[i]
        for k in unit.networks:
            if options == 1:
                self.named[i, 0, k] = self.place[i, k]
                continue
            for j in range(options):
                self.named[i, j, k] = self.variable()
                self.row({self.named[i, j, k]: 1.0, self.option[unit.node, j]: -1.0}, high=0)
            each = {self.named[i, j, k]: 1.0 for j in range(options)}
            self.row({**each, self.place[i, k]: -1.0}, 0, 0)

    def _rates(self) -> None:
        question, costs = self.question, self.question.costs
        added: list[Terms] = []
        for k, net in enumerate(question.nets):
            for b in net.rates:
                again = 0.0 if net.new or b == net.rate else costs.reset * residents(question, k)
                self.rate[k, b] = self.variable(again + costs.network * net.new)
            one = {self.rate[k, b]: 1.0 for b in net.rates}
            if not net.new:
                self.row(one, 1, 1)
                continue
            self.row(one, high=1)
            if added:
                self.row({**added[-1], **dict.fromkeys(one, -1.0)}, low=0)
            added.append(one)
        for (i, k), x in self.place.items():
            unit, net = question.units[i], question.nets[k]
            spoken = {self.rate[k, b]: -1.0 for b in net.rates if b in unit.rates}
            if len(spoken) < len(net.rates) or net.new:
                self.row({x: 1.0, **spoken}, high=0)
            for b in net.rates:
                too_long = unit.stub_m > net.stub_m.get(b, np.inf)
                if too_long and not (k == unit.home and b == net.rate):
                    self.row({x: 1.0, self.rate[k, b]: 1.0}, high=1)

    def _there(self, gateway: int, network: int) -> Terms:
        """Whether a gateway has a unit on a network."""
        return self._ports[gateway].get(network, {})

    @cached_property
    def _ports(self) -> list[dict[int, Terms]]:
        """By network the terms that say whether each gateway has a unit there."""
        found: list[dict[int, Terms]] = []
        for gateway in self.question.gateways:
            found.append(defaultdict(dict))
            for i in gateway.units:
                for k in self.question.units[i].networks:
                    found[-1][k][self.place[i, k]] = 1.0
        return found

    @cached_property
    def _staying(self) -> list[frozenset[int]]:
        """Networks on which each gateway has a unit that cannot leave."""
        units = self.question.units
        return [
            frozenset(units[i].networks[0] for i in g.units if len(units[i].networks) == 1)
            for g in self.question.gateways
        ]

    def _always(self, gateway: int, network: int) -> bool:
        """Whether a gateway has a unit there that cannot leave."""
        return network in self._staying[gateway]

    def _hears(self, gateway: int, unit: int, only_if: int | None = None) -> None:
        """Where the unit is, the gateway is too; only if a variable is 1, when one is given."""
        if unit in self.question.gateways[gateway].units:
            return
        also: Terms = {} if only_if is None else {only_if: 1.0}
        networks = self.question.units[unit].networks
        if self._staying[gateway].issuperset(networks):
            return
        for k in networks:
            if self._always(gateway, k):
                continue
            there = dict.fromkeys(self._there(gateway, k), -1.0)
            self.row({self.place[unit, k]: 1.0, **there, **also}, high=len(also))

    def _carrying(self) -> None:
        question = self.question
        wanted: dict[tuple[int, int], set[int]] = defaultdict(set)
        strict: dict[tuple[int, int], set[int]] = defaultdict(set)
        for want in question.wanted:
            for message in want.bring:
                wanted[message] |= {k for i in want.units for k in question.units[i].networks}
                if want.by_name:
                    strict[message] |= set(want.units)
        for _, u, m, k in question.stays:
            wanted[u, m].add(k)
        for (u, m), networks in wanted.items():
            for g, gateway in enumerate(question.gateways):
                if gateway.new or gateway.carries.get((u, m)):
                    for k in sorted(networks):
                        self._bring(Carried(g, u, m, k))
        for (u, m, k), ren in self.renamed.items():
            self.row({ren: 1.0, **dict.fromkeys(self.ways((u, m), k), -1.0)}, high=0)
            for r in strict[u, m]:
                if (r, k) in self.place:
                    self.row({ren: 1.0, self.place[r, k]: 1.0}, high=1)
        for g, u, m, k in question.stays:
            there = {self.brought[Carried(g, u, m, k)]: 1.0} if self._there(g, k) else {}
            if (u, k) in self.place:
                there[self.place[u, k]] = 1.0
            self.loose[self.row(there, low=1)] = frozenset({u})
        for g, u in question.feeds:
            self._hears(g, u)

    def _bring(self, what: Carried) -> None:
        there = self._there(what.gateway, what.network)
        if not there:
            return
        t = self.brought[what] = self.variable(carrying(self.question, what))
        self._ways[message_at(what)] = (*self.ways(message_at(what)[:2], what.network), t)
        if not self._always(what.gateway, what.network):
            self.row({t: 1.0, **dict.fromkeys(there, -1.0)}, high=0)
        self._hears(what.gateway, what.unit, t)
        here = self.place.get((what.unit, what.network))
        if here is not None:
            self.row({t: 1.0, here: 1.0}, high=1)
        if message_at(what) not in self.renamed:
            self.renamed[message_at(what)] = self.variable(self.question.costs.identifier)

    def _needs(self) -> None:
        for want in self.question.wanted:
            if len(want.units) > 1:
                self._any_hears(want)
                continue
            (r,) = want.units
            for k in self.question.units[r].networks:
                terms: Terms = {self.place[r, k]: 1.0}
                for u in dict.fromkeys(u for u, _ in want.senders):
                    for v in self._sends(u, k, same=want.by_name):
                        terms[v] = terms.get(v, 0.0) - 1.0
                for message in want.bring:
                    brought = (
                        self.under(message, k, 0)
                        if want.by_name
                        else dict.fromkeys(self.ways(message, k), 1.0)
                    )
                    terms |= {v: -sign for v, sign in brought.items()}
                row = self.row(terms, high=0)
                self.loose[row] = frozenset(u for u, _ in (*want.senders, *want.bring))

    def _any_hears(self, want: Wanted) -> None:
        """One of several units of a node hears one of the senders."""
        heard: Terms = {}
        rows = []
        for u, m in want.senders:
            this = self.variable()
            heard[this] = 1.0
            sender = self.question.units[u]
            if want.by_name and len(sender.options) > 1:
                self.row({this: 1.0, self.option[sender.node, 0]: -1.0}, high=0)
            brought: Terms = {}
            if (u, m) in want.bring:
                for k in sorted({k for i in want.units for k in self.question.units[i].networks}):
                    ways = dict.fromkeys(self.ways((u, m), k), -1.0)
                    ears = {self.place[i, k]: -1.0 for i in want.units if (i, k) in self.place}
                    if ways:
                        got = self.variable(whole=False)
                        self.row({got: 1.0, **ways}, high=0)
                        self.row({got: 1.0, **ears}, high=0)
                        brought[got] = -1.0
            for k in self.question.units[u].networks:
                ears = {self.place[i, k]: -1.0 for i in want.units if (i, k) in self.place}
                sends = {self.place[u, k]: 1.0}
                rows.append(self.row({this: 1.0, **sends, **ears, **brought}, high=1))
        rows.append(self.row(heard, low=1))
        units = frozenset((*want.units, *(u for u, _ in want.senders)))
        self.loose |= dict.fromkeys(rows, units)

    def _sends(self, u: int, k: int, *, same: bool) -> Iterator[int]:
        """Variables that say that a unit sends on a network, under the ``same`` names as now."""
        for j, option in enumerate(self.question.units[u].options):
            v = self.named.get((u, j, k))
            if v is not None and (option.kind == "as it is" or not same):
                yield v

    def ways(self, message: tuple[int, int], k: int) -> Sequence[int]:
        """Variables that say that a gateway brings a message to a network."""
        return self._ways.get((*message, k), ())

    def under(self, message: tuple[int, int], k: int, option: int) -> Terms:
        """Terms whose sum is 1 where a gateway brings a message to a network under the identifier
        that an option of its sender gives it, else 0; none where none can."""
        unit, ways = self.question.units[message[0]], self.ways(message, k)
        if not ways:
            return {}
        renamed = self.renamed[*message, k]
        if len(unit.options) < 2:
            return dict.fromkeys(ways, 1.0) | {renamed: -1.0}
        chosen = self.option[unit.node, option]
        for v in ways:
            if (v, option) not in self.brought_as:
                w = self.brought_as[v, option] = self.variable()
                self.row({w: -1.0, v: 1.0, chosen: 1.0, renamed: -1.0}, high=1)
                for needed in (v, chosen):
                    self.row({w: 1.0, needed: -1.0}, high=0)
                self.row({w: 1.0, renamed: 1.0}, high=1)
        return {self.brought_as[v, option]: 1.0 for v in ways}

    def _names(self) -> None:
        """One sender for an identifier, and one node for a J1939 address, on each network."""
        users: dict[tuple[int, object], list[_User]] = defaultdict(list)
        seen: dict[tuple[int, int, Name, str], int] = {}
        known: dict[tuple[int, int], list[tuple[int, Name]]] = {}
        for (i, j, k), v in self.named.items():
            unit = self.question.units[i]
            if (i, j) not in known:
                known[i, j] = _called(unit, unit.options[j])
            addresses = set()
            for m, name in known[i, j]:
                sent = unit.sent[m]
                if seen.setdefault((j, k, name, sent.label), i) != i:
                    continue  # two connections of a node that say the same
                users[k, name].append(_User(unit.node, v, (i, m, k) if sent.movable else None))
                if sent.address is not None:
                    addresses.add(sent.address)
            for address in addresses:
                users[k, address].append(_User(unit.node, v))
        for message in {message_at(what): None for what in self.brought}:
            u, m, k = message
            sent = self.question.units[u].sent[m]
            options = self.question.units[u].options
            for j, option in enumerate(options):
                if option.kind == "bought" or (
                    option.kind == "address" and sent.address is not None
                ):
                    continue
                name = Name(sent.name.extended, sent.name.identifier + option.shift)
                # Where there are several options, what is renamed is under none of them.
                renamed = self.renamed[message] if len(options) < 2 else None
                users[k, name] += [
                    _User(f"/{u}/{m}", v, renamed=renamed)
                    for v, sign in self.under((u, m), k, j).items()
                    if sign > 0
                ]
        for (k, used), entries in users.items():
            held = sum(s.name == used for s in self.question.fixed.get(k, ()))
            if len({one.node for one in entries}) + held > 1:
                self._one(entries, 1 - held)

    def _one(self, users: list[_User], most: int) -> None:
        """At most so many of these use what they all would use; the others get another one."""
        terms: Terms = {}
        for one in users:
            terms[one.sends] = terms.get(one.sends, 0.0) + 1.0
            if one.movable is not None:
                terms[self.moving(*one.movable)] = -1.0
            if one.renamed is not None:
                terms[one.renamed] = -1.0
        self.row(terms, high=most)


def _called(unit: Unit, option: Option) -> list[tuple[int, Name]]:
    """What each message of a unit is called under an option; what is still to be found is left
    out."""
    if option.kind == "bought":
        return []
    return [
        (m, Name(sent.name.extended, sent.name.identifier + option.shift))
        for m, sent in enumerate(unit.sent)
        if not (option.kind == "address" and sent.address is not None)
    ]


def message_at(what: Carried) -> tuple[int, int, int]:
    """Unit, message and network."""
    return what.unit, what.message, what.network
