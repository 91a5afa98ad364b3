"""A recording measured: the load of every network, every identifier's cycle, what is to be said.

The rules of this file: nothing is judged twice. Loads and their findings are those of
:mod:`busplan.traffic.measured_load`, cycles those of :mod:`busplan.traffic.cycles`; here they
stand together, beside what a plan states.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from busplan.decode.match import streams_by_key
from busplan.definitions.model import Stated
from busplan.findings import Finding, summary_line
from busplan.frames.identifier import FrameKey, format_identifier
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream, Vehicle
from busplan.tables import Table, unit
from busplan.traffic.cycle_rule import CycleFault, cycle_findings, fault_of
from busplan.traffic.cycles import MeasuredCycle, measured_cycles
from busplan.traffic.measured_load import (
    WINDOW_NS,
    MeasuredLoad,
    Rates,
    load_findings,
    measured_load,
    rates_of,
)
from busplan.traffic.survey import survey_findings, survey_identifier
from busplan.transport.messages import Messages
from busplan.wording import percent

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class LoadRow:
    """One network's load over the time it was recorded, as parts of 1; ``peak``: highest window."""

    network: str
    bit_rate: int = field(metadata=unit("bit/s"))
    data_bit_rate: int | None = field(metadata=unit("bit/s"))
    nominal: float
    exact: float
    worst: float
    peak: float
    peak_at_s: float = field(metadata=unit("s"))
    recorded_from_s: float = field(metadata=unit("s"))
    recorded_s: float = field(metadata=unit("s"))
    limit: float | None
    error_frames: int


@dataclass(frozen=True, slots=True)
class CycleRow:
    """One identifier: its cycle as measured and stated; ``share`` is its part of the time."""

    network: str
    identifier: str
    message: str | None
    frames: int
    median_ms: float | None = field(metadata=unit("ms"))
    stated_ms: float | None = field(metadata=unit("ms"))
    jitter_ms: float | None = field(metadata=unit("ms"))
    shortest_ms: float | None = field(metadata=unit("ms"))
    longest_ms: float | None = field(metadata=unit("ms"))
    longest_at_s: float | None = field(metadata=unit("s"))
    share: float | None


@dataclass(frozen=True, slots=True)
class MeasuredIdentifier:
    """One identifier of a recording, and the plan's streams that are sent under it.

    ``cycle`` is ``None`` below two frames, ``share`` (exact part of the time) without a bit rate.
    """

    key: FrameKey
    frames: int
    cycle: MeasuredCycle | None
    share: float | None
    streams: tuple[Stream, ...]

    @property
    def message(self) -> str | None:
        """The message's name by the plan; ``None`` when the plan knows none, or without a plan."""
        return self.streams[0].message.name if self.streams else None

    @property
    def stated(self) -> Stated | None:
        """The first period that somebody states for it."""
        return next((s.cycle for s in self.streams if s.cycle), None)


@dataclass(frozen=True, eq=False, repr=False)
class Measurement:
    """What a recording's frames measure to. Times [ns] as recorded, ``origin_ns`` the first.

    ``limits`` are the plan's, by network; ``planned`` says whether there was a plan.
    """

    origin_ns: int
    networks: tuple[str, ...]
    loads: Mapping[str, MeasuredLoad]
    identifiers: tuple[MeasuredIdentifier, ...]
    limits: Mapping[str, float]
    planned: bool
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        loads = ", ".join(f"{name!r} {percent(one.mean())}" for name, one in self.loads.items())
        counts = f"{len(self.identifiers)} identifiers, {summary_line(self.findings)}"
        return f"<Measurement: {counts}; mean load {loads or 'unknown'}>"

    @property
    def unrated(self) -> tuple[str, ...]:
        """Networks without a load, because nobody tells their bit rate."""
        return tuple(n for n in self.networks if n not in self.loads)

    def load_table(self) -> Table[LoadRow]:
        """One row a network whose bit rate is known."""
        rows = (
            LoadRow(
                network=load.network,
                bit_rate=load.rates.nominal,
                data_bit_rate=load.rates.data,
                nominal=load.mean("nominal"),
                exact=load.mean(),
                worst=load.mean("worst"),
                peak=load.peak[0],
                peak_at_s=(load.peak[1] - self.origin_ns) / 1e9,
                recorded_from_s=(load.first_ns - self.origin_ns) / 1e9,
                recorded_s=load.span_ns / 1e9,
                limit=self.limits.get(load.network),
                error_frames=int(load.error_frames.sum()),
            )
            for load in self.loads.values()
        )
        return Table("measured load", LoadRow, tuple(rows))

    def cycle_table(self) -> Table[CycleRow]:
        """One row an identifier."""
        rows = (
            CycleRow(
                network=one.key.network,
                identifier=format_identifier(one.key.identifier, one.key.extended),
                message=one.message,
                frames=one.frames,
                share=one.share,
                **_cycle_figures(one, self.origin_ns),
            )
            for one in self.identifiers
        )
        return Table("measured cycle times", CycleRow, tuple(rows))

    def _repr_html_(self) -> str:
        return self.cycle_table()._repr_html_()

    def to_frame(self) -> pd.DataFrame:
        """:meth:`cycle_table` as a pandas ``DataFrame``."""
        return self.cycle_table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, every window of every load included."""
        return {
            "loads": [_load_dict(load, self.origin_ns) for load in self.loads.values()],
            "cycles": [
                {
                    "network": one.key.network,
                    "identifier": one.key.identifier,
                    "extended": one.key.extended,
                    "message": one.message,
                    "frames": one.frames,
                    **_cycle_figures(one, self.origin_ns),
                }
                for one in self.identifiers
            ],
            "findings": [f.as_dict() for f in self.findings],
        }


def measure_traffic(
    table: FrameTable,
    vehicle: Vehicle | None = None,
    *,
    rates: Mapping[str, Rates] | None = None,
    window_ns: int = WINDOW_NS,
    known: Iterable[Finding] = (),
) -> Measurement:
    """Measure a table whose networks are named as the plan, if there is one, names them.

    ``rates`` are bit rates by network; those of the plan go before them. ``known`` are findings
    there are already, of reading the capture. Raises :class:`UsageError` for a window that is not
    positive or splits the span into millions.
    """
    rated, limits = dict(rates or {}), {}
    streams: Mapping[FrameKey, tuple[Stream, ...]] = {}
    if vehicle is not None:
        rated |= rates_of(vehicle.networks)
        limits = {n.name: n.load_limit for n in vehicle.networks.values()}
        streams = streams_by_key(Messages(table), vehicle)
    loads = measured_load(table, rated, window_ns)
    cycles = measured_cycles(table)
    identifiers = tuple(
        MeasuredIdentifier(
            key=key,
            frames=len(rows),
            cycle=cycles.get(key),
            share=loads[key.network].share(key) if key.network in loads else None,
            streams=tuple(streams.get(key, ())),
        )
        for key, rows in table.groups.items()
    )
    judged = (
        finding
        for load in loads.values()
        for finding in load_findings(load, limits.get(load.network, 1.0), table.origin_ns)
    )
    kept = cycle_findings(
        (one.streams[0], one.cycle) for one in identifiers if len(one.streams) == 1
    )
    return Measurement(
        origin_ns=table.origin_ns,
        networks=table.networks,
        loads=loads,
        identifiers=identifiers,
        limits=limits,
        planned=vehicle is not None,
        findings=(*known, *judged, *kept, *_two_senders(table, identifiers)),
    )


def _two_senders(table: FrameTable, identifiers: Iterable[MeasuredIdentifier]) -> Iterator[Finding]:
    """Of identifiers that come too often or unevenly: whether two nodes are likely to send them."""
    for one in identifiers:
        if len(one.streams) == 1 and fault_of(one.streams[0], one.cycle) in (
            CycleFault.FAST,
            CycleFault.UNEVEN,
        ):
            yield from survey_findings(survey_identifier(table, one.key, table.groups[one.key]))


def _cycle_figures(one: MeasuredIdentifier, origin_ns: int) -> dict[str, float | None]:
    """Cycle figures as they are told; what fewer than two frames cannot tell is ``None``."""
    cycle, stated = one.cycle, one.stated
    return {
        "stated_ms": stated.ns / 1e6 if stated else None,
        "median_ms": cycle.median_ns / 1e6 if cycle else None,
        "jitter_ms": cycle.jitter_ns / 1e6 if cycle else None,
        "shortest_ms": cycle.shortest_ns / 1e6 if cycle else None,
        "longest_ms": cycle.longest_ns / 1e6 if cycle else None,
        "longest_at_s": (cycle.longest_at_ns - origin_ns) / 1e9 if cycle else None,
    }


def _load_dict(load: MeasuredLoad, origin_ns: int) -> dict[str, Any]:
    return {
        "network": load.network,
        "bit_rate": load.rates.nominal,
        "data_bit_rate": load.rates.data,
        "window_s": load.window_ns / 1e9,
        "start_s": (load.start_ns - origin_ns) / 1e9,
        "recorded": {
            "from_s": (load.first_ns - origin_ns) / 1e9,
            "to_s": (load.last_ns - origin_ns) / 1e9,
        },
        "mean": {kind: load.mean(kind) for kind in ("nominal", "exact", "worst")},
        "peak": {"exact": load.peak[0], "at_s": (load.peak[1] - origin_ns) / 1e9},
        "windows": {
            "width_s": (load.width_ns / 1e9).tolist(),
            "exact": load.exact.tolist(),
            "frames": load.frames.tolist(),
            "remote_frames": load.remote_frames.tolist(),
            "error_frames": load.error_frames.tolist(),
        },
        "shares": {str(key): load.share(key) for key in load.share_ns},
    }
