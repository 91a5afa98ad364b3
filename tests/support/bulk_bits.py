"""A second, independent counter of exact bits: columns of single bits, all frames of one shape at
once. Slow next to the kernel, quick next to the readable reference, so that it can check many."""

import numpy as np

from busplan.frames.kinds import BRS, ESI, EXTENDED, FD, REMOTE

DLC = {n: n for n in range(9)} | {12: 9, 16: 10, 20: 11, 24: 12, 32: 13, 48: 14, 64: 15}


def bulk_bits(table):
    """(arbitration, data) bits of every frame; lengths must be possible ones."""
    arbitration, data = np.zeros(len(table), np.int64), np.zeros(len(table), np.int64)
    shape = table.flags.astype(np.int64) << 8 | table.length
    for kind in np.unique(shape):
        rows = np.flatnonzero(shape == kind)
        arbitration[rows], data[rows] = _one_shape(table, rows, int(kind) >> 8, int(kind) & 0xFF)
    return arbitration, data


def _columns(values, width):
    return [(values >> k & 1).astype(np.int8) for k in reversed(range(width))]


def _one_shape(table, rows, flags, length):
    n = len(rows)

    def constant(text):
        return [np.full(n, int(c), np.int8) for c in text]

    identifier = table.identifier[rows].astype(np.int64)
    fd, remote = bool(flags & FD), "1" if flags & REMOTE else "0"
    bits = constant("0")
    if flags & EXTENDED:
        bits += _columns(identifier >> 18, 11) + constant("11")
        bits += _columns(identifier & 0x3FFFF, 18) + constant(remote)
        bits += [] if fd else constant("00")
    else:
        bits += _columns(identifier, 11) + constant(remote + "0")
        bits += [] if fd else constant("0")
    if fd:
        bits += constant("10" + ("1" if flags & BRS else "0"))
    arbitration_bits = len(bits)
    if fd:
        bits += constant("1" if flags & ESI else "0")
    bits += constant(format(DLC[length], "04b"))
    for byte in table.payload_matrix(rows, 0 if remote == "1" else length).T:
        bits += _columns(byte.astype(np.int64), 8)
    if fd:
        stuff = _stuff_before(bits)
        early, late = stuff[: arbitration_bits + 1].sum(0), stuff[arbitration_bits + 1 :].sum(0)
        if not flags & BRS:
            early, late = early + late, late * 0
        crc = 28 if length <= 16 else 33
        slow = arbitration_bits + 12
        fast = len(bits) - arbitration_bits + crc
        if not flags & BRS:
            slow, fast = slow + fast, 0
        # A stuff bit right after BRS goes out at the data bit rate.
        moved = stuff[arbitration_bits] if flags & BRS else 0
        return slow + early - moved, fast + late + moved
    bits += _crc15(bits)
    total = len(bits) + 13 + _stuff_before([*bits, np.ones(n, np.int8)]).sum(0)
    return total, np.zeros(n, np.int64)


def _stuff_before(bits):
    """Whether a stuff bit stands before each bit, shape ``(n_bits, n_frames)``."""
    stuff = np.zeros((len(bits), len(bits[0])), np.int64)
    run, last = np.zeros(len(bits[0]), np.int64), np.full(len(bits[0]), -1, np.int8)
    for place, bit in enumerate(bits):
        full = run == 5
        stuff[place] = full
        last = np.where(full, 1 - last, last)
        run = np.where(full, 1, run)
        run = np.where(bit == last, run + 1, 1)
        last = bit
    return stuff


def _crc15(bits):
    crc = np.zeros(len(bits[0]), np.int64)
    for bit in bits:
        top = (crc >> 14 & 1) ^ bit
        crc = (crc << 1 & 0x7FFF) ^ np.where(top, 0x4599, 0)
    return _columns(crc, 15)
