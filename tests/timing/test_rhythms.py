"""Send offsets: the most work in any window against trying all, equality without them, and the
simulation, which must not beat the bound."""

import random
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.vehicles import MS, stream, vehicle

from busplan.checks.deadlines import findings_of
from busplan.plan.vehicle import Network, Stream, Vehicle
from busplan.timing import compiled_fixed_point, fixed_point
from busplan.timing.clocks import faster
from busplan.timing.gateways import vehicle_timing
from busplan.timing.queue_model import queue_model
from busplan.timing.response import response_times
from busplan.timing.rhythms import frames_in, rhythms_of
from busplan.timing.simulation import simulate
from busplan.timing.simulation_critical import critical_instant
from busplan.timing.simulation_feeds import feeds_of, release_times
from busplan.timing.simulation_summary import proven_timing
from busplan.timing.slack import STEPS, network_slack, scaled
from busplan.timing.solving import solve
from busplan.wire.lengths import worst_table_bits

SECOND = 1_000_000_000


def small(draw: st.DrawFn) -> Vehicle:
    """Up to five messages of one clock, all times a few whole nanoseconds."""
    streams = []
    for k in range(draw(st.integers(2, 5))):
        one = stream(k, node="n", length=draw(st.integers(0, 8)), offset_ms=0)
        cycle = replace(one.cycle, ns=draw(st.sampled_from([4, 6, 8, 12])))
        jitter, offset = draw(st.sampled_from([0, 0, 1, 5, 17])), draw(st.integers(0, 13))
        streams.append(replace(one, cycle=cycle, jitter_ns=jitter, offset_ns=offset))
    return vehicle(streams)


@given(data=st.data())
@settings(max_examples=150)
def test_the_most_work_in_a_window_equals_that_of_trying_every_window(data: st.DataObject) -> None:
    model = queue_model(data.draw(st.composite(small)()), "a")
    rhythms = rhythms_of(model)
    n = len(model.frame)
    last, but = data.draw(st.integers(0, n)), data.draw(st.integers(-1, n - 1))
    window = data.draw(st.integers(0, 60))
    counted = [k for k in range(last) if k != but]
    most = 0
    for begin in range(100, 124):  # all repeats after 24
        work = 0
        for k in counted:
            releases = range(model.offset[k] - 240, 600, model.period[k])
            can = [r for r in releases if begin - model.jitter[k] <= r < begin + window]
            work += len(can) * model.frame[k]
        most = max(most, work)
    args = (0, last, but, window)
    assert fixed_point.rhythm_work(*args, model.frame, *rhythms.columns) == most
    arrays = [np.array(c, np.int64) for c in (model.frame, *rhythms.columns)]
    assert compiled_fixed_point.rhythm_work(*args, *arrays) == most
    frames = frames_in(model, rhythms, last, but, window)
    assert sum(count * model.frame[k] for k, count in frames.items()) == most


@given(
    sizes=st.lists(
        st.tuples(st.integers(1, 9), st.sampled_from([24, 30, 36, 60])), min_size=2, max_size=6
    )
)
@settings(max_examples=80)
def test_queued_at_once_is_queued_at_once(sizes: list[tuple[int, int]]) -> None:
    """All at one moment of one clock delay each other as messages without any do."""
    n = len(sizes)
    frames, periods = ([size[k] for size in sizes] for k in (0, 1))
    model = replace(
        queue_model(vehicle([stream(k) for k in range(n)]), "a"),
        frame=frames,
        single=frames,
        period=periods,
        bit=1,
    )
    together = replace(model, rhythm=[0] * n, offset=[7] * n)
    assert solve(together).rhythms.release
    assert solve(together).response == solve(model).response


def made(seed: int, *, jitter: bool = False, offsets: bool = True) -> Vehicle:
    """About 25 messages of five nodes at 125 kbit/s, most at offsets of their node's clock."""
    choose = random.Random(seed)
    streams = []
    for i in range(25):
        period = choose.choice([20, 40, 50, 100, 100, 200, 500])
        offset = choose.randrange(0, period)
        streams.append(
            stream(
                8 * i,
                node=f"n{choose.randint(0, 4)}",
                length=choose.randint(1, 8),
                cycle_ms=period,
                offset_ms=None if choose.random() < 0.15 else offset * offsets,
                jitter_ms=choose.choice([0, 0, 0.5, 4]) if jitter else 0,
            )
        )
    return vehicle(streams, [Network("a", 125_000)])


def without(van: Vehicle) -> Vehicle:
    return replace(van, streams=tuple(replace(s, offset_ns=None) for s in van.streams))


def responses(van: Vehicle) -> list[int]:
    return [r.response_ns or SECOND * 99 for r in response_times(van, "a").responses]


@pytest.mark.parametrize("seed", range(4))
def test_at_equal_offsets_the_bound_is_that_without_and_at_others_never_above(seed: int) -> None:
    plain = responses(without(made(seed)))
    assert responses(made(seed, offsets=False)) == plain
    for van in (made(seed), made(seed, jitter=True)):
        assert all(a <= b for a, b in zip(responses(van), responses(without(van)), strict=True))
    assert sum(responses(made(seed))) < 0.9 * sum(plain)


@pytest.mark.parametrize(("seed", "jitter"), [*product(range(3), [False, True])])
def test_no_simulation_with_random_phases_beats_the_bound(seed: int, jitter: bool) -> None:
    van = made(seed, jitter=jitter)
    bounds = responses(van)
    for run in range(4):
        feeds = feeds_of(van, 2 * SECOND, seed=run)
        found = simulate([van.networks["a"]], feeds, bits=worst_table_bits)
        for i in range(len(feeds)):
            assert found.response_ns[found.rows_of(i)].max() <= bounds[i]


@pytest.mark.parametrize("jitter", [False, True])
def test_critical_instants_come_close_to_the_bound_and_never_beat_it(jitter: bool) -> None:
    van, shares = made(1, jitter=jitter), []
    for response in response_times(van, "a").responses:
        assert response.response_ns is not None
        run = critical_instant(van, response.stream, SECOND)
        assert run.response_ns <= response.response_ns
        shares.append(run.response_ns / response.response_ns)
    # What its own node sends beside a message counts at its worst, which may never be then.
    assert sum(share > 0.999 for share in shares) >= len(shares) / 4


def test_a_clock_that_runs_fast_brings_all_its_messages_closer() -> None:
    van = made(2)
    kept = {s.label: s for s in faster(van.streams, 100)}
    for s in van.streams:
        quick = kept[s.label]
        assert quick.cycle.ns <= s.cycle.ns * (1 - 1e-4)
        if s.offset_ns is not None:
            assert quick.offset_ns * s.cycle.ns == s.offset_ns * quick.cycle.ns
    timing = proven_timing(van, drift_ppm=100)
    assert timing.networks["a"].solution.rhythms.release
    for run in range(3):
        feeds = feeds_of(van, 2 * SECOND, seed=run, drift_ppm=100)
        found = simulate([van.networks["a"]], feeds, bits=worst_table_bits)
        for i, feed in enumerate(feeds):
            worst = timing.by_label[feed.stream.label].response_ns
            assert found.response_ns[found.rows_of(i)].max() <= worst


def test_offsets_count_by_the_clock_of_their_node() -> None:
    """On a fast clock 400 ms are as much shorter as its periods are."""
    span = 100 * SECOND
    one, _ = release_times(stream(1, cycle_ms=500, offset_ms=1), span, seed=3, drift_ppm=100)
    two, _ = release_times(stream(2, cycle_ms=500, offset_ms=401), span, seed=3, drift_ppm=100)
    period = (one[-1] - one[0]) / (len(one) - 1)
    assert abs(period - 500 * MS) > 5_000
    assert (two[-1] - one) % period == pytest.approx(np.full(len(one), 0.8 * period), abs=3)


def test_every_instance_counts_at_offsets_too() -> None:
    """Davis et al. 2007, section 3.3 (from memory): the third message is worst at its second
    instance, 3.5 ms; all three of one node at equal offsets are queued together as there."""
    streams = [
        stream(k, length=7, cycle_ms=period, offset_ms=0)
        for k, period in ((1, 2.5), (2, 3.5), (3, 3.5))
    ]
    assert responses(vehicle(streams, [Network("a", 125_000)])) == [2 * MS, 3 * MS, 3_500_000]


def test_growth_shrinks_periods_and_offsets_together() -> None:
    van = made(3)
    growth = network_slack(van, "a").growth
    plain = network_slack(without(van), "a").growth
    assert growth is not None
    assert plain is not None
    assert growth > plain
    model = queue_model(van, "a")
    half = scaled(model, STEPS // 2)
    assert [2 * o for o in half.offset] == model.offset
    assert [2 * t for t in half.period] == model.period
    unit = int(MS / growth * (1 + 1e-6))

    def sent_faster(s: Stream) -> Stream:
        cycle = replace(s.cycle, ns=s.cycle.ns // MS * unit)
        offset = None if s.offset_ns is None else s.offset_ns // MS * unit
        return replace(s, cycle=cycle, deadline=cycle, offset_ns=offset)

    quick = replace(van, streams=tuple(map(sent_faster, van.streams)))
    assert not response_times(quick, "a").missed
    assert response_times(without(quick), "a").missed


def tells(van: Vehicle) -> list[str]:
    return [f.summary for f in findings_of(vehicle_timing(van)) if f.code == "one-clock-assumed"]


def test_what_the_bound_rests_on_is_told_for_each_node() -> None:
    pair = [stream(1, offset_ms=0), stream(2, offset_ms=5), stream(3, node="m", offset_ms=2)]
    (told,) = tells(vehicle(pair))
    assert "n sends M1, M2 by one clock" in told.replace(" and ", ", ")
    assert not tells(vehicle(pair, fifo=["n"]))
    assert not tells(without(vehicle(pair)))


def test_periods_without_a_common_rhythm_count_each_for_itself() -> None:
    odd = [
        replace(s, cycle=replace(s.cycle, ns=ns))
        for s, ns in zip(
            [stream(k, offset_ms=k) for k in range(1, 5)],
            [10 * MS, 9_999_991, 20 * MS, 30_000_001],
            strict=True,
        )
    ]
    model = queue_model(vehicle(odd), "a")
    assert rhythms_of(model).joined == [True, False, True, False]


def test_a_message_on_event_is_in_no_rhythm() -> None:
    van = vehicle([stream(1, offset_ms=0), stream(2, offset_ms=5, event=True)])
    assert not rhythms_of(queue_model(van, "a")).release
