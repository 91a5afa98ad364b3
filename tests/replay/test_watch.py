"""Findings over a whole capture: each planted one is found, and a clean capture has none."""

import re
from dataclasses import replace

import numpy as np
from support.van import make_replay, make_table, make_vehicle

from busplan.findings import Weight
from busplan.frames.table import FrameTable
from busplan.replay.replay import Replay
from busplan.replay.strangers import MOST_NAMED
from busplan.replay.watch import watch

S = 1_000_000_000


def found(replay: Replay) -> dict[str, str]:
    return {f.code: f.summary for f in watch(replay.lines, replay.span_ns)}


def without(table: FrameTable, drop: np.ndarray) -> FrameTable:
    return table.take(~drop)


def test_a_clean_capture_has_nothing_to_say() -> None:
    assert found(make_replay()) == {}


def test_a_node_that_stops_is_one_finding_at_the_moment_it_stopped() -> None:
    replay = make_replay(gap_s=(10, 14))
    (finding,) = watch(replay.lines, replay.span_ns)
    assert finding.code == "node-stopped"
    assert (finding.where.network, finding.where.node) == ("pack", "monitor_a")
    assert finding.where.time_ns is not None
    assert 9.9e9 <= finding.where.time_ns < 10e9
    assert "4.1" in finding.summary


def test_a_silence_that_lasts_is_told_though_an_earlier_one_was_longer() -> None:
    vehicle = make_vehicle([(4,)])
    table = make_table(vehicle, 20.0)
    t = (table.time_ns - table.origin_ns) / S
    silent = ((t > 5) & (t < 9)) | ((t > 11) & (t < 13)) | (t > 17.95)
    for own, code in (([0x1800], "message-paused"), ([0x1800, 0x1801], "node-stopped")):
        what = np.isin(table.identifier, own)
        ends = Replay.of(vehicle, without(table, silent & what))
        told = [f for f in watch(ends.lines, 20 * S) if f.code == code]
        assert [f.where.time_ns // S for f in told] == [17]
        assert re.search(r"from 0:1[78]\S* on, 3 times in all, 4\.\d\d s at most", told[0].summary)
        over = Replay.of(vehicle, without(table, silent & what & (t < 17)))
        (finding,) = [f for f in watch(over.lines, 20 * S) if f.code == code]
        assert re.search(r"from 0:0[45]\S* to 0:09\S*, 2 times in all$", finding.summary)


def test_a_network_that_ends_early_is_one_finding_not_one_a_node() -> None:
    vehicle = make_vehicle([(4, 4), (4,)])
    table = make_table(vehicle, 20.0)
    t = table.time_ns - table.origin_ns
    pack = table.networks.index("pack")
    replay = Replay.of(vehicle, without(table, (table.network == pack) & (t > 12 * S)))
    (finding,) = watch(replay.lines, replay.span_ns)
    assert (finding.code, finding.where.network) == ("network-silent", "pack")
    assert finding.where.time_ns is not None
    assert 11.8e9 <= finding.where.time_ns <= 12e9


def test_a_network_that_paused_is_one_finding_not_one_a_node() -> None:
    vehicle = make_vehicle([(4, 4), (4,)])
    table = make_table(vehicle, 20.0)
    t = table.time_ns - table.origin_ns
    own = table.network == table.networks.index("pack")
    pause = own & (t > 8 * S) & (t < 12 * S)
    replay = Replay.of(vehicle, without(table, pause))
    (finding,) = watch(replay.lines, replay.span_ns)
    assert (finding.code, finding.where.network) == ("network-silent", "pack")
    assert re.search(r"every node was silent on pack for [34]\.\d+ s", finding.summary)
    later = watch(replay.lines, replay.span_ns, old_ns=15 * S)
    assert [f.weight for f in later] == [Weight.NOTE]
    # A node that is silent for longer than its network is told of itself.
    node = np.isin(table.identifier, [s.message.identifier for s in vehicle.streams[:2]])
    longer = pause | (own & node & (t > 8 * S) & (t < 16 * S))
    codes = [f.code for f in watch(Replay.of(vehicle, without(table, longer)).lines, 20 * S)]
    assert "network-silent" not in codes
    assert codes.count("node-stopped") == len(
        {s.node for s in vehicle.streams if s.network == "pack"}
    )


def test_a_clock_set_forward_is_one_finding_of_everybody() -> None:
    """So are a recorder that stops and a vehicle that sleeps. Common practice, no source."""
    vehicle = make_vehicle([(4, 4), (4,)])
    table = make_table(vehicle, 20.0)
    for by_s in (0.7, 30.0):
        time = table.time_ns.copy()
        time[table.time_ns >= table.time_ns[0] + 8 * S] += round(by_s * S)
        moved = Replay.of(vehicle, replace(table, time_ns=time, index=None, bounds=None))
        (finding,) = watch(moved.lines, moved.span_ns)
        assert (finding.code, finding.where.network) == ("all-silent", None)
        assert finding.where.time_ns is not None
        assert 7.8 < finding.where.time_ns / S <= 8.0
        assert "the clock was set forward" in finding.summary
        (later,) = watch(moved.lines, moved.span_ns, old_ns=moved.span_ns)
        assert later.weight is Weight.NOTE


def test_one_message_that_pauses_is_told_apart_from_its_node() -> None:
    vehicle = make_vehicle([(4, 4)])
    table = make_table(vehicle, 20.0)
    t = table.time_ns - table.origin_ns
    quiet = (table.identifier == 0x1800) & (t > 5 * S) & (t < 6 * S)
    codes = found(Replay.of(vehicle, without(table, quiet)))
    assert list(codes) == ["message-paused"]
    assert "CellVoltages1" in codes["message-paused"]


def test_single_late_frames_are_counted() -> None:
    vehicle = make_vehicle([(4,)])
    table = make_table(vehicle, 20.0)
    rows = np.flatnonzero(table.identifier == 0x1700)
    drop = np.zeros(len(table), np.bool_)
    drop[rows[[50, 90, 200]]] = True
    codes = found(Replay.of(vehicle, without(table, drop)))
    assert list(codes) == ["frame-late"]
    assert "3 times" in codes["frame-late"]
    assert "100 ms" in codes["frame-late"]


def test_unknown_identifiers_and_shared_ones_are_named() -> None:
    vehicle = make_vehicle([(4,)])
    table = make_table(vehicle, 5.0)
    pump = next(s for s in vehicle.streams if s.node == "pump_1")
    fewer = replace(vehicle, streams=tuple(s for s in vehicle.streams if s is not pump))
    codes = found(Replay.of(fewer, table))
    assert "0x120 on thermal came 50 times" in codes["identifier-unplanned"]
    twice = replace(vehicle, streams=(*vehicle.streams, replace(pump, node="pump_2")))
    (finding,) = watch(Replay.of(twice, table).lines, 5 * S)
    assert (finding.code, finding.weight) == ("identifier-shared", Weight.FAULT)
    assert "pump_1, pump_2" in finding.summary


def test_very_many_unknown_identifiers_do_not_bury_the_rest() -> None:
    vehicle = make_vehicle([(4,)])
    unknown = np.arange(60)
    noise = FrameTable.from_columns(
        ["thermal"],
        unknown * S // 100,
        np.zeros(60),
        np.where(unknown < 30, 0x700, 0x700 + unknown),
        np.zeros(60),
        np.ones(60),
        np.zeros(60, np.uint8),
    )
    told = [f for f in watch(Replay.of(vehicle, noise).lines, S) if "definition" in f.summary]
    assert len(told) == MOST_NAMED + 1
    assert "0x700 on thermal came 30 times" in told[0].summary
    assert "11 more identifiers on thermal came 11 times in all" in told[-1].summary


def test_a_wrong_stated_cycle_is_no_matter_of_single_late_frames() -> None:
    vehicle = make_vehicle([(4,)])
    table = make_table(vehicle, 20.0)
    rows = np.flatnonzero(table.identifier == 0x1700)
    drop = np.zeros(len(table), np.bool_)
    drop[rows[::2]] = True
    assert found(Replay.of(vehicle, without(table, drop))).keys() == {"cycle-measured-slow"}
