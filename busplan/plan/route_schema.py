"""What a plan may say of what a gateway carries.

The rules of this file: as in :mod:`busplan.plan.schema`.
"""

from __future__ import annotations

from pydantic import Field

from busplan.plan.paper_schema import NAME, Name
from busplan.plan.spec import (
    IDENTIFIER,
    LEAST_DISTANCE,
    PERIOD,
    SPAN,
    SPAN_FROM_ZERO,
    Identifier,
    Milliseconds,
    Number,
    SpanFromZero,
    Spec,
)

VALUE = "a number in the unit of the signal on the network it leads to, or the name of a value"


class RouteSpec(Spec):
    """``[[route]]``: what a gateway carries."""

    signal: str | None = Field(default=None, min_length=1, description="the name of a signal")
    message: str | None = Field(default=None, min_length=1, description="the name of a message")
    source: str = Field(alias="from", description="the name of a network, as text")
    target: str = Field(alias="to", description="the name of a network, as text")
    through: str = Field(description="the name of a node, as text")
    node: str | None = Field(
        default=None, description="the name of the node whose message it is, as text"
    )
    name: str | None = Field(
        default=None, min_length=1, description="what the route is called, as text"
    )
    renamed: Name | None = Field(default=None, alias="as", description=NAME)
    into: str | None = Field(
        default=None,
        min_length=1,
        description="the name of the gateway's message that carries the signal on, as text",
    )
    identifier: Identifier | None = Field(default=None, description=IDENTIFIER)
    extended: bool | None = Field(
        default=None, description="true for a 29-bit identifier, false for one of 11 bits"
    )
    scale: Number = Field(
        default=1, description="what the value is multiplied by, a number that is not 0"
    )
    offset: Number = Field(
        default=0, description="what is added to the value after scaling, a number"
    )
    cycle_ms: Milliseconds | None = Field(default=None, description=PERIOD)
    min_distance_ms: Milliseconds | None = Field(default=None, description=LEAST_DISTANCE)
    on_change: bool = Field(
        default=False, description="true when it is sent on only when it has changed, or false"
    )
    delay_ms: SpanFromZero | None = Field(
        default=None, description=f"what the gateway takes to pass it on, {SPAN_FROM_ZERO}"
    )
    deadline_ms: Milliseconds | None = Field(
        default=None, description=f"from its first sender to the last network, {SPAN}"
    )
    timeout_ms: Milliseconds | None = Field(
        default=None, description=f"after which the gateway counts its source as lost, {SPAN}"
    )
    timeout_value: Number | str | None = Field(default=None, description=VALUE)
