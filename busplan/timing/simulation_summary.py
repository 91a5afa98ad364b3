"""Observed against proven response times: a simulation held against the analysis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.clocks import faster
from busplan.timing.gateways import VehicleTiming, vehicle_timing
from busplan.timing.simulation import Simulation
from busplan.timing.simulation_critical import critical_instant
from busplan.timing.simulation_feeds import least_fault_distance_ns

LONGEST_CRITICAL_NS = 10 * 10**9
"""A critical instant is played for no longer than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """What the simulation saw of one stream, beside what is proven. Times [ns].

    A response counts from due to the end of the frame, as its bound does. The observed figures are
    ``None`` when no frame was sent, ``bound_ns`` when the analysis gives none, ``critical_ns`` when
    the critical instant was not played. ``replaced`` and ``unsent`` count frames.
    """

    stream: Stream
    frames: int
    least_ns: int | None
    median_ns: int | None
    p999_ns: int | None
    most_ns: int | None
    critical_ns: int | None
    bound_ns: int | None
    replaced: int
    unsent: int

    @property
    def longest_ns(self) -> int | None:
        """The longest response seen, critical instant included."""
        return max((t for t in (self.most_ns, self.critical_ns) if t is not None), default=None)

    @property
    def share_of_bound(self) -> float | None:
        """The longest response seen as a share of the bound."""
        if self.longest_ns is None or self.bound_ns is None:
            return None
        return self.longest_ns / self.bound_ns


def proven_timing(
    vehicle: Vehicle, *, drift_ppm: float = 0.0, errors_per_second: float = 0.0
) -> VehicleTiming:
    """The analysis of what a simulation with these clocks and faults can do.

    Periods are taken as short as the fastest clock makes them; bus errors come as close as
    :func:`busplan.timing.simulation_feeds.random_faults` lets them, or as the plan states where
    that is closer.
    """
    closest = least_fault_distance_ns(errors_per_second)
    networks = {
        name: replace(
            network,
            fault_interval_ns=min(
                (i for i in (network.fault_interval_ns, closest) if i is not None), default=None
            ),
        )
        for name, network in vehicle.networks.items()
    }
    streams = faster(vehicle.streams, drift_ppm)
    return vehicle_timing(replace(vehicle, networks=networks, streams=streams))


def critical_responses(vehicle: Vehicle, timing: VehicleTiming) -> dict[str, int]:
    """Longest response [ns] in the critical instant of every stream that has a bound, by label.

    ``timing`` is the analysis of ``vehicle``; it says what jitter gateways pass on and how close
    bus errors come.
    """
    longest = {}
    for label, response in timing.by_label.items():
        stream = next(s for s in vehicle.streams if s.label == label)
        if response.response_ns is None or stream.cycle is None or response.session is not None:
            continue
        span = (response.instance + 2) * stream.cycle.ns + 2 * response.response_ns
        span = min(span, LONGEST_CRITICAL_NS)
        run = critical_instant(
            vehicle,
            stream,
            span,
            inherited_ns=timing.inherited_ns,
            fault_every_ns=timing.networks[stream.network].fault_interval_ns,
        )
        longest[label] = run.response_ns
    return longest


def observed_responses(
    run: Simulation, timing: VehicleTiming, critical_ns: Mapping[str, int] | None = None
) -> tuple[Observed, ...]:
    """One row a message of the simulation, network by network in order of arbitration.

    A message of several frames counts from due to the end of its last frame.
    """
    order = np.argsort(run.feed, kind="stable")
    edges = np.searchsorted(run.feed[order], np.arange(len(run.feeds) + 1))
    bounds = timing.by_label
    streams = {s.label: s for s in timing.vehicle.streams}
    sessions: dict[str, list[int]] = {}
    for i, feed in enumerate(run.feeds):
        if feed.part_of:
            sessions.setdefault(feed.part_of, []).append(i)
    rows = {}
    for i, feed in enumerate(run.feeds):
        times = run.response_ns[order[edges[i] : edges[i + 1]]]
        label, frames = feed.stream.label, len(times)
        if feed.part_of:
            label, parts = feed.part_of, sessions[feed.part_of]
            if i != parts[0]:
                continue
            times = run.session_ns(i, parts[-1])
            frames = int(run.sent[parts].sum())
        least, median, p999, most = _quantiles(times)
        rows[label] = Observed(
            stream=streams.get(label, feed.stream),
            frames=frames,
            least_ns=least,
            median_ns=median,
            p999_ns=p999,
            most_ns=most,
            critical_ns=(critical_ns or {}).get(label),
            bound_ns=bounds[label].response_ns if label in bounds else None,
            replaced=int(run.replaced[i]),
            unsent=int(run.unsent[i]),
        )
    ranked = [s.label for n in run.networks for s in timing.vehicle.on(n.name)]
    return tuple(rows[label] for label in dict.fromkeys([*ranked, *rows]) if label in rows)


def bounds_beaten(observed: tuple[Observed, ...]) -> tuple[Finding, ...]:
    """A fault for every stream whose response went beyond its bound: plan and analysis disagree."""
    return tuple(
        Finding(
            "response-beyond-bound",
            Weight.FAULT,
            Where(network=o.stream.network, node=o.stream.node, message=o.stream.message.name),
            f"{o.stream.message.name} took {o.longest_ns / 1e6:.3f} ms in the simulation, more "
            f"than the {o.bound_ns / 1e6:.3f} ms proven.",
            "The proof or the simulation is wrong; neither can be relied on for this message.",
            "Report it with the plan and the seed.",
            (
                Figure("observed", o.longest_ns / 1e6, "ms"),
                Figure("bound", o.bound_ns / 1e6, "ms"),
            ),
        )
        for o in observed
        if o.longest_ns is not None and o.bound_ns is not None and o.longest_ns > o.bound_ns
    )


def deadlines_passed(observed: tuple[Observed, ...]) -> tuple[Finding, ...]:
    """A fault for every stream with a response beyond its deadline in the run."""
    found = []
    for o in observed:
        deadline, longest = o.stream.deadline, o.longest_ns
        if deadline is None or longest is None or longest <= deadline.ns:
            continue
        found.append(
            Finding(
                "response-past-deadline",
                Weight.FAULT,
                Where(network=o.stream.network, node=o.stream.node, message=o.stream.message.name),
                f"{o.stream.message.name} of {o.stream.node} took {longest / 1e6:.3f} ms in the "
                f"simulation; its deadline is {deadline.ms:g} ms.",
                "Seen in a simulated run, so it can happen; the worst case may be later still.",
                "See its worst case and what it waits for with busplan timing.",
                (Figure("observed", longest / 1e6, "ms"), Figure("deadline", deadline.ms, "ms")),
            )
        )
    return tuple(found)


def _quantiles(times: I64) -> tuple[int | None, int | None, int | None, int | None]:
    """Least, median, 99.9 % and greatest; the response that at least so many stay within."""
    if not len(times):
        return None, None, None, None
    least, median, p999, most = np.quantile(times, [0, 0.5, 0.999, 1], method="inverted_cdf")
    return int(least), int(median), int(p999), int(most)
