"""What a plan may say of the cable of a network: lengths, order, plugs and colours."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from busplan.plan.spec import TEXT, Metres, Ohms, Spec

Label = Annotated[str, Field(min_length=1, max_length=200)]
Pin = Annotated[str, Field(min_length=1, max_length=20)]
PIN = 'a pin as text, such as "7" or "A"'


class TapSpec(Spec):
    """``[network.NAME.cable.at.NODE]``: how a node is joined to the cable."""

    connector: Label | None = Field(default=None, description='text, such as "D-sub 9"')
    high_pin: Pin | None = Field(default=None, description=PIN)
    low_pin: Pin | None = Field(default=None, description=PIN)
    ground_pin: Pin | None = Field(default=None, description=PIN)
    shield_pin: Pin | None = Field(default=None, description=PIN)
    label: Label | None = Field(default=None, description="what is written on the wire, as text")


class CableSpec(Spec):
    """``[network.NAME.cable]``."""

    trunk_m: Metres | None = Field(default=None, description="a length in metres, 0 or more")
    stubs_m: dict[str, Metres] = Field(
        default_factory=dict, description="a table of node = length in metres"
    )
    terminators_ohm: list[Ohms] | None = Field(
        default=None, description="a list of resistances in ohms above 0"
    )
    order: list[str] = Field(
        default_factory=list, description="a list of nodes as they follow along the trunk"
    )
    segments_m: list[Metres] = Field(
        default_factory=list,
        description="a list of lengths in metres, each from one node of order to the next",
    )
    terminators_at: list[str] = Field(
        default_factory=list,
        description='a list with one place a terminator on the cable: "start", "end" or a node',
    )
    wire: Label | None = Field(default=None, description='text, such as "2 x 0.5 mm2 twisted"')
    wire_mohm_per_m: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="the resistance of one wire in mΩ a metre, above 0"
    )
    high_colour: Label | None = Field(default=None, description=TEXT)
    low_colour: Label | None = Field(default=None, description=TEXT)
    shielded: bool | None = Field(default=None, description="true or false")
    shield_ground_at: Label | None = Field(
        default=None, description="the one place where the shield meets ground, as text"
    )
    at: dict[str, TapSpec] = Field(default_factory=dict, description="a table of nodes")
