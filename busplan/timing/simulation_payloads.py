"""Payloads for a simulation that knows only the definitions: every signal on the move.

Each signal swings slowly through its range, at a pace and phase of its own; value names and
multiplexer selectors step through theirs; frame counters count and checksums are right, so that a
node that is played passes on the bench. The values mean nothing; they make frames whose lengths,
stuff bits and signals look alive. For people who watch them there are those of a calm vehicle.
"""

from __future__ import annotations

from functools import partial
from typing import Any
from zlib import crc32

import numpy as np

from busplan.decode.encode import encode_message
from busplan.decode.protected_names import counts_frames, is_named_checksum, whole_byte
from busplan.decode.protection import SAE_J1850, checksum
from busplan.definitions.model import Message, Signal, raw_range
from busplan.frames.columns import F64, I64, U8
from busplan.plan.vehicle import Stream, Vehicle
from busplan.timing.simulation_feeds import StreamPayloads
from busplan.timing.usual_values import Usual, UsualOf, calm_state, usual_of

SWING_S = (5.0, 60.0)
"""Shortest and longest time a signal takes to swing up and down [s]."""


def swinging_payloads(seed: int = 0) -> StreamPayloads:
    """Payloads for every stream from its signals' ranges; the same seed gives the same values."""

    return partial(_payloads, seed, None)


def believable_payloads(vehicle: Vehicle, seed: int = 0) -> StreamPayloads:
    """Payloads as of a healthy vehicle at work: see :mod:`busplan.timing.usual_values`."""
    return partial(_payloads, seed, usual_of(vehicle))


def _payloads(seed: int, usual_of: UsualOf | None, stream: Stream, times_ns: I64) -> U8:
    message = stream.message
    own = crc32(f"{seed} {stream.label}".encode())
    values = {
        signal.name: _values(signal, message, times_ns, own)
        if usual_of is None or signal.is_text or signal.selects or counts_frames(signal)
        else _calm(signal, times_ns, seed, usual_of(stream, signal))
        for signal in message.signals
        if signal.last_byte < message.length
    }
    rows: U8 = encode_message(message, values, len(times_ns))
    for signal in message.signals:
        place = whole_byte(signal) if is_named_checksum(signal) else None
        if place is not None and signal.condition is None and signal.name in values:
            rows[:, place] = checksum(np.delete(rows, place, axis=1), SAE_J1850)
    return rows


def _values(signal: Signal, message: Message, times_ns: I64, seed: int) -> Any:
    """Physical values of one signal, shape ``(n,)``."""
    if signal.is_text:
        return signal.name[: signal.length // 8].upper()
    random = np.random.default_rng([seed, crc32(signal.name.encode())])
    if signal.selects:
        steps = np.array(_selector_values(signal, message), np.int64)
        return _physical(signal, steps[np.arange(len(times_ns)) % len(steps)])
    if counts_frames(signal):
        return _physical(signal, np.arange(len(times_ns)) % (1 << signal.length))
    share = 0.5 + 0.5 * _swing(times_ns, random)
    if signal.is_float:
        low, high = _ends(signal, -1.0, 1.0)
        return low + share * (high - low)
    least, most = raw_range(signal)
    if signal.choices:
        steps = np.array([c for c in sorted(signal.choices) if least <= c <= most] or [0], np.int64)
        return _physical(signal, steps[(share * (len(steps) - 1)).round().astype(np.int64)])
    whole = _ends(signal, _physical(signal, least), _physical(signal, most))
    low, high = sorted((end - signal.offset) / signal.scale for end in whole)
    low, high = max(np.ceil(low), least), min(np.floor(high), most)
    # A float holds no more than 53 bits exactly; so much of a wider signal moves.
    high = min(high, low + 2**53)
    return _physical(signal, np.rint(low + share * max(high - low, 0)))


def _calm(signal: Signal, times_ns: I64, seed: int, usual: Usual | None) -> Any:
    """Usual values of one signal, which move a little; shape ``(n,)``."""
    if signal.choices and not signal.is_float:
        return _physical(signal, np.full(len(times_ns), calm_state(signal)))
    low, high = _ends(signal, *_bits(signal))
    if usual is None or not (low <= usual.low and usual.high <= high):
        group = signal.name if usual is None else usual.group
        usual = Usual(low + 0.45 * (high - low), low + 0.55 * (high - low), group)
    random = np.random.default_rng([seed, crc32(usual.group.encode())])
    share = 0.5 + 0.5 * _swing(times_ns, random)
    values = usual.low + share * (usual.high - usual.low)
    if signal.is_float:
        return values
    return _physical(signal, np.rint((values - signal.offset) / signal.scale))


def _bits(signal: Signal) -> tuple[float, float]:
    """The lowest and highest value that the bits hold, physical."""
    if signal.is_float:
        return -1.0, 1.0
    least, most = sorted(_physical(signal, raw) for raw in raw_range(signal))
    return float(least), float(most)


def _swing(times_ns: I64, random: np.random.Generator) -> F64:
    """Slowly up and down between −1 and 1, at a pace and phase of its own."""
    pace = 2e-9 * np.pi / random.uniform(*SWING_S)
    return np.asarray(np.sin(times_ns * pace + random.uniform(0, 2 * np.pi)))


def _ends(signal: Signal, low: float, high: float) -> tuple[float, float]:
    """The signal's stated range, or the given one; a range of 0 to 0 is not stated."""
    if signal.minimum is None or signal.maximum is None or signal.minimum >= signal.maximum:
        return low, high
    return float(signal.minimum), float(signal.maximum)


def _selector_values(signal: Signal, message: Message) -> list[int]:
    """The raw values of a selector that some signal waits for, few of each range."""
    values = {
        value
        for other in message.signals
        if other.condition is not None and other.condition.selector == signal.name
        for low, high in other.condition.ranges
        for value in range(low, min(high, low + 3) + 1)
    }
    return sorted(values) or [0]


def _physical(signal: Signal, raw: Any) -> Any:
    return raw * signal.scale + signal.offset
