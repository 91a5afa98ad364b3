"""Which recorded frames belong to which message of a vehicle.

The rules of this file: an 11-bit and a 29-bit identifier never match each other, and networks are
never mixed. Classical messages match by identifier. J1939 messages match by parameter group and
source address, whatever their priority:

* a destination-specific group (PDU1) also needs the destination its definition has, or the global
  address on either side;
* a definition whose source is the null address (254) takes any source;
* a group that comes only from addresses nobody is planned at is given to its message all the same,
  if there is just one it can be, and reported.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.definitions.j1939 import GLOBAL_ADDRESS, NULL_ADDRESS, split_identifier
from busplan.definitions.model import J1939Id
from busplan.frames.columns import I64
from busplan.frames.identifier import FrameKey
from busplan.plan.vehicle import Stream, Vehicle
from busplan.transport.messages import Messages


@dataclass(frozen=True, eq=False)
class Match:
    """The frames of one stream, messages put together from several frames included.

    ``rows`` are in time order, numbered as in :class:`Messages`; ``keys`` are the identifiers they
    came under; ``shared`` are other streams that claim the same frames; ``strangers`` are J1939
    source addresses that sent them without being planned to.
    """

    stream: Stream
    rows: I64
    keys: tuple[FrameKey, ...]
    shared: tuple[Stream, ...] = ()
    strangers: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Matching:
    """Every stream with its frames, in the vehicle's order, and the identifiers nobody claims."""

    matches: tuple[Match, ...]
    unknown: Mapping[FrameKey, int]
    """Identifier → number of frames."""
    of_known_groups: frozenset[FrameKey] = frozenset()
    """Those of ``unknown`` whose J1939 group is defined, from other source addresses."""


def match_frames(messages: Messages, vehicle: Vehicle) -> Matching:
    """Give frames and messages (networks as the plan names them) to the vehicle's streams."""
    groups = messages.groups
    claims: dict[FrameKey, list[int]] = {}
    strangers: dict[int, list[int]] = defaultdict(list)
    exact: dict[FrameKey, list[int]] = defaultdict(list)
    by_group: dict[tuple[str, int], list[int]] = defaultdict(list)
    j1939: dict[int, J1939Id] = {}
    for index, stream in enumerate(vehicle.streams):
        fields = stream.message.j1939
        if fields is None:
            exact[stream.key].append(index)
        else:
            j1939[index] = fields
            by_group[stream.network, fields.pgn].append(index)
    unplanned: list[tuple[FrameKey, J1939Id]] = []
    for key in groups:
        claims[key] = list(exact.get(key, ()))
        if key.extended:
            fields = split_identifier(key.identifier)
            known = by_group.get((key.network, fields.pgn), [])
            known = [i for i in known if _same_destination(j1939[i], fields)]
            claims[key] += [i for i in known if j1939[i].source in (fields.source, NULL_ADDRESS)]
            if known and not claims[key]:
                unplanned.append((key, fields))
    seen = {index for takers in claims.values() for index in takers}
    for key, fields in unplanned:
        known = by_group[key.network, fields.pgn]
        known = [i for i in known if i not in seen and _same_destination(j1939[i], fields)]
        if len(known) == 1:
            claims[key] = known
            strangers[known[0]].append(fields.source)
    unknown = {
        key: len(groups[key])
        for key, takers in claims.items()
        if not takers and key not in messages.carriers
    }
    return Matching(
        tuple(_matches(messages, vehicle.streams, claims, strangers)),
        unknown,
        frozenset(key for key, _ in unplanned if key in unknown),
    )


def streams_by_key(messages: Messages, vehicle: Vehicle) -> dict[FrameKey, tuple[Stream, ...]]:
    """Whose frames come under each identifier; a stream that never came stands under its own."""
    found: dict[FrameKey, tuple[Stream, ...]] = {}
    for match in match_frames(messages, vehicle).matches:
        for key in match.keys or (match.stream.key,):
            found[key] = (*found.get(key, ()), match.stream)
    return found


def _same_destination(defined: J1939Id, seen: J1939Id) -> bool:
    """Whether a frame goes where the definition says; broadcast groups have no destination."""
    either = (defined.destination, seen.destination)
    return defined.destination == seen.destination or GLOBAL_ADDRESS in either


def _matches(
    messages: Messages,
    streams: Sequence[Stream],
    claims: Mapping[FrameKey, Sequence[int]],
    strangers: Mapping[int, Sequence[int]],
) -> Iterable[Match]:
    keys: dict[int, list[FrameKey]] = defaultdict(list)
    for key, takers in claims.items():
        for index in takers:
            keys[index].append(key)
    for index, stream in enumerate(streams):
        mine = keys[index]
        others = dict.fromkeys(i for key in mine for i in claims[key] if i != index)
        yield Match(
            stream,
            _joined(messages, [messages.groups[key] for key in mine]),
            tuple(mine),
            tuple(streams[i] for i in others),
            tuple(dict.fromkeys(strangers.get(index, ()))),
        )


def _joined(messages: Messages, parts: Sequence[I64]) -> I64:
    """Rows of several identifiers as one run in time order; equal times keep the file's order."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return np.empty(0, np.int64)
    rows = np.sort(np.concatenate(parts))
    return rows[np.argsort(messages.times(rows), kind="stable")]
