"""What a plan file may say, section by section: keys, kinds of values, ranges.

The rules of this file: each field's ``description`` completes the sentence "must be …" in an error;
whether names fit together is judged in :mod:`busplan.plan.resolve`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PlainValidator, WithJsonSchema

from busplan.plan.allot_schema import COST, RANGES, AllotSpec, Cost, Range
from busplan.plan.behaviour_spec import BehaviourSpec, ClaimSpec
from busplan.plan.cable_schema import CableSpec
from busplan.plan.commission_spec import ExpectSpec, PlannedTestSpec
from busplan.plan.message_schema import MessageSpec
from busplan.plan.paper_schema import PaperMessageSpec
from busplan.plan.route_schema import RouteSpec
from busplan.plan.spec import (
    BIT_RATE,
    DATA_BIT_RATE,
    FILES,
    OHMS,
    SAMPLE_POINT,
    SENDER,
    SPAN,
    SPAN_FROM_ZERO,
    TEXT,
    BitRate,
    DataBitRate,
    Fraction,
    Metres,
    Milliseconds,
    Ohms,
    SpanFromZero,
    Spec,
)
from busplan.plan.vehicle import IdentifierRule, Queue


def _one_or_more(value: Any) -> Any:
    return [value] if isinstance(value, str | int) and not isinstance(value, bool) else value


_RULE = {
    "anyOf": [
        {"enum": ["fixed", "free"]},
        {"type": "array", "items": {"type": "integer"}, "minItems": 1},
    ]
}
_ON = {
    "anyOf": [
        {"type": "array", "items": {"type": "string"}, "minItems": 1},
        {"type": "object", "additionalProperties": {"type": "string"}, "minProperties": 1},
    ]
}


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _identifier_rule(value: Any) -> IdentifierRule:
    if value == "fixed":
        return "fixed"
    if value == "free":
        return "free"
    if isinstance(value, list) and value and all(map(_is_whole, value)):
        return tuple(value)
    raise ValueError


def _places(value: Any) -> tuple[tuple[str | None, str], ...]:
    if isinstance(value, list) and value and all(isinstance(v, str) for v in value):
        return tuple((None, v) for v in value)
    if isinstance(value, dict) and value and all(isinstance(v, str) for v in value.values()):
        return tuple(value.items())
    raise ValueError


def _pattern(value: Any) -> str | tuple[str, ...]:
    if isinstance(value, str) and value:
        return value
    if isinstance(value, list) and all(isinstance(v, str) for v in value):
        return tuple(value)
    raise ValueError


MOST_MESSAGES = 4_096
"""Messages of one part on paper: twice as many as there are 11-bit identifiers."""


class VehicleSpec(Spec):
    """``[vehicle]``."""

    name: str = Field(
        default="vehicle", min_length=1, description="what it is called, text that is not empty"
    )
    invented: bool = Field(default=False, description="true for an invented vehicle, or false")
    board: str = Field(default="", description="the name of a file with boards, as text")


class NetworkSpec(Spec):
    """``[network.NAME]``."""

    bit_rate: BitRate = Field(description=BIT_RATE)
    data_bit_rate: DataBitRate | None = Field(
        default=None, description=f"{DATA_BIT_RATE}, in the data phase of CAN FD"
    )
    load_limit: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None, description="a fraction above 0 and up to 1, such as 0.5 for 50 %"
    )
    j1939: bool = Field(
        default=False, description="true where 29-bit identifiers are those of J1939, or false"
    )
    channels: list[str] = Field(
        default_factory=list,
        description="a list of channel names as text, as captures call this network",
    )
    cable: CableSpec | None = Field(default=None, description="a table")
    sample_point: Fraction | None = Field(default=None, description=SAMPLE_POINT)
    data_sample_point: Fraction | None = Field(default=None, description=SAMPLE_POINT)
    canopen: bool | None = Field(
        default=None,
        description="false where no CANopen device is or will be, true where one is",
    )
    diagnostics: bool | None = Field(
        default=None,
        description="false where no diagnostic tool will ever be connected, true where one will",
    )
    fault_interval_ms: Milliseconds | None = Field(
        default=None, description=f"the least time between two bus errors, {SPAN}"
    )
    bit_rates: list[BitRate] = Field(
        default_factory=list,
        description=f"a list of bit rates it may be set to, each {BIT_RATE}",
    )
    guests: bool = Field(
        default=True, description="false where no node may join that is not on it, or true"
    )
    reserved: Annotated[list[Range], Field(max_length=1000)] = Field(
        default_factory=list, description=RANGES
    )


class PortSpec(Spec):
    """``[part.NAME.port.PORT]``: one connection of a part that has several."""

    definitions: Annotated[list[str], BeforeValidator(_one_or_more)] = Field(
        default_factory=list, description=FILES
    )
    sender: str | None = Field(default=None, min_length=1, description=SENDER)
    bit_rates: list[BitRate] = Field(
        default_factory=list, description="a list of bit rates, each " + BIT_RATE
    )
    data_bit_rates: list[DataBitRate] = Field(
        default_factory=list, description="a list of bit rates, each " + DATA_BIT_RATE
    )
    terminator_ohm: Ohms | None = Field(default=None, description=f"built in, {OHMS}")
    message: Annotated[list[PaperMessageSpec], Field(max_length=MOST_MESSAGES)] = Field(
        default_factory=list, description="[[part.NAME.message]] tables, at most 4096"
    )


class PartSpec(PortSpec):
    """``[part.NAME]``. A part with one connection has no port tables; the keys stand here."""

    maker: str = Field(default="", description="who made it, as text")
    identifiers: Annotated[
        IdentifierRule, PlainValidator(_identifier_rule), WithJsonSchema(_RULE)
    ] = Field(default="fixed", description='"fixed", "free", or a list of allowed offsets')
    queue: Queue = Field(
        default="priority",
        description='"priority", or "fifo" when it queues frames first-in-first-out',
    )
    clock_mhz: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="the controller's clock in MHz, above 0"
    )
    transceiver_delay_ns: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        default=None, description="a whole number of nanoseconds from 0 to 10000"
    )
    sample_point: Fraction | None = Field(default=None, description=SAMPLE_POINT)
    buy_other_identifiers: Cost | None = Field(default=None, description=COST)
    port: dict[str, PortSpec] = Field(default_factory=dict, description="a table of ports")


class NodeSpec(Spec):
    """``[node.NAME]``."""

    part: str = Field(description="the name of a part, as text")
    on: Annotated[
        tuple[tuple[str | None, str], ...], PlainValidator(_places), WithJsonSchema(_ON)
    ] = Field(description='a list of networks, or a table of port = "network"')
    place: Annotated[str, Field(max_length=200)] = Field(
        default="", description="where in the vehicle it sits, as text"
    )
    identifier_offset: Annotated[int, Field(ge=-0x1FFFFFFF, le=0x1FFFFFFF)] = Field(
        default=0, description="added to all its identifiers, a whole number"
    )
    source_address: Annotated[int, Field(ge=0, le=253)] | None = Field(
        default=None, description="a J1939 address, a whole number from 0 to 253"
    )
    allowed: list[str] | None = Field(
        default=None, min_length=1, description="a list of networks on which it may sit"
    )
    keep: bool = Field(default=False, description="true for a node that stays where it is")
    at_m: Metres | None = Field(
        default=None, description="its place along the vehicle, from the front, in metres"
    )
    offsets: Annotated[dict[str, SpanFromZero], Field(max_length=MOST_MESSAGES)] = Field(
        default_factory=dict,
        description="a table MESSAGE = offset: when its one clock makes it send each message, "
        f"{SPAN_FROM_ZERO}",
    )
    expect: ExpectSpec | None = Field(default=None, description="a table of what it must tell")


class LimitsSpec(Spec):
    """``[pack.limits]``: replaces single limits of the chemistry."""

    cell_low_v: Annotated[float, Field(ge=0, le=10)] | None = Field(
        default=None, description="a cell voltage from 0 to 10 V"
    )
    cell_high_v: Annotated[float, Field(ge=0, le=10)] | None = Field(
        default=None, description="a cell voltage from 0 to 10 V"
    )
    charge_low_c: float | None = Field(default=None, description="a temperature in °C")
    charge_high_c: float | None = Field(default=None, description="a temperature in °C")
    discharge_low_c: float | None = Field(default=None, description="a temperature in °C")
    discharge_high_c: float | None = Field(default=None, description="a temperature in °C")
    voltage_spread_v: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="a voltage above 0 V"
    )
    temperature_spread_k: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="a temperature difference above 0 K"
    )


COUNTS = "a whole number, 0 or more, or one for each module"
_NAMES = {"type": "array", "items": {"type": "string"}}
Pattern = Annotated[
    str | tuple[str, ...],
    PlainValidator(_pattern),
    WithJsonSchema({"anyOf": [{"type": "string"}, _NAMES]}),
]
PATTERN = 'a signal pattern such as "CellVoltage{n:02}", or a list of signals'


class EnclosureSpec(Spec):
    """``[[pack.enclosure]]``."""

    name: str = Field(min_length=1, description=TEXT)
    node: str | None = Field(default=None, description="the name of a node, as text")
    modules: list[str] = Field(
        min_length=1, max_length=1000, description="a list of module names, 1 to 1000"
    )
    cells_per_module: Annotated[
        list[Annotated[int, Field(ge=0, le=1000)]], BeforeValidator(_one_or_more)
    ] = Field(min_length=1, description=COUNTS)
    sensors_per_module: Annotated[
        list[Annotated[int, Field(ge=0, le=1000)]], BeforeValidator(_one_or_more)
    ] = Field(default_factory=lambda: [0], min_length=1, description=COUNTS)
    cells: Pattern = Field(description=PATTERN)
    sensors: Pattern = Field(default=(), description=PATTERN)
    loop_position: Annotated[
        list[Annotated[int, Field(ge=1, le=1000)]], BeforeValidator(_one_or_more)
    ] = Field(
        default_factory=lambda: [1],
        min_length=1,
        description="the place of each module along its branch of the liquid loop (1 is first), "
        "one whole number from 1 to 1000 for all or a list with one a module",
    )
    kind: Annotated[list[Annotated[str, Field(min_length=1)]], BeforeValidator(_one_or_more)] = (
        Field(
            default_factory=lambda: ["module"],
            min_length=1,
            description="a name for how the modules are built, as text for all or a list with "
            "one a module",
        )
    )


class QuantitiesSpec(Spec):
    """``[pack.quantities]``: our own fixed names, each the signal that holds it."""

    current: str | None = Field(default=None, description="a signal, as text")
    voltage: str | None = Field(default=None, description="a signal, as text")
    inlet_temperature: str | None = Field(default=None, description="a signal, as text")
    outlet_temperature: str | None = Field(default=None, description="a signal, as text")
    insulation: str | None = Field(default=None, description="a signal, as text")
    contactor_state: str | None = Field(default=None, description="a signal, as text")
    plus_contactor: str | None = Field(default=None, description="a signal, as text")
    minus_contactor: str | None = Field(default=None, description="a signal, as text")
    pre_charge_contactor: str | None = Field(default=None, description="a signal, as text")
    plus_command: str | None = Field(default=None, description="a signal, as text")
    minus_command: str | None = Field(default=None, description="a signal, as text")
    pre_charge_command: str | None = Field(default=None, description="a signal, as text")
    link_voltage: str | None = Field(default=None, description="a signal, as text")
    state_of_charge: str | None = Field(default=None, description="a signal, as text")
    dcdc_output_voltage: str | None = Field(default=None, description="a signal, as text")
    charger_current: str | None = Field(default=None, description="a signal, as text")
    charger_current_request: str | None = Field(default=None, description="a signal, as text")
    charger_voltage: str | None = Field(default=None, description="a signal, as text")
    charger_voltage_request: str | None = Field(default=None, description="a signal, as text")
    charger_enable: str | None = Field(default=None, description="a signal, as text")
    dcdc_enable: str | None = Field(default=None, description="a signal, as text")
    insulation_state: str | None = Field(default=None, description="a signal, as text")


class PackSpec(Spec):
    """``[pack]``: the layout of the traction pack."""

    chemistry: str = Field(default="own", min_length=1, description=TEXT)
    network: str | None = Field(default=None, description="the name of a network, as text")
    current_sign: Literal[1, -1] = Field(
        default=1, description="1 when a positive current discharges the pack, -1 when it charges"
    )
    temperature_resolution_k: Annotated[float, Field(gt=0, le=50)] | None = Field(
        default=None, description="a temperature step in K above 0"
    )
    capacity_ah: Annotated[float, Field(gt=0, le=10_000)] | None = Field(
        default=None, description="the nominal capacity of one cell (or parallel group) in Ah"
    )
    joints_mohm: Annotated[float, Field(ge=0, le=1000)] | None = Field(
        default=None,
        description="a resistance in mΩ, 0 or more: fuse, contactors and joints between the points "
        "of the pack's voltage, outside the cells' taps",
    )
    balancing_current_a: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="the current in A that balancing takes from one cell, above 0"
    )
    link_discharge_s: Annotated[float, Field(gt=0, le=3600)] | None = Field(
        default=None, description="a time in s above 0 in which the open link falls to 60 V"
    )
    limits: LimitsSpec = Field(default_factory=LimitsSpec, description="a table of limits")
    enclosure: list[EnclosureSpec] = Field(
        min_length=1, description="one [[pack.enclosure]] table or more"
    )
    quantities: QuantitiesSpec = Field(
        default_factory=QuantitiesSpec, description="a table of quantity = signal"
    )


@dataclass(slots=True)
class PlanSpec:
    """The valid tables of a plan. ``broken`` holds names whose tables are wrong, by section."""

    vehicle: VehicleSpec = field(default_factory=VehicleSpec)
    networks: dict[str, NetworkSpec] = field(default_factory=dict)
    parts: dict[str, PartSpec] = field(default_factory=dict)
    nodes: dict[str, NodeSpec] = field(default_factory=dict)
    messages: dict[str, MessageSpec] = field(default_factory=dict)
    routes: dict[int, RouteSpec] = field(default_factory=dict)
    allot: AllotSpec = field(default_factory=AllotSpec)
    pack: PackSpec | None = None
    roles: dict[str, str | ClaimSpec] = field(default_factory=dict)
    behaviours: dict[int, BehaviourSpec] = field(default_factory=dict)
    tests: dict[int, PlannedTestSpec] = field(default_factory=dict)
    broken: dict[str, set[str]] = field(default_factory=dict)

    def known(self, section: str) -> list[str]:
        """Names a section defines, well or badly."""
        tables: dict[str, Mapping[str, Spec]] = {
            "network": self.networks,
            "part": self.parts,
            "node": self.nodes,
        }
        return [*tables[section], *self.broken.get(section, ())]
