"""Alarms of a whole capture: the same at once and in pieces, nothing from the future, nothing of
what is not believed. The van's current rises by 1 A a second from 50 A, so that answers are known.
"""

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from support.van import make_replay, make_table, make_vehicle

from busplan.board.alarms import Watch, alarm_findings, judge, so_far
from busplan.board.desk import BoardDesk
from busplan.board.facts import BoardFacts, judged_boards
from busplan.board.kept import alarm_entries, seen_entries, seen_of
from busplan.board.quantities import Quantities
from busplan.board.resolve import limits_of_plan, resolve_boards
from busplan.board.state import Judged
from busplan.cli.recorded_alarms import RecordedAlarms
from busplan.findings import Weight
from busplan.plan.problems import Problems
from busplan.replay.replay import Replay
from busplan.text.tiles import why_missing

S = 1_000_000_000
CURRENT = "pack/battery_master/PackStatus/PackCurrent"
FILE = """
[[limit]]
signal = "current"
caution_high = 60
fault_high = 70
back_by = 1
[[board]]
name = "one"
[[board.tile]]
show = "figure"
signals = "current"
at = [0, 0]
size = [12, 6]
[[board.tile]]
show = "map"
signals = "cells"
at = [0, 6]
size = [12, 6]
"""


def boards(text: str, replay: Replay):
    return resolve_boards(tomllib.loads(text), Problems("b.toml", {}), replay.vehicle)


def test_alarms_rise_after_their_time_and_their_peak_is_never_from_later(heron: Replay) -> None:
    quantities = Quantities(heron)
    caution, fault = judge(boards(FILE, heron).limits, quantities)
    # 60.0 A is reached at 10 s and passed one frame of 50 ms later, by 0.1 A steps at 10.05 s.
    assert caution.weight is Weight.CAUTION
    assert caution.crossed_ns / S == pytest.approx(10.05, abs=0.06)
    assert caution.raised_ns == caution.crossed_ns + 2 * S
    assert fault.raised_ns == fault.crossed_ns + 300_000_000
    assert caution.cleared_ns is None
    assert caution.peak == pytest.approx(80, abs=0.2)
    for t in (13, 15, 25):
        known = so_far(caution, quantities.track(CURRENT), t * S)
        assert known.peak == pytest.approx(50 + t, abs=0.11)
        assert known.peak_ns <= t * S


def test_fed_in_pieces_as_a_live_bus_does_the_alarms_are_the_same(heron: Replay) -> None:
    """Each look holds the last 8 s only and counts from its own first frame."""
    limits = (*boards(FILE, heron).limits, *limits_of_plan(heron.vehicle))
    limits = tuple(x for x in limits if not x.subject.startswith("load of"))
    whole = judge(limits, Quantities(heron))
    table, origin = heron.table, heron.index.origin_ns
    watch = Watch(limits)
    before = origin
    for end in np.arange(1.0, 30.01, 0.7):
        upto = origin + round(float(end) * S)
        rows = np.flatnonzero((table.time_ns > upto - 8 * S) & (table.time_ns <= upto))
        part = Replay.of(heron.vehicle, table.take(rows), count=False)
        watch.shifted(part.index.origin_ns - before)
        before = part.index.origin_ns
        watch.feed(Quantities(part), upto - before)
    by = before - origin
    got = {(a.limit, a.raised_ns + by, a.crossed_ns + by) for a in watch.alarms}
    assert {(a.limit, a.raised_ns, a.crossed_ns) for a in whole if a.limit.subject == CURRENT} == {
        g for g in got if g[0].subject == CURRENT
    }
    assert {g[0].subject for g in got} == {a.limit.subject for a in whole}


def test_a_condition_and_its_settling_keep_a_limit_quiet(heron: Replay) -> None:
    text = FILE.replace(
        "back_by = 1", 'back_by = 1\nfor_s = 0\nwhen = "current above {}"\nsettle_s = {}'
    )
    always = judge(boards(text.format(0, 0), heron).limits, Quantities(heron))
    assert [a.crossed_ns // S for a in always] == [10, 20]
    later = judge(boards(text.format(74, 0), heron).limits, Quantities(heron))
    assert [round(a.raised_ns / S, 1) for a in later] == pytest.approx([24.05, 24.05], abs=0.1)
    settled = judge(boards(text.format(74, 3), heron).limits, Quantities(heron))
    assert [round(a.raised_ns / S, 1) for a in settled] == pytest.approx([27.05, 27.05], abs=0.1)
    assert not judge(boards(text.format(79, 3), heron).limits, Quantities(heron))
    states = FILE.replace("back_by = 1", 'when = "ContactorState is open"')
    assert not judge(boards(states, heron).limits, Quantities(heron))
    states = FILE.replace("back_by = 1", 'when = "ContactorState is CLOSED"')
    assert len(judge(boards(states, heron).limits, Quantities(heron))) == 2


def test_the_plan_s_limits_hold_and_what_is_set_aside_drives_nothing() -> None:
    vehicle = make_vehicle(((4, 4), (4,)))
    assert vehicle.pack is not None
    low = replace(vehicle.pack, limits=replace(vehicle.pack.limits, cell_low_v=3.65))
    vehicle = replace(vehicle, pack=low)
    shown = Replay.of(vehicle, make_table(vehicle, 10.0))
    judged = judged_boards(shown, None)
    red = judged.at(judged.boards.boards[0], 9 * S)
    assert red.red == ("cell 6 A2",)
    assert "spread of cells" in red.watch
    lowest = next(t for t in red.tiles if t.tile.subjects == ("lowest of cells",))
    assert lowest.weight is Weight.FAULT
    (cells,) = (t for t in red.tiles if t.tile.show == "map")
    assert cells.weight is Weight.FAULT
    aside = replace(shown, set_aside=frozenset({("cell", 5)}))
    judged = judged_boards(aside, None)
    calm = judged.at(judged.boards.boards[0], 9 * S)
    assert (calm.red, calm.watch) == ((), ())
    lowest = next(t for t in calm.tiles if t.tile.subjects == ("lowest of cells",))
    assert lowest.weight is None
    assert lowest.readings[0].held.value > 3.69


def test_without_values_is_never_in_range() -> None:
    heron = make_replay(((4, 4), (4,)), 20.0, gap_s=(10, 14), sag_v=0.0)
    judged = judged_boards(heron, boards(FILE, heron))
    at = judged.at(judged.boards.boards[0], 12 * S)
    # Of what has limits and is on no tile, too.
    assert at.without == ("8 cells", "4 sensors")
    assert at.lost == 8 + 4
    assert "all in range" not in at.word
    empty = judged.at(judged.boards.boards[0], 5 * S)
    assert empty.word == "all in range"
    unjudged = Judged(judged.boards, judged.quantities, (), judged=False)
    assert unjudged.at(judged.boards.boards[0], 5 * S).word == "limits are being judged"
    bare = Judged(replace(judged.boards, limits=()), judged.quantities, ())
    assert bare.at(judged.boards.boards[0], 5 * S).word == "no limits"
    strange = FILE.replace('signals = "cells"', 'signals = "nobody/Nothing"')
    judged = judged_boards(heron, boards(strange, heron))
    assert judged.at(judged.boards.boards[0], 5 * S).without == ("nobody/Nothing",)


def test_seen_and_put_aside_are_kept_as_entries(heron: Replay) -> None:
    judged = judged_boards(heron, boards(FILE, heron))
    board, origin = judged.boards.boards[0], heron.index.origin_ns
    figure = judged.at(board, 15 * S).tiles[0]
    assert (figure.weight, figure.fresh_alarm) == (Weight.CAUTION, True)
    entries = seen_entries(judged.alarms, 15 * S, origin, "me", None)
    seen = replace(judged, seen=seen_of(entries, origin))
    assert not seen.at(board, 15 * S).tiles[0].fresh_alarm
    # The fault that comes later is new.
    assert seen.at(board, 25 * S).tiles[0].fresh_alarm
    entries = seen_entries(judged.alarms, 15 * S, origin, "me", 5 * S)
    aside = replace(judged, seen=seen_of([*entries, {"what": "x"}, {}], origin))
    assert aside.at(board, 16 * S).watch == ()
    assert "current" in (*aside.at(board, 21 * S).watch, *aside.at(board, 21 * S).red)


def test_the_log_tells_each_change_once(heron: Replay) -> None:
    judged = judged_boards(heron, boards(FILE, heron))
    first = BoardFacts(judged, 15 * S).alarms
    later = BoardFacts(judged, 29 * S).alarms
    entries = alarm_entries(first, (), 0) + alarm_entries(later, first, 0)
    mine = [e for e in entries if e["subject"] == CURRENT]
    assert [(e["what"], e["weight"]) for e in mine] == [("raised", "caution"), ("raised", "fault")]
    assert mine[0]["peak_so_far"] == pytest.approx(65, abs=0.2)


def test_alarms_are_findings_with_their_figures(heron: Replay) -> None:
    found = alarm_findings(judge(boards(FILE, heron).limits, Quantities(heron)))
    assert [f.weight for f in found] == [Weight.CAUTION, Weight.FAULT]
    assert found[0].where.signal == "PackCurrent"
    assert "current was above 60 A and stands, at most 80.0 A" in found[0].summary


def test_facts_are_plain_values(heron: Replay) -> None:
    facts = BoardFacts(judged_boards(heron, boards(FILE, heron)), 25 * S).as_dict()
    assert facts["in_the_red"] == ["current"]
    assert facts["boards"][0]["tiles"][0]["values"][0]["value"] == pytest.approx(75, abs=0.1)
    assert [a["weight"] for a in facts["alarms"]].count("fault") == 1


def test_a_recording_tells_each_alarm_when_it_rises_and_when_it_is_over(heron: Replay) -> None:
    """What ``record --board`` does, look by look, against the list of the replay."""
    told: list[str] = []
    limits = boards(FILE, heron)
    recorded = RecordedAlarms(heron.vehicle, heron.table.networks, BoardDesk(limits), told.append)
    table, origin = heron.table, heron.index.origin_ns
    for second in range(1, 31):
        due = (table.time_ns >= origin + (second - 1) * S) & (table.time_ns < origin + second * S)
        recorded.add(table.take(np.flatnonzero(due)))
        recorded.look()
    lines = [line for line in told if "current" in line]
    whole = [a for a in judge(limits.limits, Quantities(heron)) if a.limit.subject == CURRENT]
    assert len(lines) == len(whole) + sum(a.cleared_ns is not None for a in whole)
    assert whole
    assert sum(line.strip().startswith(Weight.FAULT.mark) for line in lines) == 1


def test_the_lowest_of_cells_that_fell_silent_was_not_told_as_a_code() -> None:
    heron = make_replay(((4, 4),), 20.0, gap_s=(10, 18), sag_v=0.0)
    judged = judged_boards(heron, None)
    at = judged.at(judged.boards.boards[0], 16 * S)
    lowest = next(r for t in at.tiles for r in t.readings if r.subject == "lowest of cells")
    assert lowest.missing
    assert why_missing(lowest) == "none has a value"
