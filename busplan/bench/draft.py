"""A part nobody has a definition of: what was seen of it as a draft definition.

The rules of this file: pure. A draft holds what frames show: identifiers, lengths, periods,
counters, checksums and bits that move like a value. Names, scales and units are left for a person,
and each message says that it is a draft and how sure (:attr:`Message.confidence`).
"""

from __future__ import annotations

from busplan.bench.rhythm import STEADY, usual_ms
from busplan.decode.j1939_groups import OWN_GROUPS
from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message, Origin, Stated
from busplan.traffic.draft import draft_signals
from busplan.traffic.survey import SurveyedIdentifier
from busplan.traffic.survey_report import Survey

CONFIDENCE = 0.3
"""How sure a layout is that frames of a few minutes suggest (common practice, no source)."""
FEWEST = 10
"""Frames that a message needs before a period is drafted."""


def draft_messages(survey: Survey, node: str) -> tuple[Message, ...]:
    """One draft message for each identifier of the part; J1939's own groups need none."""
    found = [s for s in survey.identifiers if s.key not in survey.split]
    return tuple(_message(one, node) for one in (*found, *survey.messages) if not _own(one))


def _own(one: SurveyedIdentifier) -> bool:
    """Whether the message belongs to the protocol: only where it looks like J1939 at all."""
    if not one.key.extended:
        return False
    return split_identifier(one.key.identifier).pgn in OWN_GROUPS


def _message(one: SurveyedIdentifier, node: str) -> Message:
    length = next(iter(one.lengths), 0)
    cycle = one.cycle
    steady = (
        cycle is not None
        and cycle.frames >= FEWEST
        and cycle.median_ns > 0
        and cycle.jitter_ns <= STEADY * cycle.median_ns
    )
    stated = None
    if steady and cycle is not None:
        stated = Stated(round(usual_ms(cycle.median_ns) * 1e6), Origin.MEASURED)
    return Message(
        f"Message_{one.key.identifier:X}",
        one.key.identifier,
        one.key.extended,
        length,
        draft_signals(one),
        (node,),
        fd=length > 8,
        cycle=stated,
        event=not steady,
        comment="Draft: " + ("; ".join(one.likely) or "nothing in it was seen to change"),
        confidence=CONFIDENCE,
    )
