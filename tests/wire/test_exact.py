"""The fast bit counter against published lengths, the readable reference and a bulk twin."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.bulk_bits import bulk_bits
from support.random_frames import random_frames
from support.reference import reference_values
from support.wire_reference import reference_bits

from busplan.frames.kinds import BRS, ERROR, EXTENDED, FD
from busplan.frames.table import FrameTable
from busplan.wire.exact import exact_bits
from busplan.wire.lengths import ERROR_BITS_NOMINAL, dlc_of, nominal_table_bits, worst_table_bits


def one(identifier, flags, data):
    return FrameTable.from_columns(["a"], [0], [0], [identifier], [flags], [len(data)], list(data))


@pytest.mark.parametrize(
    "row",
    [r for r in reference_values()["classic_frames"] if "dlc" not in r]
    + [r | {"fd": True} for r in reference_values()["canfd_iso_frames"]],
    ids=lambda row: f"{row['id']}-{row['data'][:16]}",
)
def test_published_and_measured_lengths(row):
    # Sources: see test_bits and the document's ``about``. One measured frame has a raw DLC of 13,
    # which a frame table does not record; test_bits has it.
    flags = EXTENDED * row["ext"] | ((FD | BRS * row["brs"]) if "fd" in row else 0)
    arbitration, data = exact_bits(one(int(row["id"], 16), flags, bytes.fromhex(row["data"])))
    assert arbitration[0] + data[0] == row["length"]


def test_counter_equals_reference():
    table = random_frames(8_000, seed=1)
    arbitration, data = exact_bits(table)
    counted = list(zip(arbitration.tolist(), data.tolist(), strict=True))
    assert counted == reference_bits(table)


@settings(max_examples=2)
@given(st.integers(0, 2**32 - 1))
def test_counter_equals_bulk_twin_between_nominal_and_worst(seed):
    table = random_frames(60_000, seed)
    arbitration, data = exact_bits(table)
    twin_arbitration, twin_data = bulk_bits(table)
    np.testing.assert_array_equal(arbitration, twin_arbitration)
    np.testing.assert_array_equal(data, twin_data)
    low_arbitration, low_data = nominal_table_bits(table)
    high_arbitration, high_data = worst_table_bits(table)
    assert (arbitration >= low_arbitration).all()
    assert (data >= low_data).all()
    assert (arbitration <= high_arbitration).all()
    assert (arbitration + data <= high_arbitration + high_data).all()


def test_worst_case_is_reached_where_the_standard_leaves_the_bits_free():
    # Identifier, control bits and DLC are not free in every place, and neither is a CRC; payload
    # bits are. From the run of n0 equal bits that the DLC leaves, n = n0 + 8·length bits reach
    # ⌊(n − 1)/4⌋ stuff bits, less the one that would follow the very last bit of a CAN FD payload.
    for length in (8, 16, 24, 64):
        codes = format(dlc_of(length, fd=True), "04b")
        run = len(codes) - len(codes.rstrip(codes[-1]))
        bit = int(codes[-1])
        text = str(bit) * (5 - run)
        while len(text) < 8 * length:
            bit = 1 - bit
            text += str(bit) * 4
        payload = int(text[: 8 * length], 2).to_bytes(length)
        frame = one(0x555, FD | BRS, payload)
        stuff = exact_bits(frame)[1] - nominal_table_bits(frame)[1]
        n = run + 8 * length
        assert stuff == (n - 1) // 4 - ((n - 1) % 4 == 0)


def test_error_frames_and_odd_lengths_are_counted_not_refused():
    arbitration, data = exact_bits(one(0x88, ERROR, bytes(8)))
    assert (arbitration[0], data[0]) == (ERROR_BITS_NOMINAL, 0)
    cut, _ = exact_bits(one(0x123, 0, bytes(12)))
    assert cut.tolist() == exact_bits(one(0x123, 0, bytes(8)))[0].tolist()
    padded = exact_bits(one(0x123, FD, bytes(9)))
    assert padded[0].tolist() == exact_bits(one(0x123, FD, bytes(12)))[0].tolist()
    assert len(exact_bits(FrameTable.empty())[0]) == 0
