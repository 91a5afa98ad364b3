"""The fast codec against its slow twin, bit by bit, on messages of every kind."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.frames import frames
from support.signals import messages
from support.slow_codec import slow_present, slow_raw, slow_value

from busplan.decode.codec import decode_message
from busplan.decode.encode import encode_message
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.errors import UsageError
from busplan.frames.kinds import REMOTE


def equal(fast, slow) -> bool:
    """Same type and same value; integers beyond 64 bits may only be as close as a float64."""
    if isinstance(slow, int) and not isinstance(fast, int):
        return fast == float(slow) or math.isclose(fast, slow, rel_tol=1e-15)
    if isinstance(slow, float) and math.isnan(slow):
        return isinstance(fast, float) and math.isnan(fast)
    return type(fast) is type(slow) and fast == slow


@settings(max_examples=150)
@given(messages(), st.data())
def test_every_signal_equals_the_slow_twin(message, data) -> None:
    payloads = data.draw(st.lists(st.binary(max_size=message.length + 3), min_size=1, max_size=12))
    table = frames(payloads)
    decoded = decode_message(table, np.arange(len(payloads)), message)
    for signal in message.signals:
        got = decoded[signal.name]
        for i, payload in enumerate(payloads):
            assert got.present[i] == slow_present(message, signal, payload)
            if got.present[i]:
                assert equal(got.values[i].item(), slow_value(signal, payload)), signal
                expected = slow_raw(signal, payload)
                bits = expected % (1 << 64) if got.raw.dtype == np.uint64 else expected
                assert got.raw[i] == bits
            elif got.values.dtype == np.float64:
                assert np.isnan(got.values[i])
            else:
                assert got.values[i] == 0
    lengths = [len(p) for p in payloads]
    assert decoded.short == sum(n < message.length for n in lengths)
    assert decoded.long == sum(n > message.length for n in lengths)


@settings(max_examples=60)
@given(messages(lengths=(8, 64)), st.data())
def test_unknown_multiplexer_values_are_counted(message, data) -> None:
    payloads = data.draw(
        st.lists(st.binary(min_size=message.length, max_size=message.length), max_size=12)
    )
    decoded = decode_message(frames(payloads), np.arange(len(payloads)), message)
    expected = 0
    for payload in payloads:
        unknown = False
        for selector in ("Page", "Sub"):
            own = [s for s in message.signals if s.condition and s.condition.selector == selector]
            if own and slow_present(message, message.signal(selector), payload):
                raw = slow_raw(message.signal(selector), payload)
                unknown |= not any(s.condition.admits(raw) for s in own)
        expected += unknown
    assert decoded.unknown_multiplexer == expected


@settings(max_examples=100)
@given(messages(), st.data())
def test_encoding_then_decoding_gives_the_same_bits(message, data) -> None:
    # One signal at a time (the strategy's signals overlap), with the selectors it needs.
    signal = data.draw(st.sampled_from(message.signals[2:]))
    alone = Message("A", 1, False, message.length, (signal,)) if not signal.condition else None
    if alone is None or signal.is_float:
        return
    low, high = (
        (-(1 << signal.length - 1), (1 << signal.length - 1) - 1)
        if signal.signed
        else (
            0,
            (1 << signal.length) - 1,
        )
    )
    raw = data.draw(st.lists(st.integers(low, high), min_size=1, max_size=8))
    if signal.length > 40:  # beyond this the physical value itself may not be told apart
        raw = [r >> (signal.length - 40) for r in raw]
    physical = [r * signal.scale + signal.offset for r in raw]
    payload = encode_message(alone, {signal.name: physical}, len(raw))
    assert [slow_raw(signal, p.tobytes()) for p in payload] == raw


def test_blocks_and_rows_in_any_order() -> None:
    message = Message("M", 1, False, 8, (Signal("S", 8, 32),))
    values = np.arange(10_000)
    table = frames([v.tobytes() for v in encode_message(message, {"S": values}, len(values))])
    rows = np.random.default_rng(3).permutation(len(values))
    decoded = decode_message(table, rows, message)
    assert np.array_equal(decoded["S"].values, values[rows])
    assert np.array_equal(decoded.time_ns, table.time_ns[rows])


def test_a_memory_map_decodes_like_an_array(tmp_path) -> None:
    message = Message("M", 1, False, 8, (Signal("S", 7, 64, big_endian=True),))
    table = frames([bytes(range(8))] * 3)
    path = tmp_path / "payload"
    path.write_bytes(table.payload.tobytes())
    mapped = table.take(slice(None))
    object.__setattr__(mapped, "payload", np.memmap(path, np.uint8, "r"))
    assert decode_message(mapped, [0, 2], message)["S"].values.tolist() == [0x0001020304050607] * 2


def test_integers_stay_integers_as_long_as_they_fit() -> None:
    signals = (
        Signal("Unsigned64", 0, 64),
        Signal("Offset", 0, 64, offset=-1),
        Signal("Scaled", 0, 63, scale=2),
        Signal("Signed", 0, 64, signed=True),
        Signal("Whole", 0, 16, scale=4.0, offset=-2.0),
        Signal("Broken", 0, 16, scale=4.0, offset=-2.5),
    )
    decoded = decode_message(frames([b"\xff" * 8]), [0], Message("M", 1, False, 8, signals))
    assert decoded["Unsigned64"].values[0] == np.uint64(0xFFFF_FFFF_FFFF_FFFF)
    assert decoded["Offset"].values.dtype == np.float64
    assert decoded["Scaled"].values[0] == np.uint64(0xFFFF_FFFF_FFFF_FFFE)
    assert decoded["Signed"].values[0] == -1
    assert decoded["Whole"].values.tolist() == [65535 * 4 - 2]
    assert decoded["Broken"].values.tolist() == [65535 * 4 - 2.5]


def test_chosen_signals_only() -> None:
    message = Message("M", 1, False, 1, (Signal("One", 0, 4), Signal("Two", 4, 4)))
    decoded = decode_message(frames([b"\x21"]), [0], message, ["Two"])
    assert list(decoded.signals) == ["Two"]
    assert decoded["Two"].values[0] == 2
    with pytest.raises(KeyError):
        decode_message(frames([b"\x21"]), [0], message, ["Three"])


def test_remote_frames_carry_nothing_and_are_not_short() -> None:
    message = Message("M", 1, False, 2, (Signal("S", 0, 8),))
    decoded = decode_message(frames([b"\x01\x02"], REMOTE), [0], message)
    assert (decoded.remote, decoded.short, decoded["S"].present[0]) == (1, 0, False)


def test_no_frames() -> None:
    message = Message("M", 1, False, 2, (Signal("S", 0, 8),))
    decoded = decode_message(frames([]), [], message)
    assert (len(decoded), decoded.short, decoded["S"].values.size) == (0, 0, 0)


def test_out_of_range_is_flagged_and_not_changed() -> None:
    signal = Signal("S", 0, 8, scale=0.5, minimum=0, maximum=100, choices={250: "none", 3: "three"})
    table = frames([b"\x03", b"\xfa", b"\xc8", b""])
    decoded = decode_message(table, np.arange(4), Message("M", 1, False, 1, (signal,)))
    assert decoded["S"].values[:3].tolist() == [1.5, 125.0, 100.0]
    assert decoded["S"].out_of_range.tolist() == [False, True, False, False]
    assert decoded["S"].texts().tolist() == ["three", "none", "", ""]


def test_a_value_table_of_a_float_signal() -> None:
    signal = Signal("S", 0, 32, is_float=True, choices={2: "two"})
    table = frames([np.float32(x).tobytes() for x in (2.7, 3)])
    decoded = decode_message(table, [0, 1], Message("M", 1, False, 4, (signal,)))
    # As cantools: the whole part of the number is looked up.
    assert decoded["S"].texts().tolist() == ["two", ""]


def test_values_that_do_not_fit_are_refused() -> None:
    message = Message("M", 1, False, 1, (Signal("S", 0, 4, scale=0.5),))
    with pytest.raises(UsageError, match=r"S: 8 does not fit its 4 bits, which hold 0 to 7\.5"):
        encode_message(message, {"S": [1, 8]}, 2)
    with pytest.raises(UsageError, match="M has no signal Wrong"):
        encode_message(message, {"Wrong": 1}, 1)


def test_encoding_writes_a_page_only_where_it_is_chosen() -> None:
    signals = (
        Signal("Page", 0, 8, selects=True),
        Signal("One", 8, 8, condition=MuxCondition("Page", ((1, 1),))),
        Signal("Two", 8, 8, condition=MuxCondition("Page", ((2, 5),))),
    )
    message = Message("M", 1, False, 2, signals)
    payload = encode_message(message, {"Page": [1, 4, 9], "One": 7, "Two": [1, 2, 3]}, 3)
    assert payload.tolist() == [[1, 7], [4, 2], [9, 0]]
