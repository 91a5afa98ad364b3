"""A plan from Python: its findings, loads and response times, and its traffic simulated."""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.errors import UsageError
from busplan.face.findings import Findings
from busplan.face.given import a_number, a_path, a_vehicle, names
from busplan.plan.vehicle import Vehicle

if TYPE_CHECKING:
    from busplan.checks.load_report import LoadReport
    from busplan.checks.timing_report import TimingReport
    from busplan.timing.simulation_report import SimulationReport

MOST_PARTS = 10_000
"""Most bus errors a second, and most ppm of a clock."""


def load_plan(file: str | PathLike[str]) -> Vehicle:
    """The vehicle that a plan file (TOML) and the definition files (DBC) it names describe.

    :class:`busplan.PlanError` with every problem of them at once.

    >>> v = busplan.load_plan("as_built.toml")
    >>> v.name, list(v.networks)[:3]
    ('Magpie', ['drive', 'pack', 'charge'])
    """
    from busplan.plan.reader import load_plan as load

    return load(Path(fspath(a_path(file, "load_plan"))))


def check(vehicle: Vehicle, *, only: Iterable[str] | str | None = None) -> Findings:
    """Everything that is wrong with a plan, heaviest first.

    ``only`` names codes to keep; :class:`busplan.UsageError` when no check has such a code.

    >>> v = busplan.load_plan("as_bought.toml")
    >>> busplan.check(v, only="load-over-limit").to_frame()["network"].tolist()
    ['body']
    """
    from busplan.checks import require_codes, run_checks

    chosen = names(only, "only")
    require_codes(chosen)
    return Findings(run_checks(a_vehicle(vehicle, "check"), chosen))


def loads(vehicle: Vehicle, *, networks: Iterable[str] | str | None = None) -> LoadReport:
    """The planned load of every network, or of those named, from the periods that are stated.

    Shares of time, 1 is all of it: *nominal* without any stuff bit, *worst* with as many as
    payloads can force. Messages without a stated period are left out and counted as ``unstated``.
    ``to_frame()`` has a row a network, ``message_table()`` and ``node_table()`` hold the rest.

    >>> found = busplan.loads(busplan.load_plan("as_built.toml"))
    >>> found["drive"].nominal < found["drive"].worst < found["drive"].network.load_limit
    True
    """
    from busplan.checks.load_report import load_report

    return load_report(a_vehicle(vehicle, "loads"), names(networks, "networks"))


def timing(
    vehicle: Vehicle,
    *,
    networks: Iterable[str] | str | None = None,
    fault_interval_ms: float | None = None,
) -> TimingReport:
    """The proven worst-case response time of every message, of all networks or those named.

    What is proven holds for what the plan states; a message without a stated period has no bound,
    and its ``status`` says so. ``fault_interval_ms`` assumes a bus error on every network each so
    many ms, instead of what the plan states. ``to_frame()`` has a row a message,
    ``network_table()`` and ``route_table()`` hold the rest.

    >>> timed = busplan.timing(busplan.load_plan("as_built.toml")).to_frame()
    >>> timed.attrs["units"]["response_ms"], bool(timed["late"].any())
    ('ms', False)
    """
    from busplan.checks.timing_report import timing_report

    interval = None
    if fault_interval_ms is not None:
        interval = round(a_number(fault_interval_ms, "fault_interval_ms", 0.001, 1e9) * 1e6)
    chosen = names(networks, "networks")
    return timing_report(a_vehicle(vehicle, "timing"), chosen, fault_interval_ns=interval)


def simulate(
    vehicle: Vehicle,
    *,
    seconds: float = 60.0,
    seed: int = 0,
    networks: Iterable[str] | str | None = None,
    errors_per_second: float = 0.0,
    drift_ppm: float = 50.0,
    overwrite: bool = False,
    critical: bool = False,
) -> SimulationReport:
    """Send a plan's traffic on simulated networks, and hold it against the proven response times.

    ``errors_per_second`` [1/s] bus errors come to each network on average; clocks are off by up to
    ``drift_ppm`` [ppm]; with ``overwrite`` a new frame replaces its waiting predecessor;
    ``critical`` also plays the critical instant of each message. The report's ``frames`` are what a
    recorder would have seen; payloads are made up, so their values mean nothing. What cannot be
    simulated is in ``left_out``. Nothing is sent on any bus.

    >>> v = busplan.load_plan("as_built.toml")
    >>> seen = busplan.simulate(v, seconds=2, networks="charge")
    >>> seen.findings, seen.frames.networks
    ((), ('charge',))
    """
    from busplan.timing.simulation_report import (
        LONGEST_S,
        Circumstances,
        simulate_plan,
        simulation_report,
    )

    a_vehicle(vehicle, "simulate")
    circumstances = Circumstances(
        seconds=a_number(seconds, "seconds", 0, LONGEST_S, beyond_least=True),
        seed=_seed(seed),
        errors_per_second=a_number(errors_per_second, "errors_per_second", 0, MOST_PARTS),
        drift_ppm=a_number(drift_ppm, "drift_ppm", 0, MOST_PARTS),
        overwrite=bool(overwrite),
    )
    run = simulate_plan(vehicle, circumstances, names(networks, "networks"))
    return simulation_report(vehicle, circumstances, run, critical=bool(critical))


def _seed(value: object) -> int:
    if isinstance(value, int) and value >= 0:
        return int(value)
    raise UsageError(f"seed takes a whole number from 0 on, not {value!r}")
