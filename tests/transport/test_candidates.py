"""Identifiers that look segmented, and those that only seem to."""

import random

import pytest
from support.transport_traffic import MS, Frame, segmented, spread, table

from busplan.demo.captures import demo_vehicle, make_capture
from busplan.frames.identifier import FrameKey
from busplan.transport.candidates import likely_segmented
from busplan.transport.messages import put_together

KEY = FrameKey("a", False, 0x7E8)


@pytest.mark.parametrize("address", [None, 0x55])
@pytest.mark.parametrize("most", [8, 64])
def test_messages_of_several_frames_are_noticed(address: int | None, most: int) -> None:
    frames = [
        f
        for size in (3, 90, 200)
        for f in segmented(0x7E8, bytes(range(size)), most=most, address=address)
    ]
    (found,) = likely_segmented(table(spread(frames), flags=0)).values()
    assert (found.key, found.addressed) == (KEY, address is not None)
    assert (found.messages, found.shortest, found.longest) == (2, 90, 200)
    assert str(found) == "ISO 15765-2: 2 messages of 90 to 200 bytes in several frames"
    assert likely_segmented(table(spread(frames), flags=0), {KEY}) == {}


def test_torn_messages_are_no_hint() -> None:
    whole = segmented(0x7E8, bytes(90))
    frames = [*whole, *whole[:2], *whole[:3], *whole[:2]]
    assert likely_segmented(table(spread(frames), flags=0)) == {}


@pytest.mark.parametrize("most", [0x10, 0x40, 0x100])
def test_payloads_that_begin_with_small_numbers_are_none(most: int) -> None:
    rng = random.Random(most)
    frames = [
        Frame(i * MS, 0x100 + i % 8, bytes([rng.randrange(most)]) + rng.randbytes(7))
        for i in range(4000)
    ]
    assert likely_segmented(table(frames, flags=0)) == {}


def test_the_demo_has_neither_sessions_nor_candidates() -> None:
    frames = make_capture("drive", duration_s=3)
    assert likely_segmented(frames) == {}
    assert put_together(frames, demo_vehicle()).parts == ()
    assert put_together(frames).parts == ()
