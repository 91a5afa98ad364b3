"""Measured cycle times."""

import numpy as np

from busplan.traffic.cycles import measured_cycle


def test_one_lost_frame_shows_as_the_longest_gap_and_moves_neither_median_nor_jitter() -> None:
    time_ns = np.delete(np.arange(0, 400) * 10_000_000, 200)
    cycle = measured_cycle(time_ns)
    assert cycle is not None
    assert (cycle.frames, cycle.median_ns, cycle.jitter_ns) == (399, 10_000_000, 0)
    assert (cycle.longest_ns, cycle.longest_at_ns) == (20_000_000, 1_990_000_000)


def test_jitter_is_the_distance_from_the_median() -> None:
    time_ns = np.cumsum([0, *[9_000_000, 11_000_000] * 200])
    cycle = measured_cycle(time_ns)
    assert cycle is not None
    assert cycle.jitter_ns == 1_000_000
    assert cycle.shortest_ns == 9_000_000


def test_one_frame_has_no_cycle() -> None:
    assert measured_cycle(np.array([5])) is None
