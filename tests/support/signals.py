"""Hypothesis strategies for signals and messages of every kind."""

from dataclasses import replace

from hypothesis import strategies as st

from busplan.definitions.model import Message, MuxCondition, Signal

SCALES = st.sampled_from([1, 2, -3, 1.0, 0.5, 0.1, -0.25, 0.001, 4.0])
OFFSETS = st.sampled_from([0, 0.0, -40, 0.5, 100, -1000.0])


@st.composite
def signals(draw, name: str = "S", length: int = 8) -> Signal:
    """A signal that fits a payload of ``length`` bytes."""
    is_float = draw(st.integers(0, 9)) == 0
    widths = [w for w in (16, 32, 64) if w <= 8 * length]
    bits = draw(
        st.sampled_from(widths) if is_float and widths else st.integers(1, min(64, 8 * length))
    )
    big = draw(st.booleans())
    position = draw(st.integers(0, 8 * length - bits))
    # A big-endian signal starts at its most significant bit, counted from the top of each byte.
    start = position // 8 * 8 + 7 - position % 8 if big else position
    return Signal(
        name,
        start,
        bits,
        big_endian=big,
        signed=draw(st.booleans()),
        is_float=is_float and bool(widths),
        scale=draw(SCALES),
        offset=draw(OFFSETS),
    )


@st.composite
def messages(draw, lengths=(1, 2, 3, 7, 8, 8, 8, 12, 64)) -> Message:
    """A message of unrelated (perhaps overlapping) signals, some behind selectors of two levels."""
    length = draw(st.sampled_from(lengths))
    count = draw(st.integers(1, 6))
    found = [draw(signals(f"S{i}", length)) for i in range(count)]
    selector = Signal("Page", 0, 4, selects=True)
    inner = Signal("Sub", 4, 3, selects=True, condition=MuxCondition("Page", ((1, 1), (3, 9))))
    conditions = [
        None,
        MuxCondition("Page", ((2, 2),)),
        MuxCondition("Page", ((4, 12),)),
        MuxCondition("Sub", ((0, 2), (5, 5))),
    ]
    found = [replace(s, condition=draw(st.sampled_from(conditions))) for s in found]
    return Message("M", 1, False, length, (selector, inner, *found), fd=length > 8)
