"""What ``[[behaviour]]`` and ``[role]`` may say: keys, kinds of values, ranges.

The rules of :mod:`busplan.plan.schema` hold here.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, PlainValidator, WithJsonSchema

from busplan.plan.spec import TEXT, Spec

LONGEST_S = 86_400.0


def _number(value: Any) -> float | None:
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300:
        return float(value)
    return None


def _bound(value: Any) -> float | str:
    if isinstance(value, str) and value:
        return value
    number = _number(value)
    if number is None:
        raise ValueError
    return number


def _ends(value: Any) -> tuple[float, float]:
    if isinstance(value, list) and len(value) == 2:
        low, high = map(_number, value)
        if low is not None and high is not None and low <= high:
            return low, high
    raise ValueError


def _states(value: Any) -> tuple[float | str, ...]:
    values = value if isinstance(value, list) else [value]
    if not values:
        raise ValueError
    return tuple(map(_bound, values))


BOUND = "a number, or the name of a signal as text"
ENDS = "a list of two numbers, the lower first"
STATES = "the name of a state, a number, or a list of them"
SIGNAL = 'the name of a signal, or "@" and a role, as text'
_ONE = {"type": ["number", "string"]}
Bound = Annotated[float | str, PlainValidator(_bound), WithJsonSchema(_ONE)]
Ends = Annotated[
    tuple[float, float],
    PlainValidator(_ends),
    WithJsonSchema({"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}),
]
States = Annotated[
    tuple[float | str, ...],
    PlainValidator(_states),
    WithJsonSchema({"anyOf": [_ONE, {"type": "array", "items": _ONE, "minItems": 1}]}),
]
Seconds = Annotated[float, Field(ge=0, le=LONGEST_S)]
SECONDS = "a number of seconds, 0 to 86400"
CLAIM = "a table that says what holds, such as { signal = NAME, above = NUMBER }"


class ClaimSpec(Spec):
    """What holds at a moment: one signal against something, a silence, or several of these."""

    signal: str | None = Field(default=None, min_length=1, description=SIGNAL)
    message: str | None = Field(
        default=None, min_length=1, description='the name of a message, or "@" and a role, as text'
    )
    role: str | None = Field(
        default=None, min_length=1, description="the name of a role that says what holds, as text"
    )
    above: Bound | None = Field(default=None, description=BOUND)
    at_least: Bound | None = Field(default=None, description=BOUND)
    below: Bound | None = Field(default=None, description=BOUND)
    at_most: Bound | None = Field(default=None, description=BOUND)
    plus: float | None = Field(default=None, description="a number that is added to the bound")
    between: Ends | None = Field(default=None, description=ENDS)
    outside: Ends | None = Field(default=None, description=ENDS)
    is_: States | None = Field(default=None, alias="is", description=STATES)
    is_not: States | None = Field(default=None, description=STATES)
    follows: str | None = Field(default=None, min_length=1, description=SIGNAL)
    counts_as: str | None = Field(default=None, min_length=1, description=SIGNAL)
    tolerance: Annotated[float, Field(ge=0)] | None = Field(
        default=None, description="a number, 0 or more, in the signal's unit"
    )
    delay_s: Seconds | None = Field(default=None, description=SECONDS)
    silent_s: Annotated[float, Field(gt=0, le=LONGEST_S)] | None = Field(
        default=None, description="a number of seconds above 0"
    )
    all: list[ClaimSpec] | None = Field(
        default=None, min_length=1, max_length=100, description="a list of tables"
    )
    any: list[ClaimSpec] | None = Field(
        default=None, min_length=1, max_length=100, description="a list of tables"
    )
    not_: ClaimSpec | None = Field(default=None, alias="not", description=CLAIM)
    for_s: Seconds | None = Field(default=None, description=SECONDS)


class BehaviourSpec(Spec):
    """``[[behaviour]]``."""

    name: str | None = Field(default=None, min_length=1, description=TEXT)
    ready: str | None = Field(
        default=None, min_length=1, description="the name of a ready behaviour, as text"
    )
    set: dict[str, float] = Field(
        default_factory=dict, description="a table of setting = number, for a ready behaviour"
    )
    becomes: ClaimSpec | None = Field(default=None, description=CLAIM)
    while_: ClaimSpec | None = Field(default=None, alias="while", description=CLAIM)
    require: ClaimSpec | None = Field(default=None, description=CLAIM)
    always: ClaimSpec | None = Field(default=None, description=CLAIM)
    never: ClaimSpec | None = Field(default=None, description=CLAIM)
    within_s: Seconds | None = Field(default=None, description=SECONDS)
    stays_s: Seconds | None = Field(default=None, description=SECONDS)
    within_s_before: Seconds | None = Field(default=None, description=SECONDS)
    note: str = Field(default="", description=TEXT)
    source: str = Field(default="", description=TEXT)
