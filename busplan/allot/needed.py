"""Who needs which message, as rows of the placement can hold it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, MutableMapping, Sequence

from busplan.allot.problem import Wanted
from busplan.checks.matching import Senders
from busplan.checks.named_receivers import Ways
from busplan.checks.needs import by_message
from busplan.definitions.j1939 import split_identifier
from busplan.plan.vehicle import Need, Node, Port, Stream, Vehicle

Units = Sequence[tuple[Node, Port, str]]
Streams = Mapping[tuple[int, int], Stream]


def needed(
    vehicle: Vehicle, streams: Streams, units: Units, pinned: MutableMapping[int, str]
) -> tuple[Wanted, ...]:
    """What units need of others; nothing for what nobody sends.

    A unit that hears something only as a gateway passes it on in a way that the search does not
    follow is added to ``pinned``.
    """
    senders, ways = Senders(vehicle), Ways(vehicle)
    finder = _Finder(streams)
    of_node: dict[str, list[int]] = defaultdict(list)
    for n, unit in enumerate(units):
        of_node[unit[0].name].append(n)
    found: dict[Wanted, None] = {}
    for group in by_message(vehicle.needs):
        need = group[0]
        own = of_node[need.node]
        i = _unit_of(need, units, own)
        if i is None or (i in pinned and _met(group, senders, ways)):
            continue
        if need.named_by and _by_signals(group, senders, ways, finder):
            continue
        keys, by_name = finder.of(need, fixed=units[i][0].part.identifiers == "fixed")
        mine = tuple(k for k in keys if units[k[0]][0].name != need.node)
        if mine:
            want = Wanted(_ears(need, i, units, own), mine, by_name, mine)
            found[want] = None
    return tuple(found)


def _met(group: Sequence[Need], senders: Senders, ways: Ways) -> bool:
    """Whether needs of one message are met today."""
    return all(senders.of(n) or (n.named_by and ways.arrives(n)) for n in group)


def _by_signals(group: Sequence[Need], senders: Senders, ways: Ways, finder: _Finder) -> bool:
    """Whether it comes as signals in messages of a gateway's own."""
    heard = all(senders.of(n) for n in group)
    return not heard and _met(group, senders, ways) and not finder.there(group[0])


def _ears(need: Need, i: int, units: Units, own: Sequence[int]) -> tuple[int, ...]:
    """The units that hear for a node: the one that its definitions say, or, where the sender's say
    so, all that go by the same name."""
    if not need.named_by:
        return (i,)
    _, port, _ = units[i]
    return tuple(n for n in own if units[n][1].sender == port.sender)


def _unit_of(need: Need, units: Units, own: Sequence[int]) -> int | None:
    """Where a node hears what it needs; ``own``: its units."""
    mine = [i for i in own if units[i][2] == need.network]
    described = [i for i in mine if any(m is need.message for m in units[i][1].messages)]
    called = [i for i in mine if need.message.name in {m.name for m in units[i][1].messages}]
    return next(iter((*described, *called, *mine)), None)


class _Finder:
    """Messages by what a need may know them by."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams
        self._by_name: dict[str, list[tuple[int, int]]] = defaultdict(list)
        self._by_key: dict[tuple[bool, int], list[tuple[int, int]]] = defaultdict(list)
        self._by_group: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for key, stream in streams.items():
            message = stream.message
            self._by_name[message.name].append(key)
            self._by_key[message.extended, message.identifier].append(key)
            if message.j1939 is not None:
                self._by_group[message.j1939.pgn].append(key)

    def there(self, need: Need) -> bool:
        """Whether its sender sends it on the network where it is needed."""
        return any(s.node == need.named_by and s.network == need.network for s in self._named(need))

    def _named(self, need: Need) -> Iterator[Stream]:
        for key in self._by_name.get(need.message.name, ()):
            yield self._streams[key]

    def of(self, need: Need, *, fixed: bool) -> tuple[list[tuple[int, int]], bool]:
        """The messages that meet a need, and whether only under the identifier they have."""
        named = [k for k in self._by_name.get(need.message.name, ()) if self._holds(k, need)]
        if need.named_by:
            return [k for k in named if self._streams[k].node == need.named_by], False
        message = need.message
        exact = self._by_key.get((message.extended, message.identifier), ())
        alike = [k for k in exact if k in named] or [k for k in exact if self._holds(k, need)]
        if message.extended:
            group = (message.j1939 or split_identifier(message.identifier)).pgn
            if same := self._by_group.get(group):
                return [*alike, *(k for k in same if k not in alike)], False
        if alike:
            return alike, fixed
        here = [k for k in exact if self._streams[k].network == need.network]
        return (here, fixed) if here else (named, False)

    def _holds(self, key: tuple[int, int], need: Need) -> bool:
        return need.signal is None or self._streams[key].message.has(need.signal.name)
