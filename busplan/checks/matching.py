"""Does what somebody sends answer what somebody else listens for?

J1939 messages match by parameter group, whoever sends them to whom; all others by identifier and
identifier width. A node whose identifiers are offset may listen at its own identifiers with or
without that offset: either counts.
"""

from __future__ import annotations

from collections import defaultdict

from busplan.definitions.j1939 import split_identifier
from busplan.frames.identifier import FrameKey
from busplan.plan.vehicle import Need, Stream, Vehicle


class Senders:
    """The streams of a vehicle by what they answer."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self._by_key: dict[FrameKey, list[Stream]] = defaultdict(list)
        self._by_group: dict[tuple[str, int], list[Stream]] = defaultdict(list)
        for stream in vehicle.streams:
            self._by_key[stream.key].append(stream)
            if stream.message.j1939 is not None:
                self._by_group[stream.network, stream.message.j1939.pgn].append(stream)

    def of(self, need: Need, network: str | None = None) -> list[Stream]:
        """The streams that are, by their identifier, what ``need`` listens for.

        They are looked for on its own network unless another is named.
        """
        where, wanted = network or need.network, need.message
        offset = self.vehicle.nodes[need.node].identifier_offset
        found = [
            stream
            for shift in dict.fromkeys((0, offset))
            for stream in self._by_key.get(
                FrameKey(where, wanted.extended, wanted.identifier + shift), ()
            )
        ]
        if wanted.extended and (group := self._by_group.get((where, _group(need)))):
            found += [s for s in group if s not in found]
        return found


def _group(need: Need) -> int:
    return (need.message.j1939 or split_identifier(need.message.identifier)).pgn
