"""When nodes queue their frames."""

import numpy as np
import pytest
from support.vehicles import MS, stream, vehicle

from busplan.plan.carrying import forwarded_source
from busplan.plan.route import Route
from busplan.plan.vehicle import Network
from busplan.timing.simulation import simulate
from busplan.timing.simulation_feeds import (
    feeds_of,
    least_fault_distance_ns,
    left_out,
    random_faults,
    release_times,
)

SECOND = 1_000_000_000


def test_periodic_frames_are_due_every_cycle_and_queued_within_the_jitter():
    due, queued = release_times(stream(0x1, cycle_ms=10, jitter_ms=3), SECOND, seed=1)
    assert len(due) == 100
    assert set(np.diff(due)) == {10 * MS}
    late = queued - due
    assert late.min() >= 0
    assert 2 * MS < late.max() <= 3 * MS


def test_jitter_longer_than_the_cycle_keeps_the_order():
    due, queued = release_times(stream(0x1, cycle_ms=1, jitter_ms=5), SECOND)
    assert (np.diff(queued) >= 0).all()
    assert (queued - due).max() <= 5 * MS


def test_stated_offsets_hold_within_a_node():
    one, _ = release_times(stream(0x1, offset_ms=2), SECOND, seed=3)
    two, _ = release_times(stream(0x2, offset_ms=7), SECOND, seed=3)
    assert (two[0] - one[0]) % (10 * MS) == 5 * MS
    other, _ = release_times(stream(0x2, offset_ms=2, node="m"), SECOND, seed=3)
    assert one[0] != other[0]


def test_clock_drift_belongs_to_the_node():
    span = 1000 * SECOND
    cycles = {}
    for identifier, node in ((0x1, "n"), (0x2, "n"), (0x3, "m")):
        due, _ = release_times(stream(identifier, node=node), span, seed=5, drift_ppm=100)
        cycles[identifier] = (due[-1] - due[0]) / (len(due) - 1) / (10 * MS) - 1
    assert cycles[0x1] == pytest.approx(cycles[0x2], abs=1e-9)
    assert cycles[0x1] != pytest.approx(cycles[0x3], abs=1e-9)
    assert all(0 < abs(c) <= 100e-6 for c in cycles.values())


def test_events_keep_their_least_distance():
    due, _ = release_times(stream(0x1, cycle_ms=10, event=True), 100 * SECOND)
    gaps = np.diff(due)
    assert gaps.min() >= 10 * MS
    assert np.mean(gaps) == pytest.approx(20 * MS, rel=0.05)


def test_streams_draw_their_own_random_numbers():
    kept = stream(0x1, cycle_ms=10, jitter_ms=3)
    alone = feeds_of(vehicle([kept]), SECOND, seed=7)[0]
    among = feeds_of(vehicle([stream(0x2), kept]), SECOND, seed=7)[1]
    again = feeds_of(vehicle([kept]), SECOND, seed=8)[0]
    assert alone.queued_ns.tolist() == among.queued_ns.tolist()
    assert alone.queued_ns.tolist() != again.queued_ns.tolist()


def test_a_vehicle_with_a_gateway_runs():
    source = stream(0x1, name="Speed", node="x")
    copy = stream(0x1, name="Speed", network="b", node="gate", via="speed")
    silent, long = stream(0x2, cycle_ms=None), stream(0x3, length=39)
    route = Route("speed", "message", "Speed", "a", "b", "gate", delay_ns=5 * MS)
    van = vehicle(
        [source, copy, silent, long],
        [Network("a", 500_000), Network("b", 125_000)],
        fifo=["gate"],
        routes=[route],
    )
    assert forwarded_source(van.streams, copy, route) == source
    assert left_out(van) == (
        (silent, "nobody states a cycle time"),
        (long, "longer than 8 bytes, and nobody says how it is sent"),
    )
    asked = []

    def payloads(sent, times):
        asked.append((sent.label, len(times)))
        return np.zeros((len(times), 8), np.uint8)

    feeds = feeds_of(van, SECOND, payloads=payloads)
    assert [f.fifo for f in feeds] == [False, True]
    result = simulate(list(van.networks.values()), feeds)
    assert asked == [("a/x/Speed", 100)]
    copies = result.rows_of(1)
    assert len(copies) == 100
    assert (result.queued_ns[copies] - result.end_ns[result.parent[copies]] == 5 * MS).all()
    assert feeds_of(van, SECOND, networks=["b"]) == ()


def test_a_stream_without_cycle_has_no_times():
    with pytest.raises(ValueError, match="no cycle time"):
        release_times(stream(0x1, cycle_ms=None), SECOND)


def test_random_faults_come_at_their_rate_and_keep_their_distance():
    faults = random_faults("a", 50, 100 * SECOND)
    assert len(faults.at_ns) == pytest.approx(5000, rel=0.06)
    assert np.diff(faults.at_ns).min() >= least_fault_distance_ns(50) == 10 * MS
    assert set(faults.bits) == set(range(17, 24))
    assert len(random_faults("a", 0, SECOND).at_ns) == 0
    with pytest.raises(ValueError, match="not -1"):
        random_faults("a", -1, SECOND)
