"""Latest values going on from one moment to the next, against starting anew at each."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from support.frames import frames

from busplan.decode.codec import decode_message
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.frames.identifier import FrameKey
from busplan.plan.vehicle import Stream
from busplan.replay.index import FrameIndex
from busplan.replay.lines import Line
from busplan.replay.values import LOOK_BACK, LatestValues
from busplan.transport.messages import Messages

PAGES = Message(
    "Pages",
    1,
    False,
    3,
    (
        Signal("Page", 0, 2, selects=True),
        *(
            Signal(f"V{n}", 8, 8, scale=0.5, condition=MuxCondition("Page", ((n, n),)))
            for n in range(3)
        ),
        Signal("Tail", 16, 8),
    ),
)


def line_and_index(payloads: list[bytes]) -> tuple[Line, FrameIndex]:
    """All frames of one message, one a millisecond."""
    index = FrameIndex.of(Messages(frames(payloads)))
    key = index.keys[0]
    stream = Stream(key.network, "pump", PAGES, None, None)
    return Line(FrameKey(*key), (stream,), 0), index


def plain(payloads: list[bytes], index: FrameIndex, position: int) -> list[tuple[object, int]]:
    """Values and their times from decoding the whole look-back at once."""
    rows = index.rows[max(0, position + 1 - LOOK_BACK) : position + 1]
    decoded = decode_message(*index.messages.pick(rows), PAGES)
    found: list[tuple[object, int]] = []
    for signal in PAGES.signals:
        column = decoded[signal.name]
        came = np.flatnonzero(column.present)
        if len(came):
            time_ns = int(index.messages.times(rows)[came[-1]]) - index.origin_ns
            found.append((column.values[came[-1]].item(), time_ns))
        else:
            found.append((None, -1))
    return found


@settings(max_examples=40)
@given(st.data())
def test_going_on_gives_what_starting_anew_gives(data) -> None:
    seed = data.draw(st.integers(0, 1 << 30))
    rng = np.random.default_rng(seed)
    # Pages come rarely, so that values must be fetched from far back; some frames are short.
    pages = rng.choice(
        4, 6000, p=data.draw(st.sampled_from([[0.25] * 4, [0.0005, 0, 0.001, 0.9985]]))
    )
    payloads = [
        bytes([page, value, 7])[: 3 if rng.random() > 0.02 else 1]
        for page, value in zip(pages.tolist(), rng.integers(0, 256, 6000).tolist(), strict=True)
    ]
    line, index = line_and_index(payloads)
    going_on = LatestValues(index)
    jumps = st.sampled_from([1, 1, 2, 10, 70, 700, 4500, -3, -900])
    position = data.draw(st.integers(0, 5999))
    for jump in data.draw(st.lists(jumps, min_size=1, max_size=8)):
        position = min(max(position + jump, 0), 5999)
        expected = plain(payloads, index, position)
        got = going_on.at(line, position)
        assert [(v.number, v.time_ns) for v in got] == expected
        assert LatestValues(index).at(line, position) == got


def test_nothing_has_come_yet_or_nobody_knows_it() -> None:
    line, index = line_and_index([b"\x00\x01\x02"])
    assert LatestValues(index).at(line, -1) == ()
    assert LatestValues(index).at(Line(line.key, (), 0), 0) == ()
