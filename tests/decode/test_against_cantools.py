"""Every signal of real definition files: same values as cantools, in both directions."""

import math
import random

import numpy as np
from cantools import database
from hypothesis import given, settings
from hypothesis import strategies as st
from support.demo_files import demo_dbc_files
from support.frames import frames

from busplan.decode.codec import decode_message
from busplan.decode.encode import encode_message
from busplan.decode.layout import is_integral
from busplan.definitions.dbc import load_dbc
from busplan.definitions.model import Message, Signal, raw_range
from busplan.definitions.oddities import odd_messages
from busplan.errors import PlanError

PAYLOADS = 40


def reference_messages(path, encoding):
    """cantools' messages, without those it cannot load; files it refuses give none."""
    text = path.read_text(encoding)
    try:
        return database.load_string(text, "dbc", strict=False).messages
    except Exception:
        return []


def same(fast, slow) -> bool:
    if isinstance(slow, float) and math.isnan(slow):
        return math.isnan(fast)
    if isinstance(slow, int) and not -(1 << 63) <= slow < 1 << 64:
        return fast == float(slow)
    return type(fast) is type(slow) and fast == slow


def compare(message: Message, reference, payloads) -> int:
    """Compare all values of all payloads; the number of values compared."""
    decoded = decode_message(frames(payloads), np.arange(len(payloads)), message)
    count = 0
    for i, payload in enumerate(payloads):
        try:
            expected = reference.decode(payload, decode_choices=False, scaling=True)
        except Exception:
            # A multiplexer value without signals: cantools gives up the whole frame, we count it.
            assert decoded.unknown_multiplexer
            continue
        got = {n: s.values[i].item() for n, s in decoded.signals.items() if s.present[i]}
        assert got.keys() == expected.keys(), message
        for name, value in expected.items():
            assert same(got[name], value), (message.name, name, got[name], value)
            count += 1
        texts = reference.decode(payload)
        for name, text in texts.items():
            if not isinstance(text, int | float):
                assert decoded[name].texts()[i] == str(text)
    return count


def compare_file(path) -> int:
    try:
        ours = load_dbc(path)
    except PlanError:
        return 0
    rng = random.Random(path.name)
    total = 0
    theirs = reference_messages(path, ours.encoding)
    for message, reference in zip(ours.messages, theirs, strict=False):
        if odd_messages([message]) or not message.signals:
            continue  # cantools cannot decode signals that overlap or lie outside
        payloads = [rng.randbytes(message.length) for _ in range(PAYLOADS)]
        for selector in (s for s in message.signals if s.selects):
            # Random bits seldom choose a page: write the pages that exist.
            pages = [
                low
                for s in message.signals
                if s.condition and s.condition.selector == selector.name
                for low, _ in s.condition.ranges
            ]
            payloads = [write(selector, p, rng.choice(pages)) for p in payloads if pages]
        total += compare(message, reference, payloads)
    return total


def write(signal: Signal, payload: bytes, raw: int) -> bytes:
    data = bytearray(payload)
    for position, bit in enumerate(signal.bits()):
        data[bit // 8] &= ~(1 << bit % 8)
        data[bit // 8] |= (raw >> position & 1) << bit % 8
    return bytes(data)


def test_every_signal_of_every_demo_definition() -> None:
    for path in demo_dbc_files():
        assert compare_file(path) > 0, path


def test_every_file_of_cantools_own_tests(cantools_dbc_files) -> None:
    compared = {path.name: compare_file(path) for path in cantools_dbc_files}
    assert sum(1 for count in compared.values() if count) > 60
    assert sum(compared.values()) > 30_000


DEMO = [(m, p) for p in demo_dbc_files() for m in load_dbc(p).messages]
REFERENCE = {
    (p, m.name): m for p in demo_dbc_files() for m in database.load_file(p, strict=False).messages
}


@st.composite
def filled(draw):
    """A demo message and physical values that it can carry, one frame."""
    message, path = draw(st.sampled_from(DEMO))
    values = {}
    pages = {}
    for signal in message.signals:
        if signal.condition:
            pages.setdefault(signal.condition.selector, []).append(signal.condition.ranges[0][0])
    for signal in message.signals:
        low, high = raw_range(signal)
        raw = draw(
            st.sampled_from(pages[signal.name]) if signal.selects else st.integers(low, high)
        )
        if signal.is_float:
            raw = np.dtype(f"f{signal.length // 8}").type(raw).item()
        values[signal.name] = raw * signal.scale + signal.offset
    return message, REFERENCE[path, message.name], values


@settings(max_examples=150)
@given(filled())
def test_what_cantools_encodes_we_decode_and_the_other_way_round(case) -> None:
    message, reference, values = case
    payload = reference.encode(values, strict=False)
    decoded = decode_message(frames([payload]), [0], message)
    ours = encode_message(message, {n: np.array([v]) for n, v in values.items()}, 1)[0].tobytes()
    back = reference.decode(ours, decode_choices=False)
    for name, signal in decoded.signals.items():
        assert signal.present[0] == (name in back)
        if signal.present[0]:
            exact = is_integral(signal.signal.scale) and is_integral(signal.signal.offset)
            tolerance = 0 if exact else 1e-9
            assert math.isclose(signal.values[0], values[name], rel_tol=1e-12, abs_tol=tolerance)
            assert back[name] == signal.values[0].item()
