"""``busplan simulate`` on the invented vehicle, and its summary on small ones."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.vehicles import MS, stream, vehicle
from typer.testing import CliRunner

from busplan.capture.read import read_capture
from busplan.cli.app import app
from busplan.errors import UsageError
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Network
from busplan.timing.simulation import simulate
from busplan.timing.simulation_feeds import feeds_of
from busplan.timing.simulation_summary import (
    Observed,
    bounds_beaten,
    critical_responses,
    observed_responses,
    proven_timing,
)

PLAN = Path(__file__).parents[2] / "dbc_examples" / "as_built.toml"


def called(*arguments):
    result = CliRunner().invoke(app, ["simulate", *map(str, arguments)], catch_exceptions=False)
    assert result.exit_code == 0
    return result


def test_the_invented_vehicle_stays_within_its_bounds(tmp_path):
    log = tmp_path / "built.log.gz"
    document = json.loads(
        called(PLAN, "--seconds", 5, "--errors-per-second", 4, "--out", log, "--json").stdout
    )
    assert document["findings"] == []
    assert document["invented"] is True
    assert all(m["max_ms"] <= m["bound_ms"] for m in document["messages"] if m["frames"])
    assert all(
        m["min_ms"] <= m["median_ms"] <= m["p99_9_ms"] <= m["max_ms"]
        for m in document["messages"]
        if m["frames"]
    )
    assert sum(n["error_frames"] for n in document["networks"]) > 0
    frames = read_capture([log]).frames
    counted = sum(n["frames"] + n["error_frames"] for n in document["networks"])
    assert len(frames) == counted
    names = load_plan(PLAN).network_of_channel()
    assert set(frames.relabel(names).networks) == {n["network"] for n in document["networks"]}


def test_the_same_seed_writes_the_same_bytes(tmp_path):
    for name in ("one.log", "two.log"):
        called(PLAN, "--seconds", 1, "--network", "pack", "--seed", 3, "--out", tmp_path / name)
    assert (tmp_path / "one.log").read_bytes() == (tmp_path / "two.log").read_bytes()


def test_critical_instants_stand_beside_the_bounds():
    text = called(PLAN, "--network", "thermal", "--seconds", 1, "--critical").stdout
    assert "thermal: load " in text
    assert "critical" in text
    assert text.count("100 %") >= 10
    assert max(map(len, text.splitlines()[2:])) <= 80


def test_a_response_past_its_deadline_is_a_fault(tmp_path):
    plan = tmp_path / "late.toml"
    text = PLAN.read_text()
    plan.write_text(f'{text}\n[message."drive/inverter/InverterTorque"]\ndeadline_ms = 0.01\n')
    for file in PLAN.parent.glob("*.dbc"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    call = ["simulate", str(plan), "--seconds", "1", "--network", "drive", "--json"]
    result = CliRunner().invoke(app, call, catch_exceptions=False)
    (found,) = json.loads(result.stdout)["findings"]
    assert found["code"] == "response-past-deadline"
    assert result.exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--seconds", "0"], "takes more than 0"),
        (["--network", "thermol"], "did you mean"),
        (["--out", "x.asc"], "should end in .log"),
        (["--seconds", "86400"], "too many for one run"),
    ],
)
def test_wrong_calls_are_refused(arguments, text):
    with pytest.raises(UsageError, match=text):
        CliRunner().invoke(app, ["simulate", str(PLAN), *arguments], catch_exceptions=False)


def test_the_summary_counts_what_was_seen():
    streams = [stream(0x1, cycle_ms=1, node="x"), stream(0x2, cycle_ms=2, node="y")]
    van = vehicle(streams, [Network("a", 250_000)])
    run = simulate([van.networks["a"]], feeds_of(van, 1000 * MS, drift_ppm=100))
    timing = proven_timing(van, drift_ppm=100)
    critical = critical_responses(van, proven_timing(van))
    first, second = observed_responses(run, timing, critical)
    assert (first.frames, second.frames) == (1000, 500)
    assert first.most_ns == run.response_ns[run.rows_of(0)].max()
    assert first.median_ns == np.sort(run.response_ns[run.rows_of(0)])[499]
    assert first.critical_ns == first.bound_ns - 2 == 2 * 540_000 - 2
    assert first.share_of_bound == first.critical_ns / first.bound_ns
    assert bounds_beaten((first, second)) == ()


def test_faults_and_fast_clocks_raise_the_bounds():
    van = vehicle([stream(0x1, cycle_ms=1), stream(0x2, cycle_ms=2), stream(0x3, cycle_ms=3)])

    def bounds(**more):
        return [r.response_ns for r in proven_timing(van, **more).by_label.values()]

    assert all(a < b for a, b in zip(bounds(), bounds(errors_per_second=100), strict=True))
    assert all(a <= b for a, b in zip(bounds(), bounds(drift_ppm=10_000), strict=True))


def test_a_response_beyond_its_bound_is_a_fault():
    seen = Observed(
        stream=stream(0x1),
        frames=1,
        least_ns=5,
        median_ns=5,
        p999_ns=5,
        most_ns=5,
        critical_ns=None,
        bound_ns=4,
        replaced=0,
        unsent=0,
    )
    (finding,) = bounds_beaten((seen,))
    assert finding.code == "response-beyond-bound"
    figures = ("least_ns", "median_ns", "p999_ns", "most_ns")
    unsent = replace(seen, frames=0, **dict.fromkeys(figures))
    assert bounds_beaten((replace(seen, most_ns=4), unsent)) == ()
