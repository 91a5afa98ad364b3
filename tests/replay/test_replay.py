"""The state at a moment, against plain loops over the frames and what the van was made to do."""

import numpy as np
import pytest
from support.van import celsius, make_replay, make_table, make_vehicle, volts

from busplan.frames.table import FrameTable
from busplan.replay.index import FrameIndex
from busplan.replay.lines import NEVER
from busplan.replay.pack_state import Grade
from busplan.replay.replay import Replay
from busplan.replay.state import NO_DATA
from busplan.transport.messages import Messages

S = 1_000_000_000


@pytest.fixture(scope="module")
def replay() -> Replay:
    """30 s; monitor_a is silent from 10 to 14 s."""
    return make_replay(gap_s=(10, 14))


def test_the_index_finds_the_last_frame_of_every_identifier_as_a_plain_loop_does() -> None:
    table = make_table(make_vehicle([(4, 4), (4,)]), 3.0)
    index = FrameIndex.of(Messages(table))
    for t_ns in (-1, 0, 300_000, 1_234_567_890, 2 * S, 99 * S):
        upto = index.upto(t_ns)
        for k, key in enumerate(index.keys):
            rows = table.groups[key]
            plain = sum(int(table.time_ns[r]) - table.origin_ns <= t_ns for r in rows)
            assert upto[k] - index.starts[k] == plain


def test_cells_and_sensors_are_the_last_ones_sent(replay: Replay) -> None:
    pack = replay.snapshot(20 * S).pack
    assert pack is not None
    for i in range(12):
        sent = np.floor((20 - 0.0003 * (i // 4)) * 10) / 10  # the last full tenth of a second
        assert pack.cells.value[i] == pytest.approx(volts(i + 1, np.float64(sent)), abs=0.0006)
    rounded = np.round(celsius(5, np.float64(20.0)) * 2) / 2
    assert pack.sensors.value[4] == pytest.approx(rounded, abs=0.5)
    assert pack.sensors.value[0] == pytest.approx(18.0, abs=0.5)


def test_evenness_names_the_places_and_the_grade_follows_the_allowed_spread(
    replay: Replay,
) -> None:
    snapshot = replay.snapshot(20 * S)
    pack = snapshot.pack
    assert pack is not None
    even = pack.cells.evenness
    assert even is not None
    assert (even.lowest, even.count) == (5, 12)
    fresh = pack.cells.value
    assert even.mean == pytest.approx(fresh.mean())
    assert even.spread == pytest.approx(fresh.max() - fresh.min())
    assert Grade(int(pack.cells.grade[5])) is Grade.FAR_LOW
    assert {int(g) for i, g in enumerate(pack.cells.grade) if i != 5} == {Grade.EVEN}
    assert snapshot.word == "CELLS UNEVEN"


def test_a_lagging_module_is_behind_the_median_of_all(replay: Replay) -> None:
    pack = replay.snapshot(30 * S).pack
    assert pack is not None
    name, lag = pack.worst_lag or ("", 0.0)
    assert name == "B1"
    # made to rise 0.05 instead of 0.2 K/s: 4.5 K behind after 30 s, within one 0.5 K step
    assert lag == pytest.approx(4.5, abs=0.5)


def test_a_silent_monitor_is_named_and_its_values_are_stale_not_gone(replay: Replay) -> None:
    snapshot = replay.snapshot(12 * S)
    assert [(s.network, s.node) for s in snapshot.silent] == [("pack", "monitor_a")]
    assert 9.9e9 <= (snapshot.silent[0].since_ns or 0) <= 10e9
    pack = snapshot.pack
    assert pack is not None
    assert [Grade(int(g)) for g in pack.cells.grade[:8]] == [Grade.STALE] * 8
    assert not np.isnan(pack.cells.value[:8]).any()
    assert pack.cells.evenness is not None
    assert pack.cells.evenness.count == 4
    assert {"VALUES STALE", "NODE SILENT"} <= {t.word for t in snapshot.troubles}
    assert replay.snapshot(15 * S).silent == ()


def test_a_network_silent_as_a_whole_is_told_once_and_not_node_by_node(replay: Replay) -> None:
    table = replay.table
    kept = (table.network != table.networks.index("pack")) | (
        table.time_ns < table.time_ns[0] + 8 * S
    )
    shot = Replay.of(replay.vehicle, table.take(np.flatnonzero(kept))).snapshot(12 * S)
    assert {s.node for s in shot.silent} >= {"monitor_a", "monitor_b"}
    assert shot.word == "NETWORK SILENT"
    (told,) = [t.text for t in shot.troubles if "silent" in t.text]
    assert told == "every node has been silent on pack since 0:08"


def test_before_a_value_has_come_it_is_missing_not_zero(replay: Replay) -> None:
    pack = replay.snapshot(0).pack
    assert pack is not None
    assert Grade(int(pack.cells.grade[-1])) is Grade.MISSING
    assert np.isnan(pack.cells.value[-1])
    assert pack.cells.age_ns[-1] == NEVER


def test_measured_cycles_and_ages_are_those_sent(replay: Replay) -> None:
    ages = replay.snapshot(20 * S + 50_000_000).ages
    for i, line in enumerate(replay.lines.lines):
        assert line.cycle is not None
        assert ages.cycle_ns[i] == pytest.approx(line.cycle.ns, rel=1e-6)
        assert 0 <= ages.age_ns[i] < line.cycle.ns


def test_load_agrees_with_a_plain_sum_over_the_last_second(replay: Replay) -> None:
    from busplan.wire.exact import exact_bits

    load = replay.snapshot(20 * S).loads[0]
    table = replay.table
    t = table.time_ns - table.origin_ns
    here = (t >= 19 * S) & (t < 20 * S) & (table.network == 0)
    bits = sum(int(b.sum()) for b in exact_bits(table.take(here)))
    assert load.now == pytest.approx(bits / 500_000, rel=1e-4)
    assert load.frames_per_s == here.sum()
    assert load.peak >= load.now


def test_multiplexed_values_are_held_while_the_other_page_is_sent(replay: Replay) -> None:
    line = next(x for x in replay.lines.lines if x.name == "PumpStatus")
    i = replay.lines.number[line.key]
    position = int(replay.snapshot(5 * S).ages.position[i])
    for p in (position, position + 1):
        values = {v.signal.name: v.number for v in replay.values(line, p)}
        assert (values["PumpSpeed"], values["PumpPower"]) == (1200, 85)
    assert replay.changed(line, position, position - 1) == {"Page"}
    assert replay.changed(line, position, position - 2) == frozenset()


def test_named_values_show_their_name_and_scaled_ones_their_decimals(replay: Replay) -> None:
    line = next(x for x in replay.lines.lines if x.name == "PackStatus")
    position = int(replay.snapshot(20 * S).ages.position[replay.lines.number[line.key]])
    texts = {v.signal.name: v.text for v in replay.values(line, position)}
    assert texts["ContactorState"] == "closed"
    assert texts["PackCurrent"] == "70.0 A"


def test_what_changed_is_told_against_a_second_ago(replay: Replay) -> None:
    line = next(x for x in replay.lines.lines if x.name == "PackStatus")
    ages = replay.snapshot(20 * S).ages
    i = replay.lines.number[line.key]
    assert ages.position[i] - ages.earlier[i] == 20  # one frame each 50 ms
    assert replay.changed(line, int(ages.position[i]), int(ages.earlier[i])) == {"PackCurrent"}
    assert replay.changed(line, int(ages.position[i]), -1) == {"PackCurrent", "ContactorState"}


def test_an_empty_capture_is_a_state_not_a_crash() -> None:
    vehicle = make_vehicle([(4,)])
    snapshot = Replay.of(vehicle, FrameTable.empty(["pack"])).snapshot(5)
    assert snapshot.word == NO_DATA
    assert snapshot.t_ns == 0
    assert not any(load.recorded for load in snapshot.loads)


def test_a_stale_first_frame_does_not_break_the_bins() -> None:
    vehicle = make_vehicle([(4,)])
    table = make_table(vehicle, 5.0)
    times = table.time_ns.copy()
    times[0] -= 400 * 86_400 * S
    from dataclasses import replace

    replay = Replay.of(vehicle, replace(table, time_ns=times))
    assert replay.span_ns < 6 * S
    assert replay.snapshot(4 * S).loads[0].now > 0
