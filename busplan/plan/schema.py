"""What a plan file may say, section by section.

The rules of this file: values are checked for kind and range here, one table at a time, so that one
wrong table hides nothing in the others; whether names fit together is judged in ``resolve``. Each
field's ``description`` completes the sentence "must be …" in an error.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, ValidationError

from busplan.plan.locate import KeyPath
from busplan.plan.problems import Problems, show_value, suggestion
from busplan.plan.vehicle import IdentifierRule, Queue


class Spec(BaseModel):
    """Base of all tables: no unknown keys, no silent conversion, nothing infinite."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _one_or_more(value: Any) -> Any:
    return [value] if isinstance(value, str | int) and not isinstance(value, bool) else value


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


Metres = Annotated[float, Field(ge=0, le=10_000)]
Ohms = Annotated[float, Field(gt=0, le=100_000)]
BitRate = Annotated[int, Field(ge=5_000, le=1_000_000)]
DataBitRate = Annotated[int, Field(ge=5_000, le=8_000_000)]
Fraction = Annotated[float, Field(gt=0.3, lt=1)]
Milliseconds = Annotated[float, Field(gt=0, le=86_400_000)]
SpanFromZero = Annotated[float, Field(ge=0, le=86_400_000)]

BIT_RATE = "a whole number of bit/s from 5000 to 1000000"
DATA_BIT_RATE = "a whole number of bit/s from 5000 to 8000000"
SAMPLE_POINT = "a fraction of the bit between 0.3 and 1, such as 0.875"
OHMS = "a resistance in ohms above 0"
SPAN = "a number of milliseconds above 0"
SPAN_FROM_ZERO = "a number of milliseconds, 0 or more"
FILES = "the name of a definition file, or a list of names"
SENDER = "the name that the definition file gives this part, as text"
TEXT = "text"


class VehicleSpec(Spec):
    """``[vehicle]``."""

    name: str = Field(default="vehicle", min_length=1, description="text that is not empty")
    invented: bool = Field(default=False, description="true or false")


class CableSpec(Spec):
    """``[network.NAME.cable]``."""

    trunk_m: Metres | None = Field(default=None, description="a length in metres, 0 or more")
    stubs_m: dict[str, Metres] = Field(
        default_factory=dict, description="a table of node = length in metres"
    )
    terminators_ohm: list[Ohms] = Field(
        default_factory=list, description="a list of resistances in ohms above 0"
    )


class NetworkSpec(Spec):
    """``[network.NAME]``."""

    bit_rate: BitRate = Field(description=BIT_RATE)
    data_bit_rate: DataBitRate | None = Field(default=None, description=DATA_BIT_RATE)
    load_limit: Annotated[float, Field(gt=0, le=1)] | None = Field(
        default=None, description="a fraction above 0 and up to 1, such as 0.5 for 50 %"
    )
    j1939: bool = Field(default=False, description="true or false")
    channels: list[str] = Field(default_factory=list, description="a list of channel names as text")
    cable: CableSpec | None = Field(default=None, description="a table")
    sample_point: Fraction | None = Field(default=None, description=SAMPLE_POINT)
    data_sample_point: Fraction | None = Field(default=None, description=SAMPLE_POINT)
    fault_interval_ms: Milliseconds | None = Field(default=None, description=SPAN)


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
    terminator_ohm: Ohms | None = Field(default=None, description=OHMS)


class PartSpec(PortSpec):
    """``[part.NAME]``. A part with one connection has no port tables; the keys stand here."""

    maker: str = Field(default="", description=TEXT)
    identifiers: Annotated[IdentifierRule, PlainValidator(_identifier_rule)] = Field(
        default="fixed", description='"fixed", "free", or a list of allowed offsets'
    )
    queue: Queue = Field(default="priority", description='"priority" or "fifo"')
    clock_mhz: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="the controller's clock in MHz, above 0"
    )
    transceiver_delay_ns: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        default=None, description="a whole number of nanoseconds from 0 to 10000"
    )
    sample_point: Fraction | None = Field(default=None, description=SAMPLE_POINT)
    port: dict[str, PortSpec] = Field(default_factory=dict, description="a table of ports")


class NodeSpec(Spec):
    """``[node.NAME]``."""

    part: str = Field(description="the name of a part, as text")
    on: Annotated[tuple[tuple[str | None, str], ...], PlainValidator(_places)] = Field(
        description='a list of networks, or a table of port = "network"'
    )
    identifier_offset: Annotated[int, Field(ge=-0x1FFFFFFF, le=0x1FFFFFFF)] = Field(
        default=0, description="a whole number"
    )
    source_address: Annotated[int, Field(ge=0, le=253)] | None = Field(
        default=None, description="a J1939 address, a whole number from 0 to 253"
    )


class RouteSpec(Spec):
    """``[[route]]``: what a gateway carries."""

    signal: str | None = Field(default=None, min_length=1, description="the name of a signal")
    message: str | None = Field(default=None, min_length=1, description="the name of a message")
    source: str = Field(alias="from", description="the name of a network, as text")
    target: str = Field(alias="to", description="the name of a network, as text")
    through: str = Field(description="the name of a node, as text")
    name: str | None = Field(default=None, min_length=1, description=TEXT)
    delay_ms: SpanFromZero = Field(default=0.0, description=SPAN_FROM_ZERO)
    deadline_ms: Milliseconds | None = Field(default=None, description=SPAN)


class MessageSpec(Spec):
    """``[message."network/NAME"]``: timing that a definition leaves out or has wrong."""

    cycle_ms: Milliseconds | None = Field(default=None, description=SPAN)
    min_distance_ms: Milliseconds | None = Field(default=None, description=SPAN)
    offset_ms: SpanFromZero | None = Field(default=None, description=SPAN_FROM_ZERO)
    deadline_ms: Milliseconds | None = Field(default=None, description=SPAN)
    jitter_ms: SpanFromZero = Field(default=0.0, description=SPAN_FROM_ZERO)


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
PATTERN = 'a signal pattern such as "CellVoltage{n:02}", or a list of signals'


class EnclosureSpec(Spec):
    """``[[pack.enclosure]]``."""

    name: str = Field(min_length=1, description=TEXT)
    node: str | None = Field(default=None, description="the name of a node, as text")
    modules: list[str] = Field(min_length=1, description="a list of module names, at least one")
    cells_per_module: Annotated[
        list[Annotated[int, Field(ge=0, le=1000)]], BeforeValidator(_one_or_more)
    ] = Field(min_length=1, description=COUNTS)
    sensors_per_module: Annotated[
        list[Annotated[int, Field(ge=0, le=1000)]], BeforeValidator(_one_or_more)
    ] = Field(default_factory=lambda: [0], min_length=1, description=COUNTS)
    cells: Annotated[str | tuple[str, ...], PlainValidator(_pattern)] = Field(description=PATTERN)
    sensors: Annotated[str | tuple[str, ...], PlainValidator(_pattern)] = Field(
        default=(), description=PATTERN
    )


class QuantitiesSpec(Spec):
    """``[pack.quantities]``: our own fixed names, each the signal that holds it."""

    current: str | None = Field(default=None, description="a signal, as text")
    voltage: str | None = Field(default=None, description="a signal, as text")
    inlet_temperature: str | None = Field(default=None, description="a signal, as text")
    outlet_temperature: str | None = Field(default=None, description="a signal, as text")
    insulation: str | None = Field(default=None, description="a signal, as text")
    contactor_state: str | None = Field(default=None, description="a signal, as text")
    link_voltage: str | None = Field(default=None, description="a signal, as text")
    state_of_charge: str | None = Field(default=None, description="a signal, as text")
    dcdc_output_voltage: str | None = Field(default=None, description="a signal, as text")
    charger_current: str | None = Field(default=None, description="a signal, as text")
    charger_current_request: str | None = Field(default=None, description="a signal, as text")


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
    pack: PackSpec | None = None
    broken: dict[str, set[str]] = field(default_factory=dict)

    def known(self, section: str) -> list[str]:
        """Names a section defines, well or badly."""
        tables: dict[str, Mapping[str, Spec]] = {
            "network": self.networks,
            "part": self.parts,
            "node": self.nodes,
        }
        return [*tables[section], *self.broken.get(section, ())]


S = TypeVar("S", bound=Spec)
SECTIONS = ("vehicle", "network", "part", "node", "route", "message", "pack")
_NAME = re.compile(r"[^\s/*]+")


def read_spec(document: Mapping[str, Any], problems: Problems) -> PlanSpec:
    """Check every table of a parsed plan; what is wrong goes to ``problems``."""
    spec = PlanSpec()
    for key in document:
        if key not in SECTIONS:
            problems.add((key,), f"unknown section{suggestion(key, SECTIONS)}")
    if "vehicle" in document:
        spec.vehicle = _table(VehicleSpec, document["vehicle"], ("vehicle",), problems) or (
            spec.vehicle
        )
    _section(spec, document, "network", NetworkSpec, spec.networks, problems)
    _section(spec, document, "part", PartSpec, spec.parts, problems)
    _section(spec, document, "node", NodeSpec, spec.nodes, problems)
    _section(spec, document, "message", MessageSpec, spec.messages, problems)
    routes = document.get("route", [])
    if not isinstance(routes, list):
        problems.add(("route",), f"must be [[route]] tables; got {show_value(routes)}")
        routes = []
    for index, table in enumerate(routes):
        if route := _table(RouteSpec, table, ("route", index), problems):
            spec.routes[index] = route
    if "pack" in document:
        spec.pack = _table(PackSpec, document["pack"], ("pack",), problems)
    return spec


def _section(
    spec: PlanSpec,
    document: Mapping[str, Any],
    section: str,
    model: type[S],
    into: dict[str, S],
    problems: Problems,
) -> None:
    tables = document.get(section, {})
    if not isinstance(tables, dict):
        problems.add(
            (section,), f"must be tables such as [{section}.NAME]; got {show_value(tables)}"
        )
        return
    for name, table in tables.items():
        path = (section, name)
        if section != "message" and not _NAME.fullmatch(name):
            problems.add(path, "a name may hold no blank, slash or asterisk")
        if checked := _table(model, table, path, problems):
            into[name] = checked
        else:
            spec.broken.setdefault(section, set()).add(name)


def _table(model: type[S], table: Any, path: KeyPath, problems: Problems) -> S | None:
    """One table checked; ``None`` when it cannot be used. Unknown keys alone leave it usable."""
    try:
        return model.model_validate(table)
    except ValidationError as error:
        errors = error.errors(include_url=False, include_context=False)
    for item in errors:
        _explain(model, item["type"], item["loc"], item["input"], path, problems)
    if any(item["type"] != "extra_forbidden" for item in errors):
        return None
    return model.model_validate(_without(table, [e["loc"] for e in errors]))


def _explain(
    model: type[Spec],
    kind: str,
    loc: tuple[str | int, ...],
    value: Any,
    path: KeyPath,
    problems: Problems,
) -> None:
    """Say what pydantic found wrong at ``loc`` inside the table at ``path``."""
    place = (*path, *loc)
    if kind == "missing":
        allowed, _ = _field_at(model, loc)
        problems.add(place[:-1], f'the key "{loc[-1]}" is missing; it must be {allowed}')
    elif kind == "extra_forbidden":
        _, inside = _field_at(model, loc[:-1])
        problems.add(place, f"unknown key{suggestion(str(loc[-1]), inside, 'key')}")
    else:
        allowed, _ = _field_at(model, loc)
        problems.add(place, f"must be {allowed or 'a table'}; got {show_value(value)}")


def _field_at(model: type[Spec], loc: tuple[str | int, ...]) -> tuple[str, list[str]]:
    """What the nearest field above ``loc`` must be, and the keys of the table at ``loc``."""
    allowed = ""
    here: Any = model
    for step in loc:
        here = _plain_type(here)
        if isinstance(here, type) and issubclass(here, Spec):
            fields = {f.alias or name: f for name, f in here.model_fields.items()}
            if step not in fields:
                return allowed, []
            allowed = fields[str(step)].description or allowed
            here = fields[str(step)].annotation
        else:
            here = (get_args(here) or (None,))[-1]
    here = _plain_type(here)
    if isinstance(here, type) and issubclass(here, Spec):
        return allowed, [f.alias or name for name, f in here.model_fields.items()]
    return allowed, []


def _plain_type(annotation: Any) -> Any:
    """The annotation without ``Annotated`` and ``| None``."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
        elif isinstance(annotation, UnionType) or get_origin(annotation) is Union:
            annotation = next(a for a in get_args(annotation) if a is not type(None))
        else:
            return annotation


def _without(table: Any, places: list[tuple[str | int, ...]]) -> Any:
    """A copy of nested tables without the keys at ``places``."""
    if isinstance(table, dict):
        gone = {p[0] for p in places if len(p) == 1}
        return {
            k: _without(v, [p[1:] for p in places if len(p) > 1 and p[0] == k])
            for k, v in table.items()
            if k not in gone
        }
    if isinstance(table, list):
        return [
            _without(v, [p[1:] for p in places if len(p) > 1 and p[0] == i])
            for i, v in enumerate(table)
        ]
    return table
