"""What a plan may say of a part that has no definition file: its messages and their signals.

The rules of this file: as in :mod:`busplan.plan.schema`; bit positions are those of a DBC.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, PlainValidator, WithJsonSchema

from busplan.definitions.sense import LONGEST_MESSAGE
from busplan.plan.spec import (
    IDENTIFIER,
    LEAST_DISTANCE,
    PERIOD,
    TEXT,
    Identifier,
    Milliseconds,
    Number,
    Spec,
)

PAGES = 'a whole number, or a list of whole numbers and ranges such as [0, "4-7"]'
NAMES = "a list of the names of parts or nodes, as text"
BIT = "a bit number as in a DBC, a whole number, 0 or more"
CONFIDENCE = (
    "a number from 0 to 1: how sure a draft is; take it out once the part's maker or a test has "
    "confirmed it"
)
LONGEST_NAME = 200
MOST_SIGNALS = 4_096
"""Signals of one message; one in each bit of a CAN FD frame would be 512, on pages some more."""
MOST_VALUES = 65_536
"""Value names of one signal."""

_PAGE = {"type": ["integer", "string"]}
_PAGES = {
    "anyOf": [*({"type": t} for t in ("integer", "string")), {"type": "array", "items": _PAGE}]
}


def _pages(value: Any) -> tuple[tuple[int, int], ...]:
    found = []
    for one in value if isinstance(value, list) else [value]:
        if isinstance(one, int) and not isinstance(one, bool):
            found.append((one, one))
        elif isinstance(one, str):
            low, _, high = one.partition("-")
            found.append((int(low), int(high)))
        else:
            raise ValueError
    if not found or any(not 0 <= low <= high < 1 << 64 for low, high in found):
        raise ValueError
    return tuple(found)


def _values(value: Any) -> dict[int, str]:
    if not isinstance(value, dict) or len(value) > MOST_VALUES:
        raise ValueError
    if not all(isinstance(text, str) for text in value.values()):
        raise ValueError
    return {int(raw): text for raw, text in value.items()}


Name = Annotated[str, Field(min_length=1, max_length=LONGEST_NAME, pattern=r"^[^\s/*?@]+$")]
NAME = "a name without blank, slash, asterisk, question mark or @, as text"


class PaperSignalSpec(Spec):
    """``[[part.NAME.message.signal]]``: one value inside a message."""

    name: Name = Field(description=NAME)
    start: Annotated[int, Field(ge=0, lt=8 * LONGEST_MESSAGE)] = Field(
        description=BIT
        + ": the least significant bit of a little-endian signal, the most significant one of a "
        "big-endian signal"
    )
    length: Annotated[int, Field(ge=1, le=64)] = Field(
        description="a whole number of bits from 1 to 64"
    )
    byte_order: Literal["little", "big"] = Field(
        default="little", description='"little" or "big" (the most significant byte comes first)'
    )
    signed: bool = Field(
        default=False, description="true when it can be negative (two's complement), or false"
    )
    floating: bool = Field(
        default=False, description="true for a floating-point number of 16, 32 or 64 bits, or false"
    )
    scale: Number = Field(
        default=1, description="what the raw number is multiplied by, a number that is not 0"
    )
    offset: Number = Field(default=0, description="what is added after scaling, a number")
    minimum: Number | None = Field(
        default=None, description="its least value, a number in the signal's unit"
    )
    maximum: Number | None = Field(
        default=None, description="its greatest value, a number in the signal's unit"
    )
    unit: str = Field(default="", max_length=LONGEST_NAME, description="its unit, as text")
    values: Annotated[
        dict[int, str],
        PlainValidator(_values),
        WithJsonSchema({"type": "object", "additionalProperties": {"type": "string"}}),
    ] = Field(
        default_factory=dict,
        description='a table of raw value = name, such as { 0 = "Off", 1 = "On" }',
    )
    receivers: list[str] = Field(default_factory=list, description=NAMES)
    selects: bool = Field(
        default=False, description="true when it says which page the frame carries, or false"
    )
    page: Annotated[tuple[tuple[int, int], ...], PlainValidator(_pages), WithJsonSchema(_PAGES)] = (
        Field(default=(), description=PAGES)
    )
    selector: str | None = Field(
        default=None, min_length=1, description="the name of the signal that selects its page"
    )
    comment: str = Field(default="", max_length=65_536, description=TEXT)
    confidence: Annotated[float, Field(ge=0, le=1)] | None = Field(
        default=None, description=CONFIDENCE
    )


class PaperMessageSpec(Spec):
    """``[[part.NAME.message]]``: a message that a part sends or receives, known from paper."""

    identifier: Identifier = Field(description=IDENTIFIER)
    bytes: Annotated[int, Field(ge=0, le=LONGEST_MESSAGE)] = Field(
        description="a whole number of bytes from 0 to 65535"
    )
    name: Name | None = Field(default=None, description=NAME)
    extended: bool | None = Field(
        default=None, description="true for a 29-bit identifier, false for one of 11 bits"
    )
    cycle_ms: Milliseconds | None = Field(default=None, description=PERIOD)
    min_distance_ms: Milliseconds | None = Field(default=None, description=LEAST_DISTANCE)
    event: bool = Field(
        default=False,
        description="true for a message sent on change of which no least distance is known, or "
        "false",
    )
    sender: str | None = Field(
        default=None,
        min_length=1,
        description="the part or node that sends it where that is another one, as text",
    )
    receivers: list[str] = Field(default_factory=list, description=NAMES)
    fd: bool = Field(default=False, description="true for a CAN FD frame, or false")
    bit_rate_switch: bool = Field(
        default=True, description="true or false: whether a CAN FD frame switches its bit rate"
    )
    j1939: bool = Field(
        default=False, description="true when its identifier is one of J1939, or false"
    )
    comment: str = Field(default="", max_length=65_536, description=TEXT)
    confidence: Annotated[float, Field(ge=0, le=1)] | None = Field(
        default=None, description=CONFIDENCE
    )
    signal: Annotated[list[PaperSignalSpec], Field(max_length=MOST_SIGNALS)] = Field(
        default_factory=list, description="[[part.NAME.message.signal]] tables, at most 4096"
    )
