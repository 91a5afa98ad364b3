"""Frame lengths against published formulas and tables."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from support.reference import reference_values

from busplan.definitions.model import J1939Id, Message
from busplan.frames.kinds import BRS, ERROR, EXTENDED, FD, REMOTE
from busplan.frames.table import FrameTable
from busplan.wire.lengths import (
    Bits,
    dlc_of,
    duration_ns,
    durations_ns,
    frames_of,
    length_of,
    message_bits,
    nominal_bits,
    nominal_table_bits,
    wire_length,
    worst_bits,
    worst_table_bits,
)

REFERENCE = reference_values()


@pytest.mark.parametrize("row", REFERENCE["classic_frame_bits_incl_ifs"], ids=lambda r: r["s"])
def test_classical_lengths_match_davis_2007(row):
    # Davis, Burns, Bril, Lukkien 2007 (equation numbers: memory); the constants also stand in the
    # Linux kernel header include/linux/can/length.h (read).
    s = row["s"]
    assert nominal_bits(s) == (row["std_unstuffed"], 0)
    assert worst_bits(s) == (row["std_worst"], 0) == (55 + 10 * s, 0)
    assert nominal_bits(s, extended=True) == (row["ext_unstuffed"], 0)
    assert worst_bits(s, extended=True) == (row["ext_worst"], 0) == (80 + 10 * s, 0)


def test_the_older_worst_case_is_too_small():
    # The 1994/95 formula ⌊(34 + 8s)/5⌋ forgets that a stuff bit starts the next run of five.
    for row in REFERENCE["classic_frame_bits_incl_ifs"]:
        assert worst_bits(row["s"]).total > row["std_1994"]


@pytest.mark.parametrize("row", REFERENCE["canfd_frame_bits_incl_ifs"], ids=lambda r: r["len"])
def test_can_fd_lengths_match_the_kernel_header(row):
    # Linux include/linux/can/length.h (read).
    n = row["len"]
    assert length_of(row["dlc"], fd=True) == n
    assert dlc_of(n, fd=True) == row["dlc"]
    for extended, name in ((False, "sff"), (True, "eff")):
        assert nominal_bits(n, extended=extended, fd=True) == (row[f"{name}_min"], 0)
        assert worst_bits(n, extended=extended, fd=True) == (row[f"{name}_max"], 0)
        switched = nominal_bits(n, extended=extended, fd=True, switched=True)
        assert switched == (row[f"{name}_arb_bits"], row["data_bits_nostuff"])
        worst = worst_bits(n, extended=extended, fd=True, switched=True)
        assert worst.total == row[f"{name}_max"]


@pytest.mark.parametrize(
    ("length", "extended", "shortest_us", "longest_us"),
    [(8, False, 106.5, 123.0), (64, False, 333.0, 405.5), (64, True, 371.0, 452.0)],
)
def test_can_fd_times_at_500_kbit_and_2_mbit(length, extended, shortest_us, longest_us):
    # Computed from the formula of include/linux/can/length.h (read).
    frame = {"extended": extended, "fd": True, "switched": True}
    assert duration_ns(nominal_bits(length, **frame), 500_000, 2_000_000) == shortest_us * 1000
    assert duration_ns(worst_bits(length, **frame), 500_000, 2_000_000) == longest_us * 1000


def test_can_fd_payloads_are_padded_to_the_next_length():
    assert wire_length(9, fd=True) == 12
    assert nominal_bits(33, fd=True) == nominal_bits(48, fd=True)
    assert dlc_of(33, fd=True) == 14
    assert length_of(12) == 8


@pytest.mark.parametrize(("length", "fd"), [(9, False), (65, True), (-1, True)])
def test_no_frame_carries_impossible_lengths(length, fd):
    with pytest.raises(ValueError, match="carries 0 to"):
        nominal_bits(length, fd=fd)


def test_remote_frames_carry_nothing():
    assert nominal_bits(8, remote=True) == nominal_bits(0)
    assert worst_bits(8, extended=True, remote=True) == worst_bits(0, extended=True)


def test_durations_round_up():
    assert duration_ns(Bits(135, 0), 500_000) == 270_000
    assert duration_ns(Bits(1, 0), 300_000) == 3334
    assert duration_ns(Bits(29, 97), 500_000) == 252_000
    arbitration, data = np.array([135, 1, 29]), np.array([0, 0, 97])
    assert durations_ns(arbitration, data, 300_000, 700_000).tolist() == [
        duration_ns(Bits(a, d), 300_000, 700_000)
        for a, d in zip(arbitration.tolist(), data.tolist(), strict=True)
    ]


def test_message_bits_follow_the_message():
    plain = Message("Plain", 0x123, False, 8)
    switching = Message("Switching", 0x123, False, 8, fd=True, bit_rate_switch=True)
    assert message_bits(plain) == ((111, 0), (135, 0))
    nominal, worst = message_bits(switching)
    assert nominal == (29, 97)
    assert worst.total == 147


def test_table_lengths_equal_the_scalar_ones():
    kinds = [
        (flags, length) for flags in (0, EXTENDED, REMOTE, EXTENDED | REMOTE) for length in range(9)
    ] + [
        (FD | flags, length)
        for flags in (0, EXTENDED, BRS, BRS | EXTENDED)
        for length in (0, 1, 8, 9, 12, 16, 20, 33, 64)
    ]
    flags, lengths = zip(*kinds, (ERROR, 8), strict=True)
    stored = sum(n for f, n in zip(flags, lengths, strict=True) if not f & REMOTE)
    n = len(flags)
    table = FrameTable.from_columns(
        ["a"], np.arange(n), [0] * n, [1] * n, flags, lengths, np.zeros(stored)
    )
    for in_table, scalar in ((nominal_table_bits, nominal_bits), (worst_table_bits, worst_bits)):
        arbitration, data = in_table(table)
        for row, (f, length) in enumerate(kinds):
            expected = scalar(
                length,
                extended=bool(f & EXTENDED),
                fd=bool(f & FD),
                switched=bool(f & BRS),
                remote=bool(f & REMOTE),
            )
            assert (arbitration[row], data[row]) == expected
    assert nominal_table_bits(table)[0][-1] == 17
    assert worst_table_bits(table)[0][-1] == 31


@pytest.mark.parametrize(
    ("length", "fd", "segmented", "frames", "carried"),
    # By hand from the layout of ISO 15765-2 (from memory): single frame with 1 protocol byte (2 in
    # CAN FD frames over 8 bytes), first frame with 2 (6 from 4096 bytes on), consecutive frames
    # with 1, one flow control; extended addressing takes one byte more of each.
    [
        (7, False, "normal", 1, 8),
        (8, False, "normal", 3, 8),
        (20, False, "normal", 4, 8),
        (7, False, "extended", 3, 8),
        (4095, False, "normal", 2 + 585, 8),
        (4096, False, "normal", 2 + 585, 8),
        (5, True, "normal", 1, 8),
        (62, True, "normal", 1, 64),
        (63, True, "normal", 3, 64),
        (188, True, "extended", 2 + 3, 64),
    ],
)
def test_frames_of_a_segmented_message(
    length: int, fd: bool, segmented: Any, frames: int, carried: int
) -> None:
    one, count = frames_of(Message("M", 1, False, length, fd=fd, segmented=segmented))
    assert (count, one.length) == (frames, carried)


def test_frames_of_a_j1939_connection() -> None:
    # SAE J1939-21, from memory: request, clear to send, 3 packets, acknowledgement.
    to_one = Message("M", 0x18EF0201, True, 20, j1939=J1939Id(6, 0xEF00, 1, 2))
    assert frames_of(to_one) == (replace(to_one, length=8), 6)
