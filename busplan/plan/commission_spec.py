"""What ``[[test]]`` and a node's ``expect`` may say: keys, kinds of values, ranges.

The rules of :mod:`busplan.plan.schema` hold here.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, PlainValidator

from busplan.plan.spec import TEXT, TRUE_OR_FALSE, Spec

KINDS = ("capture", "bench", "behaviour", "load", "cycles", "expect", "measure", "look")
"""What a test is of; each is a key whose value names it."""


def _wanted(value: Any) -> tuple[float | str, ...]:
    values = value if isinstance(value, list) else [value]
    if values and all(
        isinstance(v, str) or (isinstance(v, int | float) and not isinstance(v, bool))
        for v in values
    ):
        return tuple(v if isinstance(v, str) else float(v) for v in values)
    raise ValueError


WANTED = "a number, a text, or a list of what is allowed"
Wanted = Annotated[tuple[float | str, ...], PlainValidator(_wanted)]


IDENTIFIER = "an identifier, a whole number from 0 to 0x1FFFFFFF"
Identifier = Annotated[int, Field(ge=0, le=0x1FFFFFFF)]


class AnswersSpec(Spec):
    """``[node.NAME.expect.answers]``: what it answers when data are read by identifier."""

    from_: Identifier = Field(
        alias="from", description=f"what its answers come under: {IDENTIFIER}"
    )
    ask: Identifier | None = Field(
        default=None, description=f"what it is asked under: {IDENTIFIER}"
    )
    network: str | None = Field(
        default=None, min_length=1, description="the network of its answers, as text"
    )
    read: Annotated[dict[str, Wanted], Field(max_length=200)] = Field(
        default_factory=dict,
        description="a table of data identifier, such as 0xF195, = " + WANTED,
    )


class ExpectSpec(Spec):
    """``[node.NAME.expect]``: versions, serial numbers and settings that a node must tell."""

    signals: dict[str, Wanted] = Field(
        default_factory=dict, description="a table of signal of this node = " + WANTED
    )
    alike: list[str] = Field(
        default_factory=list,
        description="a list of what all nodes of its part tell alike: signals of this node, "
        '"software", "component", "ecu", or data identifiers such as "0xF195"',
    )
    answers: AnswersSpec | None = Field(
        default=None, description="a table of what it answers to a diagnostic tool"
    )
    software: Wanted | None = Field(default=None, description=WANTED)
    component: Wanted | None = Field(default=None, description=WANTED)
    ecu: Wanted | None = Field(default=None, description=WANTED)
    vin: Wanted | None = Field(default=None, description=WANTED)


class PlannedTestSpec(Spec):
    """``[[test]]``: one line of the commissioning list, or a ready one."""

    name: str | None = Field(default=None, min_length=1, max_length=200, description=TEXT)
    ready: str | None = Field(
        default=None, min_length=1, description='the name of ready tests, or "all", as text'
    )
    capture: str | None = Field(
        default=None,
        min_length=1,
        description='"warm-up", "drive", "charge", "rest" or "key-on"',
    )
    bench: str | None = Field(default=None, min_length=1, description="the name of a node, as text")
    behaviour: str | None = Field(
        default=None, min_length=1, description="the name of a behaviour, as text"
    )
    load: str | None = Field(default=None, min_length=1, description="the name of a network")
    cycles: str | None = Field(default=None, min_length=1, description="the name of a network")
    expect: str | None = Field(
        default=None, min_length=1, description="the name of a node with [node.NAME.expect]"
    )
    measure: str | None = Field(
        default=None, min_length=1, description="what is measured and where, as text"
    )
    look: str | None = Field(default=None, min_length=1, description="what is looked at, as text")
    network: str | None = Field(
        default=None, min_length=1, description="the network of a bench test, as text"
    )
    unit: str = Field(default="", max_length=20, description="the unit of a measurement, as text")
    at_least: float | None = Field(default=None, description="a number in the test's unit")
    at_most: float | None = Field(default=None, description="a number in the test's unit")
    for_min: Annotated[float, Field(gt=0, le=100_000)] | None = Field(
        default=None, description="a number of minutes above 0"
    )
    licensed: bool = Field(default=False, description=TRUE_OR_FALSE)
    caution: str = Field(default="", description=TEXT)
    note: str = Field(default="", description=TEXT)
    source: str = Field(default="", description=TEXT)
