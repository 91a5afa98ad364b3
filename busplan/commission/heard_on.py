"""Which messages of a network a capture holds: what did not come proves nothing of the network.

The rules of this file: a message counts for its node, since identical parts send messages of the
same names; frames count where it is clear whose they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busplan.plan.vehicle import Stream, Vehicle
from busplan.traffic.cycle_rule import SURE_GAPS
from busplan.traffic.measurement import Measurement
from busplan.wording import listing


@dataclass(frozen=True, slots=True)
class HeardOn:
    """Frames by network, node and message; names of the cyclic messages that did not come, and of
    those that came too seldom to tell a period. ``wanted`` is how many have to come."""

    frames: Mapping[tuple[str, str, str], int]
    wanted: int
    missing: tuple[str, ...]
    few: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether every message came that has to come all the time, and there is one."""
        return self.wanted > 0 and not self.missing

    @property
    def not_heard(self) -> str:
        """What is missing, to be put behind a text; empty where nothing is."""
        if not self.wanted:
            return "; the plan states no cycle time on it"
        return f"; not heard: {listing(self.missing)}" if self.missing else ""


def heard_on(vehicle: Vehicle, traffic: Measurement, network: str) -> HeardOn:
    """What a capture, measured as ``traffic``, holds of the messages of a network."""
    frames = {
        one.streams[0].path: one.frames
        for one in traffic.identifiers
        if one.key.network == network and len(one.streams) == 1
    }
    here = vehicle.on(network)
    wanted = [s for s in here if s.cycle is not None and not s.event and not s.optional]
    missing = [s for s in wanted if s.path not in frames]
    few = [s for s in wanted if s.path in frames and frames[s.path] <= SURE_GAPS]
    return HeardOn(frames, len(wanted), _names(missing, here), _names(few, here))


def _names(streams: Sequence[Stream], here: Sequence[Stream]) -> tuple[str, ...]:
    """Names of messages, with their node where another node has one of that name."""
    names = [s.message.name for s in here]
    return tuple(
        s.message.name if names.count(s.message.name) == 1 else f"{s.message.name} of {s.node}"
        for s in streams
    )
