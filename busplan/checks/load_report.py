"""The planned loads of a plan together, as tables and as a document."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from busplan.checks.document import judgement
from busplan.checks.planned_load import (
    WINDOW,
    MessageLoad,
    PlannedLoad,
    limit_origin,
    network_load,
)
from busplan.checks.route_ways import endless
from busplan.findings import Finding
from busplan.plan.select import select_networks
from busplan.plan.vehicle import Vehicle
from busplan.tables import Table, html_of, unit
from busplan.wording import one_line, percent

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class NetworkRow:
    """One network; loads as parts of its time, those of the data phase within the whole."""

    network: str
    bit_rate: int = field(metadata=unit("bit/s"))
    data_bit_rate: int | None = field(metadata=unit("bit/s"))
    nominal: float
    worst: float
    nominal_in_data_phase: float
    worst_in_data_phase: float
    limit: float
    limit_origin: str
    headroom: float
    unstated: int


@dataclass(frozen=True, slots=True)
class MessageRow:
    """One message; its shares of the network's time are ``None`` when nobody states a period."""

    network: str
    identifier: str
    message: str
    node: str
    length: int = field(metadata=unit("byte"))
    frames: int
    period_ms: float | None = field(metadata=unit("ms"))
    period_origin: str | None
    event: bool
    nominal: float | None
    worst: float | None


@dataclass(frozen=True, slots=True)
class NodeRow:
    """One sending node's shares of a network's time."""

    network: str
    node: str
    nominal: float
    worst: float


@dataclass(frozen=True, slots=True, repr=False)
class LoadReport:
    """The planned load of a plan's networks, or of those chosen: ``report["drive"].worst``."""

    vehicle: Vehicle
    loads: tuple[PlannedLoad, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Why the loads are too low: frames that go round, definitions that were set aside."""
        shown = [one.network.name for one in self.loads]
        return (*endless(self.vehicle, shown), *self.vehicle.cautions)

    def __getitem__(self, network: str) -> PlannedLoad:
        for one in self.loads:
            if one.network.name == network:
                return one
        raise KeyError(network)

    def __repr__(self) -> str:
        lines = [f"<LoadReport of {self.vehicle.label!r}>"]
        lines += [
            f"{'#' if one.headroom < 0 else '.'} {one.network.name}: {percent(one.nominal)} "
            f"nominal, {percent(one.worst)} worst, limit {percent(one.network.load_limit)}"
            for one in self.loads
        ]
        return "\n".join(map(one_line, lines))

    def _repr_html_(self) -> str:
        return html_of(f"{self.vehicle.label}: planned load", self.to_frame())

    def network_table(self) -> Table[NetworkRow]:
        """One row a network."""
        return Table("planned load", NetworkRow, tuple(map(_network_row, self.loads)))

    def message_table(self) -> Table[MessageRow]:
        """One row a message, network by network in order of arbitration."""
        rows = (_message_row(one, m) for one in self.loads for m in one.messages)
        return Table("planned load by message", MessageRow, tuple(rows))

    def node_table(self) -> Table[NodeRow]:
        """One row a node and network, the largest share of each network first."""
        rows = (
            NodeRow(one.network.name, node, nominal, worst)
            for one in self.loads
            for node, (nominal, worst) in one.by_node().items()
        )
        return Table("planned load by node", NodeRow, tuple(rows))

    def to_frame(self) -> pd.DataFrame:
        """:meth:`network_table` as a pandas ``DataFrame``."""
        return self.network_table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        told = {"window": WINDOW, "networks": [_network_dict(one) for one in self.loads]}
        return judgement(self.vehicle, told, self.findings)


def load_report(vehicle: Vehicle, networks: Iterable[str] | None = None) -> LoadReport:
    """The planned load of the ``networks`` named, of all when ``None``, in the plan's order.

    :class:`UsageError` for a network that the plan has not.
    """
    chosen = set(select_networks(vehicle, networks))
    loads = (network_load(vehicle, name) for name in vehicle.networks if name in chosen)
    return LoadReport(vehicle, tuple(loads))


def _network_row(one: PlannedLoad) -> NetworkRow:
    nominal, worst = one.data_phase
    return NetworkRow(
        network=one.network.name,
        bit_rate=one.network.bit_rate,
        data_bit_rate=one.network.data_bit_rate,
        nominal=one.nominal,
        worst=one.worst,
        nominal_in_data_phase=nominal,
        worst_in_data_phase=worst,
        limit=one.network.load_limit,
        limit_origin=limit_origin(one.network),
        headroom=one.headroom,
        unstated=len(one.unstated),
    )


def _message_row(one: PlannedLoad, m: MessageLoad) -> MessageRow:
    stream = m.stream
    return MessageRow(
        network=one.network.name,
        identifier=stream.message.label,
        message=stream.message.name,
        node=stream.node,
        length=stream.message.length,
        frames=m.frames,
        period_ms=None if stream.cycle is None else stream.cycle.ms,
        period_origin=None if stream.cycle is None else str(stream.cycle.origin),
        event=stream.event,
        nominal=m.nominal,
        worst=m.worst,
    )


def _network_dict(one: PlannedLoad) -> dict[str, Any]:
    return {
        "network": one.network.name,
        "bit_rate": one.network.bit_rate,
        "data_bit_rate": one.network.data_bit_rate,
        "nominal": one.nominal,
        "worst": one.worst,
        "data_phase": dict(zip(("nominal", "worst"), one.data_phase, strict=True)),
        "limit": one.network.load_limit,
        "limit_origin": limit_origin(one.network),
        "headroom": one.headroom,
        "messages": [_message_dict(m) for m in one.messages],
        "nodes": [
            {"node": node, "nominal": nominal, "worst": worst}
            for node, (nominal, worst) in one.by_node().items()
        ],
    }


def _message_dict(m: MessageLoad) -> dict[str, Any]:
    stream = m.stream
    return {
        "identifier": stream.message.label,
        "message": stream.message.name,
        "node": stream.node,
        "via": stream.via,
        "length": stream.message.length,
        "frames": m.frames,
        "period_ms": None if stream.cycle is None else stream.cycle.ms,
        "period_origin": None if stream.cycle is None else str(stream.cycle.origin),
        "event": stream.event,
        "nominal_ns": m.nominal_ns,
        "worst_ns": m.worst_ns,
        "nominal": m.nominal,
        "worst": m.worst,
    }
