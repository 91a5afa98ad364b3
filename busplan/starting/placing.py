"""Which part sits on which network, how often, and with which identifiers.

The rules of this file, in the order they count:

* a part is where a capture shows its messages: identifier, length and period agree. An offset added
  to all its identifiers, or another J1939 source address, shows a part of its kind set otherwise;
  an offset must explain every message of a part that has two or more;
* an identifier on a network is explained once, by the part that explains most of itself there;
* parts that no capture shows go where their partners are: who sends what they receive, who receives
  what they send, who names them;
* two parts that send one identifier, or two ports of one part, are kept apart; so are those whose
  files know nothing but J1939, nothing but 11-bit identifiers, or CAN FD frames, where no capture
  shows them together: a classical controller destroys CAN FD frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from busplan.definitions.j1939 import same_group, split_identifier, with_source
from busplan.definitions.model import Message
from busplan.starting.heard import Key, Lane
from busplan.starting.offers import Offer, key_of
from busplan.wording import listing

_HALF = 0.5
_MOST_OFFSETS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One placed part: its offer, the offset or source address seen, and why it is there."""

    offer: Offer
    offset: int = 0
    source: int | None = None
    seen: tuple[tuple[int, Key], ...] = ()
    """Which of its sent messages were seen, and under which identifier."""
    why: str


@dataclass(slots=True)
class Group:
    """A network in the making: the lane that shows it, if any, and who is on it."""

    lane: Lane | None = None
    instances: list[Instance] = field(default_factory=list)

    @property
    def offers(self) -> list[Offer]:
        """The parts on it, each once."""
        return list(dict.fromkeys(i.offer for i in self.instances))

    @property
    def fd(self) -> bool:
        """Whether its parts or its capture have CAN FD frames."""
        seen = self.lane is not None and any(s.fd for s in self.lane.seen.values())
        return seen or any(m.fd for o in self.offers for m in o.sent)


@dataclass(frozen=True, slots=True)
class _Match:
    """A way to see an offer on a lane."""

    offer: int
    lane: int
    offset: int
    source: int | None
    seen: tuple[tuple[int, Key], ...]
    share: float
    at_address: bool = False
    """A J1939 part at the address of its file."""

    @property
    def moved(self) -> bool:
        """Whether it is set otherwise than its file says."""
        return bool(self.offset) or self.source is not None

    @property
    def keys(self) -> tuple[Key, ...]:
        """The identifiers it explains."""
        return tuple(k for _, k in self.seen)


def place(offers: Sequence[Offer], groups: list[Group]) -> list[Group]:
    """Every offer on a network: on one of ``groups`` (which grow), or on one that nobody shows."""
    lanes = [g.lane or Lane() for g in groups]
    placed: set[int] = set()
    for match, rivals in _seen_places(offers, lanes):
        placed.add(match.offer)
        offer = offers[match.offer]
        rival = f"; {listing(rivals)} would fit as well" if rivals else ""
        groups[match.lane].instances.append(
            Instance(
                offer=offer,
                offset=match.offset,
                source=match.source,
                seen=match.seen,
                why=f"{len(match.keys)} of its {len(offer.sent)} messages seen there{rival}",
            )
        )
    waiting = [o for i, o in enumerate(offers) if i not in placed]
    _follow_partners(groups, waiting)
    return groups


def _seen_places(
    offers: Sequence[Offer], lanes: Sequence[Lane]
) -> list[tuple[_Match, tuple[str, ...]]]:
    """The matches that hold, each identifier explained once, the best explanation first.

    Beside each the parts that explain the same just as well. A part as its file says goes before
    one that is set otherwise; one at the J1939 address of its file is there even where another
    place shows more of it.
    """
    found = [
        match
        for o, offer in enumerate(offers)
        for n, lane in enumerate(lanes)
        for match in _matches(o, offer, n, lane)
    ]
    best: dict[tuple[int, bool], float] = {}
    for m in found:
        kind = (m.offer, m.at_address)
        best[kind] = max(best.get(kind, 0.0), m.share)
    found = [m for m in found if m.share >= 0.99 * best[m.offer, m.at_address]]
    found.sort(key=lambda m: (-m.share, -len(m.keys), m.moved, m.offer, m.lane, m.offset))
    claimed: set[tuple[int, Key]] = set()
    ports: dict[tuple[int, str], str] = {}
    kept = []
    for match in found:
        offer = offers[match.offer]
        free = [k for k in match.keys if (match.lane, k) not in claimed]
        mine = (match.lane, offer.part)
        if len(free) <= _HALF * len(match.keys) or ports.get(mine, offer.port) != offer.port:
            continue
        ports[mine] = offer.port
        claimed |= {(match.lane, k) for k in match.keys}
        kept.append(match)
    kept.sort(key=lambda m: (m.lane, m.offer, m.offset, m.source or 0))
    return [(m, _rivals(m, found, offers)) for m in kept]


def _rivals(match: _Match, found: Sequence[_Match], offers: Sequence[Offer]) -> tuple[str, ...]:
    """Other parts that explain the same identifiers as well as this one."""
    mine = offers[match.offer].part
    same = (m for m in found if m.lane == match.lane and set(m.keys) == set(match.keys))
    fits = (m for m in same if m.share >= match.share and m.moved <= match.moved)
    return tuple(dict.fromkeys(p for m in fits if (p := offers[m.offer].part) != mine))


def _matches(number: int, offer: Offer, index: int, lane: Lane) -> list[_Match]:
    """The ways to see an offer on one lane."""
    sent = offer.sent
    if not sent:
        return []
    j1939 = [m for m in sent if m.j1939 is not None]
    if len(j1939) == len(sent):
        return _by_source(number, index, sent, lane)
    found = []
    for offset in _offsets(sent, lane):
        moved = [(m.extended, m.identifier + offset) for m in sent]
        pairs = zip(moved, sent, strict=True)
        seen = tuple((i, k) for i, (k, m) in enumerate(pairs) if _is(lane, k, m))
        share = len(seen) / len(sent)
        if seen and (not offset or (len(sent) > 1 and share == 1)):
            found.append(_Match(number, index, offset, None, seen, share))
    return found


def _is(lane: Lane, key: Key, message: Message) -> bool:
    """Whether an identifier of the lane behaves as the message: length, and period if stated."""
    seen = lane.seen.get(key)
    if seen is None or seen.length != message.length or seen.fd != message.fd:
        return False
    if message.cycle is None or message.event or not seen.steady:
        return True
    return seen.comes_each(message.cycle.ns, tolerance=0.3)


def _offsets(sent: Sequence[Message], lane: Lane) -> list[int]:
    """0, and every offset that brings the message with the rarest length onto the lane."""
    first = min(sent, key=lambda m: sum(s.length == m.length for s in lane.seen.values()))
    found = {
        identifier - first.identifier
        for (extended, identifier) in lane.seen
        if extended == first.extended and _is(lane, (extended, identifier), first)
    }
    return [0, *sorted(found - {0}, key=lambda o: (abs(o), o))[:_MOST_OFFSETS]]


def _by_source(number: int, index: int, sent: Sequence[Message], lane: Lane) -> list[_Match]:
    """J1939 parts by parameter group, one match a source address."""
    found = []
    sources = {split_identifier(i).source for extended, i in lane.seen if extended}
    for source in sorted(sources):
        seen = []
        for place, message in enumerate(sent):
            wanted = with_source(message.identifier, source)
            near = next(
                (
                    k
                    for k in lane.seen
                    if k[0] and k[1] & 0xFF == source and same_group(k[1], wanted)
                ),
                None,
            )
            if near is not None and _is(lane, near, message):
                seen.append((place, near))
        share = len(seen) / len(sent)
        own = {m.identifier & 0xFF for m in sent}
        if seen and (source in own or share == 1):
            stated = None if own == {source} else source
            found.append(_Match(number, index, 0, stated, tuple(seen), share, stated is None))
    return found


def _follow_partners(groups: list[Group], waiting: list[Offer]) -> None:
    """Bring offers that no capture shows to their partners, the firmest link first.

    Clusters grow by one step at a time; those that stand for a group of ``groups`` never join.
    """
    members: list[list[Offer]] = [g.offers for g in groups]
    by_file: dict[str, int] = {}
    for offer in waiting:
        if offer.together and offer.together in by_file:
            members[by_file[offer.together]].append(offer)
            continue
        by_file[offer.together] = len(members)
        members.append([offer])
    fixed = len(groups)
    weights = _Weights(members)
    alone = set(range(fixed, len(members)))
    while pair := weights.firmest(fixed):
        into, gone = pair
        weights.join(into, gone)
        if into < fixed:
            why = "shares messages with the parts there; no capture shows it"
            groups[into].instances += [Instance(offer=o, why=why) for o in members[gone]]
        else:
            members[into] += members[gone]
        alone.discard(gone)
    for index in sorted(alone):
        offers = members[index]
        why = "shares messages with the other parts there; no capture shows it"
        if offers[0].together:
            why = "its file describes this network"
        elif len(offers) == 1:
            why = "nothing tells which network it belongs to"
        groups.append(Group(None, [Instance(offer=o, why=why) for o in offers]))


class _Weights:
    """Links between clusters, and which must not join; rows add up as clusters do."""

    def __init__(self, members: Sequence[Sequence[Offer]]) -> None:
        flat = [(c, o) for c, offers in enumerate(members) for o in offers]
        sides = [_Side(o) for _, o in flat]
        size = len(members)
        self.weight = np.zeros((size, size))
        self.apart = np.zeros((size, size), bool)
        for i, (a, _) in enumerate(flat):
            for j in range(i + 1, len(flat)):
                b = flat[j][0]
                if a == b:
                    continue
                weight = sides[i].link(sides[j])
                self.weight[a, b] += weight
                self.weight[b, a] += weight
                if sides[i].apart(sides[j]):
                    self.apart[a, b] = self.apart[b, a] = True

    def firmest(self, fixed: int) -> tuple[int, int] | None:
        """The pair of clusters with the firmest link, the one to keep first."""
        free = np.where(self.apart, 0.0, self.weight)
        free[:fixed, :fixed] = 0.0
        if not free.size or free.max() <= 0:
            return None
        a, b = sorted(int(i) for i in np.unravel_index(int(free.argmax()), free.shape))
        return a, b

    def join(self, into: int, gone: int) -> None:
        """Let one cluster be part of another."""
        for table, add in ((self.weight, np.add), (self.apart, np.logical_or)):
            table[into] = add(table[into], table[gone])
            table[:, into] = table[into]
            table[gone] = table[:, gone] = 0
        self.weight[into, into] = 0.0


def _kind(offer: Offer) -> str:
    """Which kind of network all that a part says and hears is of; empty where it is of several."""
    told = [*offer.sent, *offer.received]
    kinds = {"fd" if m.fd else "j1939" if m.j1939 is not None else "" for m in told}
    if "fd" in kinds:
        return "fd"
    return (
        "j1939" if kinds == {"j1939"} else "standard" if not any(m.extended for m in told) else ""
    )


class _Side:
    """What an offer sends and receives, looked up often."""

    def __init__(self, offer: Offer) -> None:
        self.offer = offer
        self.sent = {key_of(m): m for m in offer.sent}
        self.heard = {key_of(m): m for m in offer.received}
        self.named = {r for m in offer.sent for r in m.receivers}
        self.kind = _kind(offer)

    def link(self, other: _Side) -> float:
        """How much two offers have to do with each other: messages between them, their names."""
        if self.offer.part == other.offer.part:
            return 0.0
        return self._to(other) + other._to(self)

    def _to(self, other: _Side) -> float:
        weight = 0.0
        for key in self.sent.keys() & other.heard.keys():
            weight += 2.0 if self.sent[key].name == other.heard[key].name else 1.0
        name = other.offer.sender
        if name == self.offer.sender:
            return weight
        weight += sum(name in m.receivers for m in self.sent.values()) if name in self.named else 0
        return weight + (0.5 if name in self.offer.nodes else 0.0)

    def apart(self, other: _Side) -> bool:
        """Whether they cannot be on one network: an identifier both send, two ports of a part."""
        mine, others = self.offer, other.offer
        rates = {o.bit_rate_hint for o in (mine, others) if o.bit_rate_hint}
        same_part = mine.part == others.part and mine.port != others.port
        clash = bool(self.sent.keys() & other.sent.keys())
        unlike = bool(self.kind and other.kind and self.kind != other.kind)
        return same_part or clash or len(rates) > 1 or unlike
