"""The last minutes of a live bus."""

import numpy as np

from busplan.frames.table import FrameTable, concatenate
from busplan.live.rolling import Rolling

SECOND = 10**9


def frames(first_s: float, count: int, step_s: float = 0.1) -> FrameTable:
    time_ns = 10**18 + ((first_s + np.arange(count) * step_s) * SECOND).astype(np.int64)
    return FrameTable.from_columns(
        ["pack"],
        time_ns,
        np.zeros(count),
        np.full(count, 0x123),
        np.zeros(count),
        np.ones(count),
        np.arange(count) % 256,
    )


class Clock:
    ns = 0

    def __call__(self) -> int:
        return self.ns


def test_nothing_is_there_before_the_first_frame() -> None:
    rolling = Rolling(("pack",), keep_ns=SECOND)
    rolling.add(FrameTable.empty(["pack"]))
    assert rolling.recent() is None


def test_a_bus_that_falls_silent_grows_older() -> None:
    clock = Clock()
    rolling = Rolling(("pack",), keep_ns=60 * SECOND, now=clock)
    rolling.add(frames(0, 11))
    recent = rolling.recent()
    assert recent is not None
    assert (len(recent.table), recent.until_ns) == (11, SECOND)
    clock.ns = 3 * SECOND
    rolling.add(FrameTable.empty(["pack"]))
    recent = rolling.recent()
    assert recent is not None
    assert (len(recent.table), recent.until_ns) == (11, 4 * SECOND)


def test_old_frames_go_in_large_steps_and_the_step_is_told() -> None:
    rolling = Rolling(("pack",), keep_ns=10 * SECOND)
    for second in range(20):
        rolling.add(frames(second, 10))
    recent = rolling.recent()
    assert recent is not None
    assert (len(recent.table), recent.forgotten_ns) == (200, 0)
    for second in range(20, 45):
        rolling.add(frames(second, 10))
    recent = rolling.recent()
    assert recent is not None
    kept_s = recent.table.span_ns / SECOND
    assert 10 <= kept_s <= 20.1
    assert recent.forgotten_ns == recent.table.origin_ns - 10**18
    assert recent.table.bytes_of(3) == bytes([3])
    again = rolling.recent()
    assert again is not None
    assert again.forgotten_ns == 0


def test_a_flood_is_held_within_the_frame_limit() -> None:
    rolling = Rolling(("pack",), keep_ns=3600 * SECOND, keep_frames=100)
    for second in range(100):
        rolling.add(frames(second, 10))
    recent = rolling.recent()
    assert recent is not None
    assert 100 <= len(recent.table) <= 210


def test_looking_again_and_again_keeps_nothing_from_being_forgotten() -> None:
    rolling = Rolling(("pack",), keep_ns=10 * SECOND, keep_frames=1000)
    spans_s = []
    for second in range(100):
        rolling.add(frames(second, 10))
        recent = rolling.recent()
        assert recent is not None
        spans_s.append(recent.table.span_ns / SECOND)
    assert all(10 <= span <= 20.1 for span in spans_s[20:])


def test_a_clock_set_back_or_on_starts_a_new_present() -> None:
    for jump_s in (-3600, 3600):
        rolling = Rolling(("pack",), keep_ns=10 * SECOND)
        for second in (0, 1, jump_s, jump_s + 1):
            rolling.add(frames(second, 10))
            recent = rolling.recent()
        assert recent is not None
        assert recent.table.span_ns < 3 * SECOND
        assert len(recent.table) == 20


def test_put_together_tables_keep_their_payloads() -> None:
    one, two = frames(0, 5), frames(10, 5).take([4, 3, 0])
    both = concatenate([one, two])
    assert [both.bytes_of(i)[0] for i in range(8)] == [0, 1, 2, 3, 4, 4, 3, 0]


def test_what_is_overdue_is_known_without_a_look_at_all_frames() -> None:
    clock = Clock()
    rolling = Rolling(("pack",), keep_ns=60 * SECOND, now=clock)
    rolling.add(frames(0, 11))
    (key,) = rolling.heard().last_ns
    allowed = {key: 0.25 * SECOND, key._replace(identifier=0x124): 0.25 * SECOND}
    assert rolling.heard().overdue(allowed) == frozenset()
    clock.ns = round(0.3 * SECOND)
    rolling.add(FrameTable.empty(["pack"]))
    recent = rolling.recent()
    assert recent is not None
    assert rolling.heard().overdue(allowed) == recent.heard.overdue(allowed) == {key}
    rolling.add(frames(1.3, 1))
    assert rolling.heard().overdue(allowed) == frozenset()
    assert recent.heard.overdue(allowed) == {key}
