"""Every network's cable and bit timing beside their limits, as tables and as a document.

The rules of this file: figures and limits are those of :mod:`busplan.wire.cable_rules` and
:mod:`busplan.wire.bit_timing`; findings, and what is beyond a limit, those of
:mod:`busplan.checks.cabling`. A quantity that the plan does not state is neither within its limit
nor beyond it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from busplan.checks.cabling import (
    network_findings,
    too_late,
    too_long,
    too_many,
    wrong_terminators,
)
from busplan.checks.document import judgement
from busplan.findings import Finding, Weight
from busplan.plan.select import select_networks
from busplan.plan.vehicle import Vehicle
from busplan.tables import Table, unit
from busplan.wire.bit_timing import BitRegisters, NodeTiming, node_timings
from busplan.wire.cable_rules import (
    PAIR_OHM,
    TERMINATOR_OHM,
    TERMINATORS,
    CableState,
    Lengths,
    Limit,
    cable_state,
)
from busplan.wording import percent

if TYPE_CHECKING:
    import pandas as pd

TERMINATION = "ISO 11898"


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One quantity of a network's cable, in its own unit, and its limits.

    ``planned`` is ``None`` where the plan does not state it. ``beyond`` is how heavy it is that the
    quantity is not within its limits: ``None`` when it is, or when nobody can tell.
    """

    network: str
    what: str
    planned: float | None
    least: float | None
    most: float
    unit: str
    beyond: Weight | None
    source: str


@dataclass(frozen=True, slots=True)
class BitTimingRow:
    """How a node divides a bit, in arbitration or in the data phase; ``None`` where not known."""

    network: str
    node: str
    data_phase: bool
    clock_hz: int | None = field(metadata=unit("Hz"))
    prescaler: int | None
    before: int | None
    after: int | None
    jump: int | None
    sample_point: float | None
    wanted: float
    impossible: bool


@dataclass(frozen=True, slots=True)
class NetworkCable:
    """One network's cable, and the bit timing of its nodes."""

    state: CableState
    timings: tuple[NodeTiming, ...]

    @property
    def limits(self) -> tuple[LimitRow, ...]:
        """Every quantity beside its limit."""
        state = self.state
        found = [*_length_rows(state, state.lengths, "")]
        if state.data_lengths is not None:
            found += _length_rows(state, state.data_lengths, ", data phase")
        return (*found, _round_trip(state), *_terminators(state), _nodes(state))

    @property
    def bit_timing(self) -> tuple[BitTimingRow, ...]:
        """One row a node whose clock or sample point is stated, two with a data phase."""
        name = self.state.network.name
        return tuple(row for timing in self.timings for row in _timing_rows(name, timing))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return _network_dict(self.state, self.timings)


@dataclass(frozen=True, slots=True)
class CableReport:
    """Cable and bit timing of a plan's networks, or of those chosen."""

    vehicle: Vehicle
    networks: tuple[NetworkCable, ...]
    findings: tuple[Finding, ...]

    def limit_table(self) -> Table[LimitRow]:
        """One row a quantity, network by network."""
        rows = (row for one in self.networks for row in one.limits)
        return Table("cable", LimitRow, tuple(rows))

    def bit_timing_table(self) -> Table[BitTimingRow]:
        """One row a node and phase, network by network."""
        rows = (row for one in self.networks for row in one.bit_timing)
        return Table("bit timing", BitTimingRow, tuple(rows))

    def to_frame(self) -> pd.DataFrame:
        """:meth:`limit_table` as a pandas ``DataFrame``."""
        return self.limit_table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        told = {"networks": [one.as_dict() for one in self.networks]}
        return judgement(self.vehicle, told, self.findings)


def cable_report(vehicle: Vehicle, networks: Iterable[str] | None = None) -> CableReport:
    """Cable and bit timing of the ``networks`` named, of all when ``None``.

    :class:`UsageError` for a network that the plan has not.
    """
    chosen = select_networks(vehicle, networks)
    return CableReport(
        vehicle=vehicle,
        networks=tuple(
            NetworkCable(cable_state(vehicle, name), node_timings(vehicle, name)) for name in chosen
        ),
        findings=tuple(f for name in chosen for f in network_findings(vehicle, name)),
    )


def _length_rows(state: CableState, lengths: Lengths, phase: str) -> Iterator[LimitRow]:
    def row(what: str, planned: float | None, limit: Limit) -> LimitRow:
        return LimitRow(
            network=state.network.name,
            what=what + phase,
            planned=planned,
            least=None,
            most=limit.most,
            unit="m",
            beyond=too_long(planned, limit),
            source=limit.source,
        )

    yield row("trunk", state.trunk_m, lengths.trunk)
    if state.stubs_m:
        node, longest = max(state.stubs_m, key=lambda s: s[1])
        yield row(f"longest stub ({node})", longest, lengths.stub)
        if lengths.stubs is not None:
            yield row("all stubs together", state.all_stubs_m, lengths.stubs)


def _round_trip(state: CableState) -> LimitRow:
    return LimitRow(
        network=state.network.name,
        what=f"there and back, sample at {percent(state.sample_point)}",
        planned=state.round_trip_ns,
        least=None,
        most=state.round_trip_limit_ns,
        unit="ns",
        beyond=too_late(state),
        source="propagation",
    )


def _terminators(state: CableState) -> Iterator[LimitRow]:
    """Their number, the resistance that they make, and each whose own is wrong."""
    pair, number = state.pair_ohm, len(state.terminators)
    known = state.terminators_stated or number > TERMINATORS
    least, most = PAIR_OHM
    good = pair is not None and least <= pair <= most
    weight = wrong_terminators(state)
    yield LimitRow(
        network=state.network.name,
        what="terminators",
        planned=number if known else None,
        least=TERMINATORS,
        most=TERMINATORS,
        unit="",
        beyond=None if number == TERMINATORS else weight,
        source=TERMINATION,
    )
    yield LimitRow(
        network=state.network.name,
        what="across the pair, power off",
        planned=pair if known else None,
        least=least,
        most=most,
        unit="Ω",
        beyond=None if good else weight,
        source=TERMINATION,
    )
    low, high = TERMINATOR_OHM
    for one in state.terminators if weight is not None else ():
        if not low <= one.ohm <= high:
            yield LimitRow(
                network=state.network.name,
                what=f"terminator {f'in {one.node}' if one.node else 'on the cable'}",
                planned=one.ohm,
                least=low,
                most=high,
                unit="Ω",
                beyond=weight,
                source=TERMINATION,
            )


def _nodes(state: CableState) -> LimitRow:
    limit = state.node_limit
    return LimitRow(
        network=state.network.name,
        what="nodes",
        planned=state.nodes,
        least=None,
        most=limit.most,
        unit="",
        beyond=too_many(state),
        source=limit.source,
    )


def _timing_rows(network: str, timing: NodeTiming) -> Iterator[BitTimingRow]:
    def row(registers: BitRegisters | None, wanted: float, *, data: bool) -> BitTimingRow:
        return BitTimingRow(
            network=network,
            node=timing.node,
            data_phase=data,
            clock_hz=timing.clock_hz,
            prescaler=registers.prescaler if registers else None,
            before=registers.before if registers else None,
            after=registers.after if registers else None,
            jump=registers.jump if registers else None,
            sample_point=timing.sample_point(data=data),
            wanted=wanted,
            impossible=timing.impossible,
        )

    yield row(timing.registers, timing.wanted, data=False)
    if timing.data_registers is not None and timing.wanted_data is not None:
        yield row(timing.data_registers, timing.wanted_data, data=True)


def _network_dict(state: CableState, timings: tuple[NodeTiming, ...]) -> dict[str, Any]:
    limit = state.node_limit
    return {
        "network": state.network.name,
        "bit_rate": state.network.bit_rate,
        "data_bit_rate": state.network.data_bit_rate,
        "stated": state.stated,
        "trunk_m": state.trunk_m,
        "stubs_m": dict(state.stubs_m),
        "all_stubs_m": state.all_stubs_m,
        "limits": _lengths_dict(state.lengths),
        "data_limits": _lengths_dict(state.data_lengths) if state.data_lengths else None,
        "terminators_stated": state.terminators_stated,
        "terminators": [{"ohm": t.ohm, "node": t.node} for t in state.terminators],
        "pair_ohm": state.pair_ohm,
        "needs_compensation": state.needs_compensation,
        "path_m": state.path_m,
        "round_trip_ns": state.round_trip_ns,
        "round_trip_limit_ns": state.round_trip_limit_ns,
        "sample_point": state.sample_point,
        "sample_point_stated": state.sample_point_stated,
        "nodes": state.nodes,
        "node_limit": {"most": limit.most, "source": limit.source},
        "bit_timing": [
            {
                "node": t.node,
                "clock_hz": t.clock_hz,
                "wanted": t.wanted,
                "wanted_data": t.wanted_data,
                "registers": _registers_dict(t.registers),
                "data_registers": _registers_dict(t.data_registers),
                "impossible": t.impossible,
            }
            for t in timings
        ],
    }


def _lengths_dict(lengths: Lengths) -> dict[str, Any]:
    named = {"trunk_m": lengths.trunk, "stub_m": lengths.stub, "all_stubs_m": lengths.stubs}
    return {
        name: None if limit is None else {"most": limit.most, "source": limit.source}
        for name, limit in named.items()
    }


def _registers_dict(registers: BitRegisters | None) -> dict[str, Any] | None:
    if registers is None:
        return None
    return {
        "prescaler": registers.prescaler,
        "before": registers.before,
        "after": registers.after,
        "jump": registers.jump,
        "bit_rate": registers.bit_rate,
        "sample_point": registers.sample_point,
    }
