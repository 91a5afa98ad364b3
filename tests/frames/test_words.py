"""Words of eight digits against Python's own ``int``."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busplan.frames.words import (
    all_decimal,
    decimal,
    hexadecimal,
    hexadecimal_value,
    load_word,
    not_hexadecimal,
    store_word,
)
from busplan.kernels import kernel

HEX = b"0123456789abcdefABCDEF"


@kernel
def _read(text, at):  # type: ignore[no-untyped-def]
    word = load_word(text, at)
    return (
        all_decimal(word),
        decimal(word),
        not_hexadecimal(word),
        hexadecimal(word),
        hexadecimal_value(word),
    )


@kernel
def _copy(source, at, target, to):  # type: ignore[no-untyped-def]
    store_word(target, to, load_word(source, at))


any_eight = st.binary(min_size=8, max_size=8)
near_digits = st.lists(st.sampled_from(HEX + b"/:@G`g"), min_size=8, max_size=8).map(bytes)


@given(any_eight | near_digits, st.integers(0, 7))
def test_digits_are_told_from_other_bytes(digits: bytes, at: int) -> None:
    text = np.frombuffer(bytes(at) + digits + bytes(8), np.uint8)
    is_decimal, number, bad, packed, value = _read(text, at)
    assert bool(is_decimal) == all(b in b"0123456789" for b in digits)
    if is_decimal:
        assert number == int(digits)
    expected = sum(0x80 << 8 * i for i, b in enumerate(digits) if b not in HEX)
    assert int(bad) == expected
    if not expected:
        assert int(packed).to_bytes(4, "little") == bytes.fromhex(digits.decode())
        assert value == int(digits, 16)


@given(any_eight, st.integers(0, 7), st.integers(0, 7))
def test_words_are_stored_anywhere(digits: bytes, at: int, to: int) -> None:
    source = np.frombuffer(bytes(at) + digits + bytes(8), np.uint8)
    target = np.zeros(16, np.uint8)
    _copy(source, at, target, to)
    assert target.tobytes() == bytes(to) + digits + bytes(8 - to)
