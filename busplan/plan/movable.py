"""What of a plan may be changed to make it work, and what each change costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Costs:
    """What changes cost, beside each other; only their proportions matter.

    ``move``: a port of a node joins another network. ``identifier``: an identifier, an offset or a
    J1939 address is set anew. ``reset``: a part is set to another bit rate. ``route``: a gateway
    carries one thing more; ``reroute``: it takes one from, or to, another network than before.
    ``network``: one network more; ``metre``: a metre of trunk more.
    """

    move: float = 1.0
    identifier: float = 0.5
    reset: float = 0.25
    route: float = 0.2
    reroute: float = 0.02
    network: float = 4.0
    metre: float = 0.1


USUAL = Costs()


@dataclass(frozen=True, slots=True)
class NodeFreedom:
    """Where a node may sit. ``allowed``: networks, ``None`` for any; ``keep``: where it sits now.

    ``at_m``: its place along the vehicle [m]. ``ports``: port of its part → network, as planned.
    """

    ports: Mapping[str, str]
    allowed: tuple[str, ...] | None = None
    keep: bool = False
    at_m: float | None = None


@dataclass(frozen=True, slots=True)
class NetworkFreedom:
    """What a network may become. ``bit_rates``: those it may be set to, empty when any.

    ``guests``: whether nodes may join that are not on it. ``reserved``: ranges of identifiers, both
    ends included, that no message may be given.
    """

    bit_rates: tuple[int, ...] = ()
    guests: bool = True
    reserved: tuple[tuple[int, int], ...] = ()


ANY = NetworkFreedom()


@dataclass(frozen=True, slots=True)
class Freedom:
    """All that a plan says of what may change: by node, by network, and what it costs.

    ``bought``: parts that can be had with other identifiers, and what that costs for each node.
    ``kept``: messages, as ``node/NAME``, whose identifiers stay though their parts have free ones.
    """

    nodes: Mapping[str, NodeFreedom] = field(default_factory=dict)
    networks: Mapping[str, NetworkFreedom] = field(default_factory=dict)
    bought: Mapping[str, float] = field(default_factory=dict)
    new_networks: int = 0
    costs: Costs = USUAL
    kept: frozenset[str] = frozenset()


UNSAID = Freedom()
"""A plan that says nothing of it."""
