"""A plan's traffic simulated and held against its proofs: one call, one value.

The rules of this file: the run is that of :mod:`busplan.timing.simulation`, proofs and observed
responses those of :mod:`busplan.timing.simulation_summary`. Payloads are made up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from busplan.errors import UsageError
from busplan.findings import Finding, count_findings, summary_line
from busplan.frames.table import FrameTable
from busplan.plan.select import select_networks
from busplan.plan.vehicle import Stream, Vehicle
from busplan.tables import Table, html_of, unit
from busplan.timing.simulation import Simulation, simulate
from busplan.timing.simulation_feeds import feeds_of, left_out, random_faults
from busplan.timing.simulation_payloads import believable_payloads, swinging_payloads
from busplan.timing.simulation_summary import (
    Observed,
    bounds_beaten,
    critical_responses,
    deadlines_passed,
    observed_responses,
    proven_timing,
)
from busplan.wire.lengths import frames_of
from busplan.wording import counted

if TYPE_CHECKING:
    import pandas as pd

MOST_FRAMES = 50_000_000
"""A run is held in memory, at about 150 bytes a frame."""
LONGEST_S = 86_400


@dataclass(frozen=True, slots=True)
class Circumstances:
    """How a plan's traffic is simulated.

    ``errors_per_second`` [1/s] on each network on average; ``drift_ppm``: how far node clocks may
    be off; ``overwrite``: a new frame replaces its waiting predecessor; ``seed`` starts all random
    numbers. :class:`UsageError` for a duration that is not above 0 or longer than a day.
    """

    seconds: float = 60.0
    seed: int = 0
    errors_per_second: float = 0.0
    drift_ppm: float = 50.0
    overwrite: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.seconds <= LONGEST_S:
            raise UsageError(
                f"a simulation takes more than 0 to {LONGEST_S} s, not {self.seconds:g}"
            )

    @property
    def span_ns(self) -> int:
        """The time simulated [ns]."""
        return round(self.seconds * 1e9)


@dataclass(frozen=True, slots=True)
class NetworkRow:
    """What one network carried; ``load`` is the part of the time the wire was taken."""

    network: str
    load: float
    frames: int
    error_frames: int


@dataclass(frozen=True, slots=True)
class ResponseRow:
    """One message's response times in the run, from due to the end of the frame, and their bound.

    ``critical_ms`` is the response in its critical instant, where that was played;
    ``share_of_bound`` the longest seen as a part of the bound.
    """

    network: str
    node: str
    message: str
    identifier: str
    frames: int
    min_ms: float | None = field(metadata=unit("ms"))
    median_ms: float | None = field(metadata=unit("ms"))
    p99_9_ms: float | None = field(metadata=unit("ms"))
    max_ms: float | None = field(metadata=unit("ms"))
    critical_ms: float | None = field(metadata=unit("ms"))
    bound_ms: float | None = field(metadata=unit("ms"))
    replaced: int
    unsent: int
    share_of_bound: float | None


@dataclass(frozen=True, eq=False, repr=False)
class SimulationReport:
    """A run beside what is proven; ``findings`` are faults where a response beat its bound or came
    after its deadline, and what of the definitions was set aside."""

    vehicle: Vehicle
    circumstances: Circumstances
    run: Simulation
    observed: tuple[Observed, ...]
    findings: tuple[Finding, ...]

    @cached_property
    def frames(self) -> FrameTable:
        """The frames as a recorder on every network would see them; times from 0 on."""
        return self.run.frames()

    @property
    def left_out(self) -> tuple[tuple[Stream, str], ...]:
        """Streams of these networks that cannot be simulated, each with the reason."""
        names = {n.name for n in self.run.networks}
        return tuple(pair for pair in left_out(self.vehicle) if pair[0].network in names)

    def __repr__(self) -> str:
        told = f"{self.circumstances.seconds:g} s, {len(self.run):,} frames"
        less = f", {counted(len(self.left_out), 'message')} left out" if self.left_out else ""
        found = summary_line(self.findings)
        return f"<SimulationReport of {self.vehicle.label!r}: {told}{less}, {found}>"

    def _repr_html_(self) -> str:
        return html_of(repr(self), self.to_frame())

    def network_table(self) -> Table[NetworkRow]:
        """One row a network."""
        run, seconds = self.run, self.circumstances.seconds
        rows = []
        for i, network in enumerate(run.networks):
            mine = [f.stream.network == network.name for f in run.feeds]
            rows.append(
                NetworkRow(
                    network=network.name,
                    load=float(run.busy_ns[i]) / (seconds * 1e9),
                    frames=int(run.sent[mine].sum()),
                    error_frames=int((run.error_network == i).sum()),
                )
            )
        return Table("simulated networks", NetworkRow, tuple(rows))

    def response_table(self) -> Table[ResponseRow]:
        """One row a message, network by network in order of arbitration."""
        rows = tuple(map(_response_row, self.observed))
        return Table("simulated response times", ResponseRow, rows)

    def to_frame(self) -> pd.DataFrame:
        """:meth:`response_table` as a pandas ``DataFrame``."""
        return self.response_table().to_frame()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        messages = [asdict(row) for row in self.response_table().rows]
        for message in messages:
            del message["share_of_bound"]
        return {
            "vehicle": self.vehicle.name,
            "invented": self.vehicle.invented,
            "seconds": self.circumstances.seconds,
            "seed": self.circumstances.seed,
            "networks": [asdict(row) for row in self.network_table().rows],
            "messages": messages,
            "left_out": [
                {"message": stream.label, "reason": reason} for stream, reason in self.left_out
            ],
            "counts": count_findings(self.findings),
            "findings": [f.as_dict() for f in self.findings],
        }


def simulate_plan(
    vehicle: Vehicle,
    circumstances: Circumstances,
    networks: Iterable[str] | None = None,
    *,
    believable: bool = False,
) -> Simulation:
    """Send a plan's traffic on the ``networks`` named, on all when ``None``.

    Payloads swing through the whole range of every signal, or with ``believable`` as in a healthy
    vehicle at work; both are made up.

    :class:`UsageError` for a network that the plan has not, and for more frames than a run can
    hold.
    """
    names = select_networks(vehicle, networks)
    span_ns, seed = circumstances.span_ns, circumstances.seed
    expected = sum(
        frames_of(s.message)[1] * (span_ns // s.cycle.ns)
        for s in vehicle.streams
        if s.cycle and s.network in names
    )
    if expected > MOST_FRAMES:
        raise UsageError(
            f"{expected:,} frames are too many for one run (at most {MOST_FRAMES:,}): take fewer "
            "seconds or fewer networks"
        )
    feeds = feeds_of(
        vehicle,
        span_ns,
        seed=seed,
        networks=names,
        payloads=believable_payloads(vehicle, seed) if believable else swinging_payloads(seed),
        drift_ppm=circumstances.drift_ppm,
        overwrite=circumstances.overwrite,
    )
    errors = circumstances.errors_per_second
    faults = {n: random_faults(n, errors, span_ns, seed=seed) for n in names}
    return simulate([vehicle.networks[n] for n in names], feeds, until_ns=span_ns, faults=faults)


def simulation_report(
    vehicle: Vehicle, circumstances: Circumstances, run: Simulation, *, critical: bool = False
) -> SimulationReport:
    """Hold a run of :func:`simulate_plan` against the analysis of the same circumstances.

    With ``critical`` the critical instant of each message is played too.
    """
    errors = circumstances.errors_per_second
    timing = proven_timing(vehicle, drift_ppm=circumstances.drift_ppm, errors_per_second=errors)
    played = None
    if critical:
        # With true clocks: a clock that drifts does not get any closer to the critical instant.
        played = critical_responses(vehicle, proven_timing(vehicle, errors_per_second=errors))
    observed = observed_responses(run, timing, played)
    return SimulationReport(
        vehicle=vehicle,
        circumstances=circumstances,
        run=run,
        observed=observed,
        findings=(
            *bounds_beaten(observed),
            *deadlines_passed(observed),
            *vehicle.cautions,
        ),
    )


def _response_row(o: Observed) -> ResponseRow:
    def ms(ns: int | None) -> float | None:
        return None if ns is None else ns / 1e6

    return ResponseRow(
        network=o.stream.network,
        node=o.stream.node,
        message=o.stream.message.name,
        identifier=o.stream.message.label,
        frames=o.frames,
        min_ms=ms(o.least_ns),
        median_ms=ms(o.median_ns),
        p99_9_ms=ms(o.p999_ns),
        max_ms=ms(o.most_ns),
        critical_ms=ms(o.critical_ns),
        bound_ms=ms(o.bound_ns),
        replaced=o.replaced,
        unsent=o.unsent,
        share_of_bound=o.share_of_bound,
    )
