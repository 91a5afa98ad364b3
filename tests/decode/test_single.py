"""Single frames read in plain Python, against the slow twin of the codec, bit by bit."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.frames import frames
from support.signals import messages
from support.slow_codec import slow_present, slow_raw, slow_value

from busplan.decode.codec import decode_message
from busplan.decode.single import FrameReader
from busplan.definitions.model import Message, MuxCondition, Signal


@settings(max_examples=200)
@given(messages(), st.data())
def test_a_single_frame_gives_what_the_slow_twin_gives(message, data) -> None:
    reader = FrameReader(message)
    for payload in data.draw(st.lists(st.binary(max_size=message.length + 3), max_size=4)):
        values, raws = reader.read(payload)
        for signal, value, raw in zip(message.signals, values, raws, strict=True):
            if not slow_present(message, signal, payload):
                assert value is raw is None
                continue
            assert raw == slow_raw(signal, payload)
            expected = slow_value(signal, payload)
            if isinstance(value, float) and isinstance(expected, int):
                # Whole numbers that may leave 64 bits are told as float64.
                assert value == pytest.approx(expected, rel=1e-15)
                continue
            assert value == expected or (value != value and expected != expected), signal


@settings(max_examples=60)
@given(messages(), st.data())
def test_it_has_the_very_numbers_of_the_codec_for_many_frames(message, data) -> None:
    payload = data.draw(st.binary(max_size=message.length))
    decoded = decode_message(frames([payload]), [0], message)
    for signal, value in zip(message.signals, FrameReader(message).read(payload)[0], strict=True):
        column = decoded[signal.name]
        assert (value is not None) == column.present[0]
        if value is not None:
            many = column.values[0].item()
            assert type(value) is type(many)
            assert value == many or (value != value and many != many)


def test_selectors_that_select_each_other_do_not_hang() -> None:
    """Out of a broken file; neither is ever there."""
    message = Message(
        "M",
        1,
        False,
        1,
        (
            Signal("A", 0, 4, selects=True, condition=MuxCondition("B", ((0, 15),))),
            Signal("B", 4, 4, selects=True, condition=MuxCondition("A", ((0, 15),))),
        ),
    )
    assert FrameReader(message).read(b"\x00")[0] == [None, None]
