"""A capture opened with a plan: the vehicle's state at any moment, computed on request."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from busplan.definitions.model import Message
from busplan.findings import Finding, Weight
from busplan.frames.columns import F64
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import SignalAddress, Vehicle
from busplan.replay.index import FrameIndex
from busplan.replay.lines import Line, Lines
from busplan.replay.pack_state import (
    PackState,
    grade_cells,
    grade_sensors,
    mode_from,
    pack_state,
)
from busplan.replay.pack_values import PackSources, Source, plain_source
from busplan.replay.snapshot import Snapshot
from busplan.replay.values import LatestValues, Value
from busplan.traffic.measured_load import Told
from busplan.traffic.running import BIN_NS, MINUTE_NS, Traffic
from busplan.transport.iso15765 import Segmented
from busplan.transport.messages import put_together

T = TypeVar("T")
MOST_KEPT = 64
"""Most results that are kept with a capture."""


@dataclass(frozen=True, eq=False)
class Replay:
    """Everything the screens ask of one capture. Make it with :meth:`of`.

    ``findings`` are ordered by time; those without one come first.
    """

    vehicle: Vehicle
    table: FrameTable
    source: str
    findings: tuple[Finding, ...]
    index: FrameIndex
    lines: Lines
    traffic: Traffic
    until_ns: int = 0
    """How long was listened at least; longer than the frames last when a live bus fell silent."""
    judged: bool = False
    """Whether the evaluation of the whole capture has told its findings too."""
    tolerated: tuple[Finding, ...] = ()
    """What reading capture and definitions had to put up with; part of ``findings`` too."""
    set_aside: frozenset[tuple[str, int]] = frozenset()
    """What that evaluation does not believe: ``cell`` or ``sensor``, its place in the layout."""

    @staticmethod
    def of(
        vehicle: Vehicle,
        table: FrameTable,
        *,
        findings: Iterable[Finding] = (),
        source: str = "",
        until_ns: int = 0,
        segmented: Collection[Segmented] = (),
        gone: Mapping[FrameKey, int] | None = None,
        count: bool = True,
    ) -> Replay:
        """Index ``table`` (channels already named as the plan's networks) for replay.

        ``findings`` are those of reading it. Messages of several frames are put together as far as
        the plan tells, and under the identifiers that are ``segmented``. ``gone`` is
        what a live memory has forgotten. Without ``count`` nothing takes long, and loads are left
        to :meth:`with_traffic`.
        """
        index = FrameIndex.of(put_together(table, vehicle, segmented))
        ordered = sorted(findings, key=moment_of)
        return Replay(
            vehicle=vehicle,
            table=table,
            source=source,
            findings=tuple(ordered),
            index=index,
            lines=Lines.of(vehicle, index, gone),
            traffic=Traffic.of(table, vehicle.networks, until_ns=until_ns)
            if count
            else Traffic.uncounted(table, vehicle.networks),
            until_ns=until_ns,
            tolerated=tuple(ordered),
        )

    @property
    def doubts(self) -> tuple[Finding, ...]:
        """What of it is more than a note: every screen and document tells it."""
        return tuple(f for f in self.tolerated if f.weight > Weight.NOTE)

    def with_traffic(self, told: Told | None = None) -> Replay:
        """The same capture with its loads counted."""
        counted = Traffic.of(self.table, self.vehicle.networks, until_ns=self.until_ns, told=told)
        return replace(self, traffic=counted)

    def with_findings(
        self, more: Iterable[Finding], *, kept: Iterable[Finding] | None = None
    ) -> Replay:
        """The same capture with further findings; of its own only those ``kept``, else all."""
        old = self.findings if kept is None else kept
        return replace(self, findings=tuple(sorted([*old, *more], key=moment_of)))

    @property
    def span_ns(self) -> int:
        """Length of the capture."""
        return max(self.table.span_ns, self.until_ns)

    def snapshot(self, t_ns: int) -> Snapshot:
        """The state at a moment, held within the capture."""
        t_ns = min(max(t_ns, 0), self.span_ns)
        return Snapshot(self, t_ns)

    def past(self, t_ns: int) -> int:
        """How many findings lie at or before a moment."""
        return bisect_right(self._moments, t_ns)

    def found(self, t_ns: int) -> tuple[int, int]:
        """How many of them are faults, and how many cautions."""
        past = [f.weight for f in self.findings[: self.past(t_ns)]]
        return past.count(Weight.FAULT), past.count(Weight.CAUTION)

    def share(self, shot: Snapshot) -> F64:
        """Frames of the last minute times the mean time of one, over the time that passed."""
        before = self.lines.count(shot.t_ns - MINUTE_NS)
        passed = max(min(shot.t_ns, MINUTE_NS), BIN_NS)
        return np.asarray((shot.ages.count - before) * self._frame_ns / passed)

    def pack_state(self, shot: Snapshot) -> PackState | None:
        """The pack at a moment; ``None`` when the plan has none."""
        layout = self.vehicle.pack
        if layout is None:
            return None
        sources = self.sources
        assert sources is not None
        cells, sensors, others = sources.cells, sources.sensors, sources.quantities
        read = self.values
        told = others.at(self.lines, read, shot.ages, shot.t_ns)
        quantities = {
            name: quantity
            for i, name in enumerate(sources.names)
            if (quantity := others.quantity(self.lines, read, shot.ages, told, i)) is not None
        }
        volts = cells.at(self.lines, read, shot.ages, shot.t_ns)
        heat = sensors.at(self.lines, read, shot.ages, shot.t_ns)
        return pack_state(
            layout,
            grade_cells(volts, layout.limits, self.aside("cell")),
            grade_sensors(heat, layout, mode_from(quantities), self.aside("sensor")),
            quantities,
            cells.in_capture or sensors.in_capture,
        )

    def aside(self, kind: str) -> tuple[int, ...]:
        """Places in the layout of cells (``cell``) or sensors whose readings are not believed."""
        return tuple(index for what, index in sorted(self.set_aside) if what == kind)

    def values(self, line: Line, position: int) -> tuple[Value, ...]:
        """Decoded values of a line as of the frame at ``position``."""
        return self._latest.at(line, position)

    def changed(self, line: Line, position: int, earlier: int) -> frozenset[str]:
        """Signals whose value differs between two frames of a line, ``earlier`` −1 for none.

        Without an earlier frame all that have come are new.
        """
        if position in (-1, earlier) or line.message is None:
            return frozenset()
        if earlier < 0:
            latest = self._latest.at(line, position)
            return frozenset(v.signal.name for v in latest if v.number is not None)
        rows = self.index.rows
        new, old = (self.index.messages.bytes_of(int(rows[p])) for p in (position, earlier))
        paged = any(s.condition for s in line.message.signals)
        if new == old and not paged:
            return frozenset()
        moving = paged or any(s.is_text for s in line.message.signals)
        if len(new) == len(old) and not moving:
            different = int.from_bytes(new, "little") ^ int.from_bytes(old, "little")
            masks = self._masks(line.message)
            return frozenset(name for name, mask in masks if mask & different)
        before = {v.signal.name: v.number for v in self._earlier.at(line, earlier)}
        latest = self._latest.at(line, position)
        return frozenset(v.signal.name for v in latest if v.number != before.get(v.signal.name))

    def _masks(self, message: Message) -> list[tuple[str, int]]:
        """The bits of each signal in the payload read as one little-endian number."""
        found = self._bits.get(id(message))
        if found is None:
            found = [(s.name, s.mask()) for s in message.signals]
            self._bits[id(message)] = found
        return found

    @cached_property
    def _bits(self) -> dict[int, list[tuple[str, int]]]:
        return {}

    def keep(self, key: tuple[Hashable, ...], make: Callable[[], T]) -> T:
        """What ``make`` gives, made once for each ``key`` and kept as long as the capture.

        Of many keys only the latest are kept.
        """
        kept = self._kept
        if key not in kept:
            if len(kept) >= MOST_KEPT:
                del kept[next(iter(kept))]
            kept[key] = make()
        found: T = kept[key]
        return found

    def has(self, key: tuple[Hashable, ...]) -> bool:
        """Whether something is kept under a key."""
        return key in self._kept

    @cached_property
    def _kept(self) -> dict[tuple[Hashable, ...], Any]:
        return {}

    def line_of(self, address: SignalAddress) -> Line | None:
        """The message line that carries a signal; ``None`` when the plan has no such signal."""
        key = self._keys.get("/".join(address[:3]))
        return self.lines.lines[self.lines.number[key]] if key else None

    @cached_property
    def _keys(self) -> dict[str, FrameKey]:
        return {s.label: s.key for s in self.vehicle.streams}

    @cached_property
    def _moments(self) -> list[int]:
        return [moment_of(f) for f in self.findings]

    @cached_property
    def _latest(self) -> LatestValues:
        return LatestValues(self.index)

    @cached_property
    def _earlier(self) -> LatestValues:
        return LatestValues(self.index)

    @cached_property
    def sources(self) -> PackSources | None:
        """Where the pack's signals come from and how they are read; ``None`` without a pack."""
        layout = self.vehicle.pack
        if layout is None:
            return None
        return PackSources.of(self.vehicle, layout, self.lines, self.line_of)

    def chosen(self, address: SignalAddress) -> Source | None:
        """Where any number comes from, in its own unit; ``None`` for text or what nobody sends."""
        if address not in self._chosen:
            self._chosen[address] = plain_source(self.lines, self.line_of(address), address)
        return self._chosen[address]

    def read_from(self, address: SignalAddress) -> Source | None:
        """Where a signal comes from, read as the pack reads it where the pack names it."""
        return self._of_pack.get(address) or self.chosen(address)

    def of_pack(self, address: SignalAddress) -> bool:
        """Whether the pack names a signal as a cell, a sensor or a quantity."""
        return address in self._of_pack

    @cached_property
    def _of_pack(self) -> dict[SignalAddress, Source]:
        sources = self.sources
        if sources is None:
            return {}
        return {
            source.reading.address: source
            for gathered in (sources.quantities, sources.sensors, sources.cells)
            for source in gathered.sources
            if source is not None
        }

    @cached_property
    def _chosen(self) -> dict[SignalAddress, Source | None]:
        return {}

    @cached_property
    def _frame_ns(self) -> F64:
        """Mean time on the wire of what a line counts: a frame, or all frames of a message."""
        return np.array([self._mean_ns(line) for line in self.lines.lines])

    def _mean_ns(self, line: Line) -> float:
        one = self.traffic.frame_ns.get(line.key, 0.0)
        if not one or line.k < 0:
            return 0.0
        here = self.index.slice_of(line.k)
        return float(one * len(self.table.groups[line.key]) / (here.stop - here.start))


def moment_of(finding: Finding) -> int:
    """The moment a finding speaks of [ns]; −1 when it speaks of the whole capture or plan."""
    return -1 if finding.where.time_ns is None else finding.where.time_ns
