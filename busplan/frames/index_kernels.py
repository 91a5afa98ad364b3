"""Kernels that sort frames into groups of one identifier each, in one pass over the columns."""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.frames.kinds import ERROR, EXTENDED, REMOTE, SENT
from busplan.kernels import kernel

ECHO_NS = 100_000
"""Two equal frames closer than this cannot both have been on the wire [ns].

A repeated frame needs at least its own 47 bits again, and its sender a new request; at 1 Mbit/s an
8-byte frame takes 111 µs.
"""
SENT_ECHO_NS = 1_000_000
"""The same when just one of the two is marked as sent by the recorder [ns]."""


@kernel
def _home(key: Any, mask: int) -> Any:
    """Where the search for a key begins: a multiplicative hash."""
    return ((key ^ (key >> 29)) * 0x9E3779B97F4A7C1) >> 20 & mask


@kernel
def enter_keys(slots: Any, keys: Any, known: int) -> None:
    """Enter group numbers into an empty hash table."""
    mask = len(slots) - 1
    for number in range(known):
        at = _home(keys[number], mask)
        while slots[at] >= 0:
            at = (at + 1) & mask
        slots[at] = number


@kernel
def number_groups(
    time_ns: Any,
    network: Any,
    identifier: Any,
    flags: Any,
    length: Any,
    start: Any,
    payload: Any,
    first: int,
    slots: Any,
    keys: Any,
    counts: Any,
    latest: Any,
    unordered: Any,
    group: Any,
    doubled: Any,
    known: int,
) -> tuple[int, int]:
    """Number the (network, extended, identifier) of each row from ``first`` on.

    ``slots`` is an open hash table of group numbers (-1 free), a quarter full at most; ``keys``,
    ``counts``, ``latest`` (time) and ``unordered`` are by group, ``doubled`` counts by network
    the frames that repeat their predecessor too soon. Error frames get group -1. Returns the next
    row and the number of groups; stops early when the tables must grow.
    """
    mask = len(slots) - 1
    previous = np.full(len(keys), -1, np.int64)
    for row in range(first, len(time_ns)):
        flag = flags[row]
        if flag & ERROR:
            group[row] = -1
            continue
        key = np.int64(network[row]) << 32 | np.int64(identifier[row])
        if flag & EXTENDED:
            key |= 1 << 31
        at = _home(key, mask)
        while slots[at] >= 0 and keys[slots[at]] != key:
            at = (at + 1) & mask
        number = slots[at]
        if number < 0:
            if known == len(keys):
                return row, known
            number = known
            slots[at] = number
            keys[number] = key
            counts[number] = 0
            unordered[number] = False
            latest[number] = time_ns[row]
            known += 1
        group[row] = number
        counts[number] += 1
        step = time_ns[row] - latest[number]
        latest[number] = time_ns[row]
        if step < 0:
            unordered[number] = True
        before = previous[number]
        previous[number] = row
        if before >= 0 and 0 <= step <= SENT_ECHO_NS and length[before] == length[row]:
            other = (flags[before] ^ flag) & 0xFF
            if (step <= ECHO_NS and other == 0) or other == SENT:
                same = True
                if not flag & REMOTE:
                    for i in range(length[row]):
                        if payload[start[before] + i] != payload[start[row] + i]:
                            same = False
                            break
                if same:
                    doubled[network[row]] += 1
    return len(time_ns), known


@kernel
def fill_rows(group: Any, base: int, following: Any, rows: Any) -> None:
    """Put each row number into its group's part of ``rows``; ``following`` is the next place."""
    for i in range(len(group)):
        number = group[i]
        if number >= 0:
            rows[following[number]] = base + i
            following[number] += 1
