"""The plan in the making: networks with names and bit rates, parts with ports, nodes.

The rules of this file: values only; :mod:`busplan.starting.writing` makes text of them. Every
figure that no file states carries a remark that begins with *seen*, *guess* or *gap*.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from busplan.definitions.model import Message, unique
from busplan.starting.material import Answers
from busplan.starting.offers import Offer, plain
from busplan.starting.paper_table import PaperTable
from busplan.starting.placing import Group, Instance
from busplan.wording import counted, listing

USUAL_RATE, USUAL_J1939_RATE, USUAL_DATA_RATE = 500_000, 250_000, 2_000_000
"""What is guessed where nothing tells (common practice, no source; J1939 by SAE J1939-11)."""


@dataclass(frozen=True, slots=True)
class Remarked:
    """A value and where it comes from."""

    value: int
    remark: str


@dataclass(frozen=True, slots=True)
class NetworkPlan:
    """One network: ``known`` is false for one that is only a guess of where parts might go."""

    name: str
    group: Group
    bit_rate: Remarked
    data_bit_rate: Remarked | None
    j1939: bool
    channels: tuple[str, ...]
    named_by: str


@dataclass(frozen=True, slots=True)
class NodePlan:
    """One node: by network, the instance of its part there."""

    name: str
    part: str
    on: Mapping[str, Instance]

    @property
    def offset(self) -> int:
        """What is added to its identifiers."""
        return next((i.offset for i in self.on.values() if i.offset), 0)

    @property
    def source(self) -> int | None:
        """Its J1939 source address where it is not that of its file."""
        return next((i.source for i in self.on.values() if i.source is not None), None)


@dataclass(frozen=True, slots=True)
class PartPlan:
    """One part: its offers by port."""

    name: str
    ports: tuple[Offer, ...]
    nodes: tuple[NodePlan, ...]


@dataclass(frozen=True, slots=True)
class Outline:
    """All of it."""

    networks: tuple[NetworkPlan, ...]
    parts: tuple[PartPlan, ...]


def outline(groups: Sequence[Group], answers: Answers, taken: Iterable[str] = ()) -> Outline:
    """Networks, parts and nodes of placed offers; names in ``taken`` are those of other nodes."""
    names = _network_names(groups, answers)
    shared = Counter(n for g in groups if g.lane is not None for n in g.lane.names)
    networks = tuple(
        _network(name, named_by, group, shared)
        for (name, named_by), group in zip(names, groups, strict=True)
    )
    return Outline(networks, _parts(networks, answers, set(taken)))


def _network_names(groups: Sequence[Group], answers: Answers) -> list[tuple[str, str]]:
    """A name for each network, none twice, and what it is called after."""
    found: list[tuple[str, str]] = []
    used: set[str] = set()
    for number, group in enumerate(groups, 1):
        name, why = _wanted(group, number)
        name = plain(answers.networks.get(name, name))
        free, more = name, 2
        while free in used:
            free, more = f"{name}_{more}", more + 1
        used.add(free)
        found.append((free, why))
    return found


def _wanted(group: Group, number: int) -> tuple[str, str]:
    ports = Counter(o.port for o in group.offers if o.port)
    if ports:
        name = ports.most_common(1)[0][0]
        return name, "called after the files of the parts that sit on several networks"
    if group.lane is not None:
        return plain(group.lane.names[0]), "called as captures call it"
    offers = group.offers
    if offers and offers[0].together:
        return plain(offers[0].together.rpartition("/")[2].removesuffix(".dbc")), (
            "called after its file"
        )
    if len(offers) == 1:
        return f"of_{offers[0].part}", "called after its only part"
    return f"network_{number}", "nothing tells its name"


def _network(name: str, named_by: str, group: Group, shared: Mapping[str, int]) -> NetworkPlan:
    sent = [m for o in group.offers for m in o.sent]
    j1939 = bool(sent) and sum(m.j1939 is not None for m in sent) * 2 > len(sent)
    lane = group.lane
    channels = tuple(n for n in lane.names if shared[n] == 1) if lane else ()
    rate = _bit_rate(group, j1939=j1939)
    return NetworkPlan(name, group, rate, _data_rate(group), j1939, channels, named_by)


def _bit_rate(group: Group, *, j1939: bool) -> Remarked:
    hints = {o.bit_rate_hint: o.files[0] for o in group.offers if o.bit_rate_hint}
    lane = group.lane
    if lane is not None and (rate := lane.rates.rate) is not None:
        told = f"seen: {counted(lane.rates.frames, 'frame')} follow another without a gap at it"
        others = [h for h in hints if h != rate]
        if others:
            told += f"; but {hints[others[0]]} says {others[0]}"
        return Remarked(rate, told)
    if len(hints) == 1:
        ((rate, file),) = hints.items()
        return Remarked(rate, f"stated by {file}")
    usual = USUAL_J1939_RATE if j1939 else USUAL_RATE
    reason = "nothing shows it"
    if len(hints) > 1:
        reason = f"its files say {listing(str(h) for h in hints)}"
    if lane is not None and lane.contradictory:
        reason = "its captures show different ones"
    elif lane is not None and lane.rates.least > usual:
        usual, reason = lane.rates.least, "frames come too fast for less"
    return Remarked(usual, f"guess: {reason}; gap: ask the makers, or measure on the bus")


def _data_rate(group: Group) -> Remarked | None:
    if not group.fd:
        return None
    lane = group.lane
    if lane is not None and lane.rates.data:
        return Remarked(lane.rates.data, "seen: frames with a data phase fit it")
    told = "guess: there are CAN FD frames; gap: ask the makers for the data bit rate"
    return Remarked(USUAL_DATA_RATE, told)


def _parts(
    networks: Sequence[NetworkPlan], answers: Answers, taken: set[str]
) -> tuple[PartPlan, ...]:
    """Parts in the order of their networks, each with its nodes."""
    places: dict[str, list[tuple[str, Instance]]] = {}
    for network in networks:
        for instance in network.group.instances:
            places.setdefault(instance.offer.part, []).append((network.name, instance))
    found = []
    for part, instances in places.items():
        ports = tuple(dict.fromkeys(i.offer for _, i in instances))
        by_port: dict[str, list[tuple[str, Instance]]] = {}
        for there, instance in instances:
            by_port.setdefault(instance.offer.port, []).append((there, instance))
        count = max(len(v) for v in by_port.values())
        wanted = answers.counts.get(part, count)
        names = _node_names(part, max(count, wanted), taken)
        nodes = []
        for k, name in enumerate(names):
            on: dict[str, Instance] = {}
            for placed in by_port.values():
                where, instance = placed[min(k, len(placed) - 1)]
                if k >= len(placed):
                    why = "you said so; nothing shows it"
                    instance = replace(instance, offset=0, source=None, seen=(), why=why)
                on[where] = instance
            nodes.append(NodePlan(name, part, on))
        found.append(PartPlan(part, ports, tuple(nodes)))
    return tuple(found)


def _node_names(part: str, count: int, taken: set[str]) -> list[str]:
    """Names of a part's nodes, none twice in the plan."""
    wanted = [part] if count == 1 else [f"{part}_{i}" for i in range(1, count + 1)]
    found = []
    for name in wanted:
        free, more = name, 2
        while free in taken:
            free, more = f"{name}_{more}", more + 1
        taken.add(free)
        found.append(free)
    return found


def paper_offers(table: PaperTable, used: Iterable[str]) -> list[Offer]:
    """Parts that a table on paper describes: one a sender, one for all rows that name none."""
    file = table.file
    why = "; ".join((f"rows of {file}", *table.taken))
    groups: dict[str, list[Message]] = {}
    stem = file.rpartition("/")[2].rpartition(".")[0] or file
    for message in table.messages:
        sender = message.senders[0] if message.senders else stem
        groups.setdefault(sender, []).append(message)
    taken, found = set(used), []
    for sender, group in groups.items():
        name, more = plain(sender), 2
        while name in taken:
            name, more = f"{plain(sender)}_{more}", more + 1
        taken.add(name)
        own = tuple(replace(m, senders=(name,)) for m in group)
        found.append(
            Offer(
                part=name,
                port="",
                sender=name,
                files=(file,),
                messages=own,
                nodes=unique((name, *(r for m in own for r in m.receivers))),
                why=why,
                paper=True,
            )
        )
    return found
