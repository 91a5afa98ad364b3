"""A simulated plan as a value: made from Python, its table and its document agree."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.vehicles import stream, vehicle

from busplan.errors import UsageError
from busplan.plan.vehicle import Network
from busplan.timing.simulation_report import Circumstances, simulate_plan, simulation_report

VAN = vehicle(
    [stream(0x1, cycle_ms=1, node="x"), stream(0x2, cycle_ms=2, node="y")], [Network("a", 250_000)]
)


def test_a_run_is_told_the_same_in_its_tables_and_its_document() -> None:
    told = Circumstances(seconds=0.5, errors_per_second=20, drift_ppm=100, seed=4)
    run = simulate_plan(VAN, told)
    report = simulation_report(VAN, told, run, critical=True)
    document, frame = report.as_dict(), report.to_frame()
    assert frame["frames"].sum() == document["networks"][0]["frames"] == len(run)
    assert frame["max_ms"].tolist() == [m["max_ms"] for m in document["messages"]]
    assert (frame["max_ms"] <= frame["bound_ms"]).all()
    seen = frame[["max_ms", "critical_ms"]].max(axis=1)
    assert frame["share_of_bound"].tolist() == pytest.approx((seen / frame["bound_ms"]).tolist())
    assert frame.attrs["units"]["bound_ms"] == "ms"
    busy_ns = int(run.busy_ns[0])
    assert report.network_table().rows[0].load == pytest.approx(busy_ns / 0.5e9)
    assert document["seed"] == 4
    assert {f["code"] for f in document["findings"]} == {"response-past-deadline"}
    again = simulate_plan(VAN, told)
    assert again.end_ns.tolist() == run.end_ns.tolist()
    other = simulate_plan(VAN, replace(told, seed=5))
    assert other.end_ns.tolist() != run.end_ns.tolist()


def test_without_the_critical_instant_its_column_is_empty() -> None:
    told = Circumstances(seconds=0.01)
    frame = simulation_report(VAN, told, simulate_plan(VAN, told)).to_frame()
    assert frame["critical_ms"].isna().all()


@pytest.mark.parametrize("seconds", [0.0, -1.0, 86_401.0, float("nan")])
def test_a_run_has_a_length_that_can_be_simulated(seconds: float) -> None:
    with pytest.raises(UsageError, match="takes more than 0"):
        Circumstances(seconds=seconds)
