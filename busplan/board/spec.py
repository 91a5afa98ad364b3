"""What a board's file may say, table by table; the rules of :mod:`busplan.plan.schema` hold."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import BeforeValidator, Field

from busplan.plan.spec import Spec

Kind = Literal[
    "figure",
    "bar",
    "needle",
    "dial",
    "word",
    "chart",
    "lanes",
    "map",
    "heat",
    "alarms",
    "notes",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
OF_NO_SIGNAL: frozenset[Kind] = frozenset({"alarms", "notes"})
"""Kinds that show no signal."""
GRID = 12
"""Columns and rows of a board's grid."""


def _one_or_more(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _number(value: Any) -> Any:
    """Whole numbers where numbers may stand."""
    whole = isinstance(value, int) and not isinstance(value, bool)
    return float(value) if whole else value


Number = Annotated[float, BeforeValidator(_number)]
Seconds = Annotated[float, BeforeValidator(_number), Field(ge=0, le=86_400)]
Place = Annotated[int, Field(ge=0, lt=GRID)]
Extent = Annotated[int, Field(ge=1, le=GRID)]
Names = Annotated[list[str], BeforeValidator(_one_or_more)]

NUMBER = "a number"
SECONDS = "a number of seconds from 0 to 86400"
SIGNALS = (
    'a signal such as "pack/*/PackStatus/PackCurrent", "cells", "sensors", a quantity of the '
    'plan\'s pack such as "current", "load of NETWORK", or a list of these'
)


class LimitSpec(Spec):
    """``[[limit]]``: limits of signals, whatever board shows them."""

    signal: str = Field(min_length=1, description=SIGNALS)
    take: Literal["each", "lowest", "highest", "spread", "mean", "sum"] = Field(
        default="each", description='"each", "lowest", "highest", "spread", "mean" or "sum"'
    )
    fault_low: Number | None = Field(default=None, description=NUMBER)
    caution_low: Number | None = Field(default=None, description=NUMBER)
    caution_high: Number | None = Field(default=None, description=NUMBER)
    fault_high: Number | None = Field(default=None, description=NUMBER)
    back_by: Annotated[float, BeforeValidator(_number), Field(ge=0)] | None = Field(
        default=None, description="a number, 0 or more"
    )
    for_s: Seconds | None = Field(default=None, description=SECONDS)
    clear_s: Seconds | None = Field(default=None, description=SECONDS)
    when: str | None = Field(
        default=None, description='a condition such as "PumpState is Running" or "current above 5"'
    )
    settle_s: Seconds = Field(default=0.0, description=SECONDS)


class TileSpec(Spec):
    """``[[board.tile]]``."""

    show: Kind = Field(description="one of " + ", ".join(f'"{k}"' for k in KINDS))
    signals: Names = Field(default_factory=list, max_length=400, description=SIGNALS)
    take: Literal["each", "lowest", "highest", "spread", "mean", "sum"] = Field(
        default="each", description='"each", "lowest", "highest", "spread", "mean" or "sum"'
    )
    at: Annotated[list[Place], Field(min_length=2, max_length=2)] = Field(
        description="[column, row] on the grid, each from 0 to 11"
    )
    size: Annotated[list[Extent], Field(min_length=2, max_length=2)] = Field(
        description="[columns, rows] on the grid, each from 1 to 12"
    )
    range: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = Field(
        default=None, description="[lowest, highest] of the scale"
    )
    title: str = Field(default="", max_length=200, description="text")
    decimals: Annotated[int, Field(ge=0, le=6)] | None = Field(
        default=None, description="a whole number from 0 to 6"
    )
    window_s: Seconds | None = Field(default=None, description=SECONDS)
    bad: Names = Field(default_factory=list, description="a state, or a list of states, as text")


class BoardSpec(Spec):
    """``[[board]]``."""

    name: str = Field(min_length=1, max_length=200, description="text that is not empty")
    window_s: Seconds | None = Field(default=None, description=SECONDS)
    tile: list[Any] = Field(
        default_factory=list, max_length=144, description="[[board.tile]] tables, 144 at most"
    )


class FileSpec(Spec):
    """The keys outside all tables."""

    presets: Names = Field(
        default_factory=list, max_length=9, description="a list of notes as text, nine at most"
    )
    blink: bool = Field(default=True, description="true or false")
