"""Counters and checksums in payloads."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplan.decode.protection import (
    KINDS,
    SAE_J1850,
    ChecksumKind,
    check_counter,
    checksum,
    counter_modulus,
    expected_checksums,
    find_checksum,
    find_counters,
    looks_like_counter,
    two_counters,
)

DIGITS = np.frombuffer(b"123456789", np.uint8)[None, :]

# Check values of "123456789" in the parametric CRC model, computed with crccheck 1.3.1.
PUBLISHED = {
    (0x1D, 0xFF, False, 0xFF): 0x4B,
    (0x2F, 0xFF, False, 0xFF): 0xDF,
    (0x07, 0x00, False, 0x00): 0xF4,
    (0x31, 0x00, True, 0x00): 0xA1,
    (0x9B, 0xFF, False, 0x00): 0xDA,
    (0xD5, 0x00, False, 0x00): 0xBC,
    (0x39, 0x00, True, 0x00): 0x15,
}


@pytest.mark.parametrize(("parameters", "expected"), PUBLISHED.items())
def test_crc_check_values(parameters: tuple[int, int, bool, int], expected: int) -> None:
    poly, init, reflected, xor_out = parameters
    kind = ChecksumKind("", "crc", poly, init, reflected, xor_out)
    assert checksum(DIGITS, kind).tolist() == [expected]


def test_sum_and_exclusive_or_by_hand() -> None:
    data = np.array([[0x80, 0x90, 0x01]], np.uint8)
    by_name = {k.name: int(checksum(data, k)[0]) for k in KINDS}
    assert by_name["sum"] == 0x11
    assert by_name["inverted sum"] == 0xEE
    assert by_name["exclusive or"] == 0x11


def protected(kind: ChecksumKind, position: int, prefix: bytes, n: int = 60) -> np.ndarray:
    """Payloads whose byte at ``position`` is a checksum over ``prefix`` and the other bytes."""
    data = np.random.default_rng(5).integers(0, 256, (n, 7), dtype=np.uint8)
    head = np.tile(np.frombuffer(prefix, np.uint8), (n, 1))
    value = checksum(np.hstack([head, data]).astype(np.uint8), kind)
    return np.insert(data, position, value, axis=1)


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
@pytest.mark.parametrize("position", [0, 3, 7])
@pytest.mark.parametrize("prefix", [b"", b"\x12\x34"])
def test_every_kind_is_found_even_over_a_hidden_identifier(
    kind: ChecksumKind, position: int, prefix: bytes
) -> None:
    payloads = protected(kind, position, prefix)
    found = find_checksum(payloads)
    assert found is not None
    assert found.share == 1.0
    if kind.name not in ("exclusive or", "inverted sum"):  # any byte is theirs: a symmetric sum
        assert found.position == position
    assert (expected_checksums(payloads, found) == payloads[:, found.position]).all()
    if kind.method == "crc":
        assert (found.kind.poly, found.kind.reflected) == (kind.poly, kind.reflected)


def test_a_broken_checksum_is_told() -> None:
    payloads = protected(SAE_J1850, 7, b"")
    payloads[11, 7] ^= 1
    found = find_checksum(payloads)
    assert found is not None
    assert np.flatnonzero(expected_checksums(payloads, found) != payloads[:, 7]).tolist() == [11]


def test_random_bytes_and_constant_bytes_have_no_checksum() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (400, 8), dtype=np.uint8)
    assert find_checksum(noise) is None
    assert find_checksum(np.zeros((400, 8), np.uint8)) is None


@given(
    start=st.integers(0, 15),
    n=st.integers(40, 90),
    gap=st.integers(5, 30),
    lost=st.integers(1, 14),
)
def test_a_counter_that_skips_is_told_with_its_row(start: int, n: int, gap: int, lost: int) -> None:
    raw = (start + np.arange(n)) % 16
    raw[gap:] = (raw[gap:] + lost) % 16
    verdict = check_counter(raw, 16)
    assert verdict.step == 1
    where = verdict.repeats if lost == 15 else verdict.skips
    assert where.tolist() == [gap]


def test_counter_fields_are_found_in_either_half_of_a_byte() -> None:
    n = np.arange(400)
    payloads = np.zeros((400, 4), np.uint8)
    payloads[:, 1] = n % 256
    payloads[:, 2] = (n % 16) << 4 | 5
    payloads[:, 3] = np.random.default_rng(2).integers(0, 256, 400)
    assert find_counters(payloads) == ((8, 8), (20, 4))


@pytest.mark.parametrize(("broken", "found"), [(10, True), (11, False)])
def test_nine_of_ten_frames_must_agree(broken: int, found: bool) -> None:
    payloads = protected(SAE_J1850, 7, b"", n=100)
    payloads[:broken, 7] ^= np.arange(1, broken + 1, dtype=np.uint8)
    assert (find_checksum(payloads, positions=(7,)) is not None) is found


@pytest.mark.parametrize(("values", "is_one"), [(16, True), (15, True), (14, False)])
def test_a_counter_uses_all_its_values_but_the_top_one(values: int, is_one: bool) -> None:
    assert looks_like_counter(np.arange(200) % values, 16) is is_one


@pytest.mark.parametrize(
    ("step", "values", "modulus"), [(1, 16, 16), (1, 13, 13), (2, 8, 16), (3, 5, 15)]
)
def test_where_a_counter_starts_again_by_its_step(step: int, values: int, modulus: int) -> None:
    raw = step * (np.arange(200) % values)
    assert counter_modulus(raw, 4) == modulus
    assert len(check_counter(raw, modulus).skips) == 0


@pytest.mark.parametrize(("second", "two"), [(60, True), (50, True), (49, False), (17, False)])
def test_each_of_two_counters_has_an_eighth_of_the_frames(second: int, two: bool) -> None:
    n = 400
    rows = np.linspace(3, n - 1, second).astype(int)
    raw = np.empty(n, np.int64)
    other = np.zeros(n, bool)
    other[rows] = True
    raw[other] = 128 + np.arange(second)
    raw[~other] = np.arange(n - second) % 256
    assert two_counters(raw, 256) is two
