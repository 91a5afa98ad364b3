"""The question of placement: what may sit where, under which names, and what that costs.

The rules of this file: plain values that know no plan, so that the search can be tried on made
questions. A *unit* is one port of a node, which sits on one network. Networks, units and gateways
are meant by their places in the tuples of a :class:`Question`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

from busplan.plan.movable import USUAL, Costs
from busplan.timing.queue_model import ONE_OFF_NS
from busplan.timing.slack import STEPS


class Name(NamedTuple):
    """What a message is called on the wire."""

    extended: bool
    identifier: int


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames that come at once under one name, as the analysis sees them.

    ``bits`` and ``data_bits`` are those of one frame at its longest, ``least_bits`` and
    ``least_data_bits`` at its shortest, as soon as it can be read. ``judged``: whether it has a
    deadline that can be held against it. ``urgent``: goes before all others. Times [ns].
    """

    name: Name
    bits: int
    period: int = ONE_OFF_NS
    deadline: int = ONE_OFF_NS
    jitter: int = 0
    count: int = 1
    data_bits: int = 0
    judged: bool = True
    urgent: bool = False
    rhythm: int = -1
    offset: int = 0
    least_bits: int = 0
    least_data_bits: int = 0
    follows: bool = False
    """Whether its deadline follows from its period."""
    spaced: bool = False
    """Whether its period is the distance that its sender keeps, however often all is sent."""

    def grown(self, steps: int) -> Frames:
        """With its period, and a deadline that follows from it, times ``steps`` / ``STEPS``."""
        if steps == STEPS or self.spaced or self.period == ONE_OFF_NS:
            return self
        deadline = self.deadline * steps // STEPS if self.follows else self.deadline
        return replace(self, period=max(1, self.period * steps // STEPS), deadline=deadline)


@dataclass(frozen=True, slots=True)
class Sent:
    """A message that a unit sends for itself.

    ``movable``: whether it may have another identifier of its own; ``address``: its J1939 source
    address. ``bits_per_s`` and ``data_bits_per_s``: its longest frames over its period.
    ``late_ns``: how late a gateway brings it at least, wherever it is sent.
    """

    label: str
    name: Name
    bits_per_s: float
    frames: tuple[Frames, ...]
    data_bits_per_s: float = 0.0
    movable: bool = False
    address: int | None = None
    late_ns: int = 0


@dataclass(frozen=True, slots=True)
class Option:
    """One way to have the names of a node: as they are, moved by ``shift``, or ``other`` ones.

    Other ones are found after the placement, so that nothing stands in their way.
    """

    kind: Literal["as it is", "offset", "bought", "address"] = "as it is"
    shift: int = 0
    cost: float = 0.0

    @property
    def other(self) -> bool:
        """Whether the names are still to be found."""
        return self.kind in ("bought", "address")


AS_IT_IS = Option()


@dataclass(frozen=True, slots=True)
class Unit:
    """One port of a node. ``home``: the network it is on; ``networks``: where it may sit.

    ``rates``: bit rates it speaks [bit/s]; ``at_m``: its place along the vehicle, ``stub_m``: how
    long its stub is. ``pinned`` says why it cannot leave its home; ``alike``: units of one name are
    the same thing twice; ``fifo``: its messages leave in the order in which they were queued.
    """

    node: str
    port: str
    home: int
    networks: tuple[int, ...]
    rates: frozenset[int]
    sent: tuple[Sent, ...] = ()
    options: tuple[Option, ...] = (AS_IT_IS,)
    at_m: float | None = None
    stub_m: float = 0.0
    pinned: str = ""
    alike: str = ""
    fifo: bool = False


@dataclass(frozen=True, slots=True)
class Net:
    """A network that is there, or one that may be added (``rate`` 0).

    ``rates``: those it may have; ``more_rates``: those that parts speak and its cable carries, but
    the plan does not let it have. ``longest_m``, ``stub_m`` and ``stubs_m``: the most trunk, single
    stub and stubs together by bit rate; ``trunk_m``: the trunk as it is laid.
    """

    name: str
    rate: int
    rates: tuple[int, ...]
    limit: float
    data_rate: int | None = None
    j1939: bool = False
    fault_interval_ns: int = 0
    most_nodes: int = 110
    trunk_m: float | None = None
    longest_m: Mapping[int, float] = field(default_factory=dict)
    stub_m: Mapping[int, float] = field(default_factory=dict)
    stubs_m: Mapping[int, float] = field(default_factory=dict)
    more_rates: tuple[int, ...] = ()

    @property
    def new(self) -> bool:
        """Whether it would be added."""
        return self.rate == 0


@dataclass(frozen=True, slots=True)
class Wanted:
    """One of some units of a node needs a message: from any of these (unit, place in its messages).

    ``by_name``: it is found by its identifier only, so that a sender with another is none.
    """

    units: tuple[int, ...]
    senders: tuple[tuple[int, int], ...]
    by_name: bool = False
    bring: tuple[tuple[int, int], ...] = ()
    """Those that a gateway may bring; the same message of several nodes is brought of one."""


@dataclass(frozen=True, slots=True)
class Gateway:
    """A node that carries messages between the networks of its units.

    ``carries``: (unit, message) → networks to which it does so today, and ``delays`` [ns] by (unit,
    message, network) how long it takes for that. ``new``: whether it may be made to carry more.
    """

    node: str
    units: tuple[int, ...]
    carries: Mapping[tuple[int, int], frozenset[int]] = field(default_factory=dict)
    new: bool = True
    delays: Mapping[tuple[int, int, int], int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Carried:
    """A message that a gateway brings to a network."""

    gateway: int
    unit: int
    message: int
    network: int


@dataclass(frozen=True, slots=True)
class Question:
    """All that a placement must keep.

    ``stays``: (gateway, unit, message, network) of what a gateway brings although nobody is known
    to need it. ``feeds``: (gateway, unit): the gateway must hear this unit. ``fixed``: frames on a
    network whatever is placed, with their bits a second.
    """

    nets: tuple[Net, ...]
    units: tuple[Unit, ...]
    wanted: tuple[Wanted, ...] = ()
    gateways: tuple[Gateway, ...] = ()
    stays: tuple[tuple[int, int, int, int], ...] = ()
    feeds: tuple[tuple[int, int], ...] = ()
    fixed: Mapping[int, tuple[Sent, ...]] = field(default_factory=dict)
    costs: Costs = USUAL
    steps: int = STEPS
    """All is in time with periods times this many parts of :data:`busplan.timing.slack.STEPS`;
    delays that gateways bring are as planned."""


@dataclass(frozen=True, slots=True)
class Placement:
    """An answer: the network of each unit, the option of each, the rate of each network.

    ``rates``: 0 for a network that is not added. ``renamed``: what of ``carried`` gets another
    identifier because theirs is taken; ``carried``: what gateways bring; ``moved``: (unit, message)
    that get another identifier where they are.
    """

    where: tuple[int, ...]
    option: tuple[int, ...]
    rates: tuple[int, ...]
    renamed: frozenset[Carried] = frozenset()
    carried: frozenset[Carried] = frozenset()
    moved: frozenset[tuple[int, int]] = frozenset()


def as_it_is(question: Question) -> Placement:
    """What the plan says today; a unit that may not sit where it does counts as there."""
    return Placement(
        tuple(u.home for u in question.units),
        (0,) * len(question.units),
        tuple(net.rate for net in question.nets),
        carried=frozenset(
            Carried(g, u, m, k)
            for g, gateway in enumerate(question.gateways)
            for (u, m), networks in gateway.carries.items()
            for k in networks
        ),
    )


def cost(question: Question, answer: Placement) -> float:
    """What an answer costs, identifiers that its order asks for left out."""
    costs = question.costs
    total = 0.0
    chosen: dict[str, float] = {}
    for i, unit in enumerate(question.units):
        total += costs.move * (answer.where[i] != unit.home)
        chosen[unit.node] = unit.options[answer.option[i]].cost
    total += sum(chosen.values()) + costs.identifier * len(answer.renamed)
    for k, net in enumerate(question.nets):
        if net.new:
            total += costs.network * (answer.rates[k] > 0)
        elif answer.rates[k] != net.rate:
            total += costs.reset * residents(question, k)
    total += sum(carrying(question, c) for c in answer.carried)
    return total + sum(costs.metre * m for m in longer(question, answer))


def residents(question: Question, network: int) -> int:
    """How many nodes sit on a network today."""
    return len({u.node for u in question.units if u.home == network})


def carrying(question: Question, what: Carried) -> float:
    """What it costs that a gateway brings a message to a network."""
    today = question.gateways[what.gateway].carries.get((what.unit, what.message), frozenset())
    if what.network in today:
        return 0.0
    return question.costs.reroute if today else question.costs.route


def longer(question: Question, answer: Placement) -> list[float]:
    """How many metres longer each trunk becomes, as far as places along the vehicle are known."""
    found = []
    for k in range(len(question.nets)):
        places = [
            u.at_m
            for u, where in zip(question.units, answer.where, strict=True)
            if where == k and u.at_m is not None
        ]
        span = max(places) - min(places) if places else 0.0
        found.append(max(0.0, span - laid(question, k)))
    return found


def laid(question: Question, network: int) -> float:
    """The trunk of a network as it is: as stated, or as far as its nodes lie apart."""
    stated = question.nets[network].trunk_m
    if stated is not None:
        return stated
    places = [u.at_m for u in question.units if u.home == network and u.at_m is not None]
    return max(places) - min(places) if places else 0.0
