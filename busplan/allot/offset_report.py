"""Proposed send offsets as tables, sentences, document and text for the plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from functools import cached_property
from statistics import median
from typing import Any

from busplan.allot.offsets import OffsetChange, OffsetProposal
from busplan.plan.offsets import offset_name
from busplan.plan.paper_text import key_text, quoted
from busplan.plan.vehicle import Vehicle
from busplan.tables import Table, unit
from busplan.timing.gateways import VehicleTiming, vehicle_timing
from busplan.wording import listing, plain

BASIS = (
    "offsets hold within a node only, never between nodes; all messages of a node are sent by one "
    "clock, and a restart of one of them by itself breaks the bound"
)


@dataclass(frozen=True, slots=True)
class OffsetRow:
    """One message and the moment of its node's clock at which it shall be sent."""

    network: str
    node: str
    message: str
    cycle_ms: float = field(metadata=unit("ms"))
    was_ms: float | None = field(metadata=unit("ms"))
    becomes_ms: float = field(metadata=unit("ms"))


@dataclass(frozen=True, slots=True)
class SpreadRow:
    """Response times of one network without and with the offsets.

    Only messages that have a bound both times are in ``longest`` and ``median``.
    """

    network: str
    messages: int
    late_before: int
    late_after: int
    longest_before_ms: float | None = field(metadata=unit("ms"))
    longest_after_ms: float | None = field(metadata=unit("ms"))
    median_before_ms: float | None = field(metadata=unit("ms"))
    median_after_ms: float | None = field(metadata=unit("ms"))


def offset_table(found: OffsetProposal) -> Table[OffsetRow]:
    """One row a message whose offset changes."""
    rows = []
    for change in found.changes:
        network, node, message = change.stream.path
        was = None if change.was_ns is None else change.was_ns / 1e6
        cycle = change.stream.cycle
        assert cycle is not None
        rows.append(OffsetRow(network, node, message, cycle.ms, was, change.becomes_ns / 1e6))
    return Table("offsets", OffsetRow, tuple(rows))


def _spread_row(name: str, old: VehicleTiming, new: VehicleTiming) -> SpreadRow:
    one, other = old.networks[name], new.networks[name]
    pairs = [
        (a.response_ns / 1e6, b.response_ns / 1e6)
        for a, b in zip(one.responses, other.responses, strict=True)
        if a.response_ns is not None and b.response_ns is not None
    ]
    before, after = ([pair[i] for pair in pairs] for i in (0, 1))
    return SpreadRow(
        network=name,
        messages=len(one.responses),
        late_before=len(one.missed),
        late_after=len(other.missed),
        longest_before_ms=max(before, default=None),
        longest_after_ms=max(after, default=None),
        median_before_ms=median(before) if before else None,
        median_after_ms=median(after) if after else None,
    )


def offsets_of(vehicle: Vehicle, changes: Sequence[OffsetChange]) -> dict[str, dict[str, float]]:
    """The offsets [ms] by node and by the names that a plan gives its messages."""
    tables: dict[str, dict[str, float]] = {}
    for change in changes:
        name = offset_name(vehicle, change.stream)
        ms = change.becomes_ns / 1e6
        whole = int(ms) if ms.is_integer() else ms
        tables.setdefault(change.stream.node, {})[name] = whole
    return tables


@dataclass(frozen=True)
class Spread:
    """Proposed offsets, and the vehicle without and with them."""

    before: Vehicle
    after: Vehicle
    found: OffsetProposal

    @property
    def tables(self) -> dict[str, dict[str, float]]:
        """The offsets [ms] by node and by the names that a plan gives its messages."""
        return offsets_of(self.before, self.found.changes)

    @cached_property
    def rows(self) -> tuple[SpreadRow, ...]:
        """One row a network on which something is sent at another offset."""
        old, new = vehicle_timing(self.before), vehicle_timing(self.after)
        networks = dict.fromkeys(c.stream.network for c in self.found.changes)
        return tuple(_spread_row(name, old, new) for name in networks)

    def sentences(self) -> Iterator[str]:
        """What the offsets bring, network by network, and what they rest on."""
        yield from map(_sentence, self.rows)
        reasons: dict[str, list[str]] = {}
        for stream, reason in self.found.left_out:
            reasons.setdefault(reason, []).append(f"{stream.node}/{stream.path[2]}")
        for reason, names in reasons.items():
            yield f"without an offset ({reason}): {listing(names, 6)}"
        by_network: dict[str, list[str]] = {}
        for network, node in self.found.idle:
            by_network.setdefault(network, []).append(node)
        for network, nodes in by_network.items():
            yield (
                f"{network}: the offsets of {listing(nodes, 6)} stay as they are; those that were "
                "tried would shorten no wait in the worst case"
            )
        if self.found.changes:
            yield f"Counted so: {BASIS}."
        elif not self.found.idle:
            yield f"No offset of {listing(self.found.nodes)} changes."

    def as_toml(self) -> str:
        """The offsets as tables of a plan."""
        return "\n".join(
            f"[node.{key_text(node)}.offsets]\n"
            + "".join(f"{quoted(name)} = {ms}\n" for name, ms in table.items())
            for node, table in self.tables.items()
        )

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "basis": BASIS,
            "nodes": list(self.found.nodes),
            "networks": [asdict(row) for row in self.rows],
            "changes": [
                {"message": c.stream.label, "was_ns": c.was_ns, "becomes_ns": c.becomes_ns}
                for c in self.found.changes
            ],
            "gain_nothing": [{"network": n, "node": m} for n, m in self.found.idle],
            "left_out": [{"message": s.label, "reason": why} for s, why in self.found.left_out],
        }


def _sentence(row: SpreadRow) -> str:
    late = ""
    if row.late_before or row.late_after:
        late = f", {row.late_before} late without and {row.late_after} with them"
    longest = _from_to(row.longest_before_ms, row.longest_after_ms)
    median = _from_to(row.median_before_ms, row.median_after_ms)
    if not longest or not median:
        return f"{row.network}: no message has a bound{late}"
    return f"{row.network}: the longest response goes {longest}, the median {median}{late}"


def _from_to(before_ms: float | None, after_ms: float | None) -> str:
    if before_ms is None or after_ms is None:
        return ""
    return f"from {plain(before_ms, 3)} to {plain(after_ms, 3)} ms"
