"""What the tables of a plan's schema share: their base, kinds of values, words for ranges.

The rules of this file: each text completes the sentence "must be …" in an error.
"""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, WithJsonSchema

from busplan.definitions.model import LONGEST_MS, SHORTEST_MS


class Spec(BaseModel):
    """Base of all tables: no unknown keys, no silent conversion, nothing infinite."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


Metres = Annotated[float, Field(ge=0, le=10_000)]
Ohms = Annotated[float, Field(gt=0, le=100_000)]
BitRate = Annotated[int, Field(ge=5_000, le=1_000_000)]
DataBitRate = Annotated[int, Field(ge=5_000, le=8_000_000)]
Fraction = Annotated[float, Field(gt=0.3, lt=1)]
Milliseconds = Annotated[float, Field(ge=SHORTEST_MS, le=LONGEST_MS)]
Identifier = Annotated[int, Field(ge=0, le=0x1FFFFFFF)]
SpanFromZero = Annotated[float, Field(ge=0, le=LONGEST_MS)]


def _number(value: Any) -> float | int:
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return value
    raise ValueError


Number = Annotated[float | int, PlainValidator(_number), WithJsonSchema({"type": "number"})]
"""Whole or not, as it is written; finite."""

BIT_RATE = "a whole number of bit/s from 5000 to 1000000"
DATA_BIT_RATE = "a whole number of bit/s from 5000 to 8000000"
SAMPLE_POINT = "a fraction of the bit between 0.3 and 1, such as 0.875"
OHMS = "a resistance in ohms above 0"
SPAN = "a number of milliseconds, 0.001 or more"
SPAN_FROM_ZERO = "a number of milliseconds, 0 or more"
PERIOD = f"the period, {SPAN}"
LEAST_DISTANCE = f"the least time between two that are sent on event, {SPAN}"
FILES = "the name of a definition file, or a list of names"
SENDER = "the name that the definition file gives this part, as text"
TEXT = "text"
IDENTIFIER = "an identifier, a whole number from 0 to 0x1FFFFFFF"
TRUE_OR_FALSE = "true or false"
