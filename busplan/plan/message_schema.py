"""What a plan may say of one message: timing, limits, identifier, how it is sent in parts.

The rules of this file: as in :mod:`busplan.plan.schema`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from busplan.plan.spec import (
    IDENTIFIER,
    LEAST_DISTANCE,
    PERIOD,
    SPAN,
    SPAN_FROM_ZERO,
    Identifier,
    Milliseconds,
    SpanFromZero,
    Spec,
)


class SignalLimitsSpec(Spec):
    """``[message."network/NAME".limits.SIGNAL]``: what a sound part shows on the bench."""

    low: float | None = Field(default=None, description="a number in the signal's unit")
    high: float | None = Field(default=None, description="a number in the signal's unit")
    step: Annotated[float, Field(ge=0)] | None = Field(
        default=None, description="the largest change from frame to frame, 0 or more"
    )
    still: bool | None = Field(
        default=None,
        description="true when it may stay as it is through a test, false when it has to move",
    )


class MessageSpec(Spec):
    """``[message."network/NAME"]``: what a definition leaves out or has wrong."""

    identifier: Identifier | None = Field(default=None, description=IDENTIFIER)
    cycle_ms: Milliseconds | None = Field(default=None, description=PERIOD)
    min_distance_ms: Milliseconds | None = Field(default=None, description=LEAST_DISTANCE)
    deadline_ms: Milliseconds | None = Field(
        default=None, description=f"from queueing to reception, {SPAN}"
    )
    jitter_ms: SpanFromZero = Field(
        default=0.0, description=f"how late it may be queued, {SPAN_FROM_ZERO}"
    )
    segmented: Literal["normal", "extended"] | None = Field(
        default=None, description='"normal", or "extended" when an address byte comes first'
    )
    session_priority: Annotated[int, Field(ge=0, le=7)] = Field(
        default=7, description="the priority of its J1939 transport frames, a whole number 0 to 7"
    )
    pace_ms: SpanFromZero | None = Field(
        default=None, description=f"between two of its packets, {SPAN_FROM_ZERO}"
    )
    window: Annotated[int, Field(ge=0, le=255)] = Field(
        default=0, description="packets between two answers of the receiver, 0 (all) to 255"
    )
    answer_ms: SpanFromZero | None = Field(
        default=None, description=f"until its receiver answers, {SPAN_FROM_ZERO}"
    )
    flow_control: Identifier | None = Field(
        default=None, description="the identifier of its flow control, up to 0x1FFFFFFF"
    )
    optional: bool | list[str] = Field(
        default=False,
        description="true, or a list of its signals, for what a bench test need not have seen",
    )
    cycle_tolerance: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None,
        description="how far its median cycle time may lie off on the bench, a share up to 1",
    )
    longest_gap_ms: Milliseconds | None = Field(default=None, description=SPAN)
    limits: dict[str, SignalLimitsSpec] = Field(
        default_factory=dict, description="a table of its signals with what each may show"
    )
