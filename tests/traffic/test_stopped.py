"""A stretch in which several nodes are silent and nobody else sends is no fault of a node.

Common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.van import make_table, make_vehicle

from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.traffic.stopped import common_pauses, longest_unpaused, shared

S = 1_000_000_000


@pytest.fixture(scope="module")
def vehicle() -> Vehicle:
    return make_vehicle(((4, 4), (4,)))


@pytest.fixture(scope="module")
def table(vehicle: Vehicle) -> FrameTable:
    return make_table(vehicle, 20.0)


def moved(table: FrameTable, *steps: tuple[float, float]) -> FrameTable:
    """The recording with its clock set forward by so much [s] at these moments [s]."""
    time = table.time_ns.copy()
    for at_s, by_s in steps:
        time[table.time_ns >= table.time_ns[0] + round(at_s * S)] += round(by_s * S)
    return replace(table, time_ns=time, index=None, bounds=None)


def without(table: FrameTable, start_s: float, stop_s: float, *, but: str = "") -> FrameTable:
    """Without what came in a stretch; ``but``: a network that goes on."""
    seconds = (table.time_ns - table.time_ns[0]) / 1e9
    kept = (seconds < start_s) | (seconds >= stop_s)
    if but:
        kept |= table.network == table.networks.index(but)
    return table.take(kept)


def test_a_stretch_without_anybody_is_one(table: FrameTable, vehicle: Vehicle) -> None:
    (pause,) = common_pauses(without(table, 6.0, 13.0), vehicle.streams)
    begin, end = (pause - table.origin_ns) / 1e9
    assert (begin, end) == (pytest.approx(6.0, abs=0.1), pytest.approx(13.0, abs=0.1))
    assert not len(common_pauses(table, vehicle.streams))


def test_while_anybody_sends_it_is_none(table: FrameTable, vehicle: Vehicle) -> None:
    assert not len(common_pauses(without(table, 6.0, 13.0, but="thermal"), vehicle.streams))


def test_several_nodes_must_have_been_due(table: FrameTable, vehicle: Vehicle) -> None:
    of_pump = table.take(table.network == table.networks.index("thermal"))
    assert not len(common_pauses(without(of_pump, 6.0, 13.0), vehicle.streams))
    monitor = table.network == table.networks.index("pack")
    first = np.flatnonzero(monitor)[0]
    of_one = table.identifier == table.identifier[first]
    two = table.take((table.network == table.networks.index("thermal")) | (monitor & of_one))
    assert len(common_pauses(without(two, 6.0, 13.0), vehicle.streams)) == 1, "two are enough"


@pytest.mark.parametrize("by_s", [0.3, 0.7, 3.0, 3600.0])
def test_a_clock_set_forward_is_one_of_its_length(
    by_s: float, table: FrameTable, vehicle: Vehicle
) -> None:
    (pause,) = common_pauses(moved(table, (8.0, by_s)), vehicle.streams)
    assert int(pause[1] - pause[0]) / S == pytest.approx(by_s, abs=0.06)
    assert not len(common_pauses(moved(table, (8.0, 0.05)), vehicle.streams)), (
        "nobody is late by that"
    )


def test_short_ones_leave_the_whole_and_long_ones_the_longest_part(
    table: FrameTable, vehicle: Vehicle
) -> None:
    short = longest_unpaused(moved(table, (8.0, 0.19)), vehicle, little=0.02)
    assert short is not None
    assert (short.parts, len(short.part)) == (1, len(table))
    assert "judged" not in short.told
    some = moved(table, (3.0, 2.0), (12.0, 900.0))
    found = longest_unpaused(some, vehicle)
    assert found is not None
    assert (found.number, found.parts) == (2, 3)
    assert found.length_s == pytest.approx(9.0, abs=0.1)
    assert found.left_out_s == pytest.approx(11.0, abs=0.2)
    assert "nothing came of anybody 2 times, for 900 s at most, from 14 s on" in found.told
    assert "of part 2 of 3, from whose first frame times count here; 10.9 s were not" in found.told
    assert found.part.span_ns / S == pytest.approx(9.0, abs=0.1)
    assert longest_unpaused(table, vehicle) is None


def test_frames_in_the_order_of_two_adapters_are_none(table: FrameTable, vehicle: Vehicle) -> None:
    order = np.argsort(table.network, kind="stable")
    assert not len(common_pauses(table.take(order), vehicle.streams))


def test_what_pauses_take_of_stretches() -> None:
    pauses = np.array([[2.0, 3.0], [5.0, 7.0]])
    begin, end = np.array([0.0, 2.5, 3.0, 6.0]), np.array([8.0, 5.5, 5.0, 9.0])
    assert shared(pauses, begin, end).tolist() == [3.0, 1.0, 0.0, 1.0]
    assert shared(pauses[:0], begin, end).tolist() == [0.0] * 4
