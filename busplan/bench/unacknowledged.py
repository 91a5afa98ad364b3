"""A node that nobody acknowledges: one frame repeated back to back, or nothing but errors.

A sender that sees no acknowledge bit sends the frame again at once, and its error counter stops at
error passive, so it goes on for ever (ISO 11898-1, fault confinement; from memory). One node and an
adapter that only listens is the usual bench, so it is no fault of the node: the test has not begun.
"""

from __future__ import annotations

import numpy as np

from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.identifier import format_identifier
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network
from busplan.wire.lengths import durations_ns
from busplan.wording import counted

LEAST_REPEATS = 20
"""So many times one frame must come, back to back."""
SLACK_BITS = 60
"""Bits that may lie between two tries: error flag and delimiter, intermission, suspended sending,
and the adapter's time stamps."""
BACK_TO_BACK = 0.9
"""Share of the distances that must be so short."""
ACK_ERROR = 0x20
"""Error class "no acknowledge" of an error frame (Linux, ``can/error.h``)."""


def unacknowledged(table: FrameTable, network: Network) -> Finding | None:
    """The finding when what was heard of the bench is a node that nobody acknowledges."""
    errors = (table.flags & ERROR) != 0
    frames = table.take(np.flatnonzero(~errors))
    where = Where(network.name)
    told = int(np.count_nonzero((table.identifier[errors] & ACK_ERROR) != 0))
    if not len(frames):
        seen = f"no frame came, {counted(told, 'error')} told of a missing acknowledge"
        return _finding(where, seen, told) if told >= LEAST_REPEATS else None
    if len(frames) < LEAST_REPEATS or len(frames.groups) != 1:
        return None
    if len({frames.bytes_of(row) for row in range(len(frames))}) != 1:
        return None
    from busplan.wire.exact import exact_bits

    arbitration, data = exact_bits(frames.take([0]))
    length_ns = float(
        durations_ns(arbitration, data, network.bit_rate, network.data_bit_rate).sum()
    )
    allowed_ns = length_ns + SLACK_BITS * 1e9 / network.bit_rate
    close = np.diff(frames.time_ns) <= allowed_ns
    if close.mean() < BACK_TO_BACK:
        return None
    key = next(iter(frames.groups))
    return _finding(
        where,
        f"one frame ({format_identifier(key.identifier, key.extended)}) came "
        f"{counted(len(frames), 'time')} back to back, every "
        f"{float(np.median(np.diff(frames.time_ns))) / 1e3:.0f} µs, always the same",
        len(frames),
    )


def _finding(where: Where, seen: str, times: int) -> Finding:
    return Finding(
        "node-unacknowledged",
        Weight.CAUTION,
        where,
        f"nobody acknowledges this node: {seen}; nothing else can be judged",
        why="A node that sees no acknowledge bit repeats its first frame for ever; an adapter that "
        "only listens gives none.",
        action="Add a second node to the bench, or let the adapter acknowledge with --acknowledge.",
        figures=(Figure("times", times),),
    )
