"""Which definition file fits what was recorded."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

from busplan.decode.text import Tail
from busplan.definitions.j1939 import same_group
from busplan.definitions.model import Message
from busplan.traffic.survey import SurveyedIdentifier


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How well one file describes one network. Shares are 0 to 1."""

    file: str
    network: str
    identifiers: int
    """Identifiers of the network that the file defines."""
    of: int
    frames_share: float
    length_share: float
    """Of the defined identifiers, those whose commonest length is as defined."""
    messages_seen: int
    messages: int

    @property
    def score(self) -> float:
        """Orders fits: frames explained, times lengths that agree."""
        return self.frames_share * self.length_share

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, without the network, under which they stand there."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name != "network"}


def definition_of(found: SurveyedIdentifier, messages: Iterable[Message]) -> Message | None:
    """The message that defines an identifier; a J1939 one matches by PGN, whatever its source."""
    key = found.key
    near = None
    for message in messages:
        if message.extended != key.extended:
            continue
        if message.identifier == key.identifier:
            return message
        if message.j1939 is not None and same_group(message.identifier, key.identifier):
            near = near or message
    return near


def _agrees(length: int, message: Message) -> bool:
    return Tail.of(message).least_length <= length <= message.length


def fit(
    file: str, messages: tuple[Message, ...], network: str, found: Iterable[SurveyedIdentifier]
) -> Fit:
    """How well the messages of one file describe what was found on one network."""
    mine = [s for s in found if s.key.network == network]
    pairs = [(s, definition_of(s, messages)) for s in mine]
    known = [(s, m) for s, m in pairs if m is not None]
    agree = sum(_agrees(next(iter(s.lengths), m.length), m) for s, m in known)
    frames = sum(s.frames for s in mine)
    return Fit(
        file=file,
        network=network,
        identifiers=len(known),
        of=len(mine),
        frames_share=sum(s.frames for s, _ in known) / frames if frames else 0.0,
        length_share=agree / len(known) if known else 0.0,
        messages_seen=len({m.name for _, m in known}),
        messages=len(messages),
    )
