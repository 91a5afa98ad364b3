"""Values at the end of what their bits can carry: an open input or an overflow, not a measurement.

A converter that is open, shorted or beyond its range gives the first or last number it has: 0 V,
-40 °C, 6553.5 A (common practice, no source). A stated range that ends there too says nothing
against it. A loose wire gives it in single frames, which tells where it goes there and back from
far off several times, and does not leap as often otherwise. Left alone are states, counts without
a unit, shares that end at 0 or 100 %, and a zero that any quantity may have, unless several signals
alike in everything do not show it.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import replace

import numpy as np

from busplan.bench.node_report import SignalProof
from busplan.decode.codec import DecodedMessage, DecodedSignal
from busplan.definitions.model import Message, Signal, raw_range
from busplan.findings import Figure, Finding, Weight, Where
from busplan.pack.sensors import SATURATED_SHARE

LEAST_BITS = 8
"""Narrower values reach their ends in ordinary use."""
WIDEST_BITS = 63
MOSTLY = 0.5
"""What sits at its end for this share of the frames needs no other sign."""
STAYS = 3
"""So many frames on end a value that leapt to its end must stay there."""
RETURNS = 3
"""So many times there and back from far off tell, however short each of them."""
LEAP = 0.1
"""Share of the raw range that no measured quantity moves by from one frame to the next."""
ALIKE = 4
"""So many signals of one unit, scale and width in a message measure the same kind of thing."""


def not_available(signal: Signal, message: Message) -> int | None:
    """The raw value by which a J1939 message says "not available": all bits one.

    SAE J1939-71 reserves the top of each raw range for it; from memory. ``None`` where the message
    does not follow J1939 or has no such value.
    """
    if message.j1939 is None or signal.is_float:
        return None
    return -1 if signal.signed else (1 << signal.length) - 1


def end_findings(
    decoded: DecodedMessage, proofs: Sequence[SignalProof], where: Where
) -> tuple[list[SignalProof], list[Finding]]:
    """The proofs with what sits at its end marked, and a finding for each.

    ``where.time_ns`` holds the capture's first time. What was out of its stated range has a finding
    already.
    """
    made, findings = [], []
    never_zero = _never_zero(decoded)
    for proof in proofs:
        column = decoded.signals.get(proof.name)
        end = None
        if column is not None and proof.role == "value" and not proof.out_of_range:
            end = _at_end(column, decoded.message, never_zero)
        if end is None or column is None:
            made.append(proof)
            continue
        sits, returns = end
        often = f", there and back {returns} times" if returns >= RETURNS else ""
        first, count = int(np.flatnonzero(sits)[0]), int(sits.sum())
        value, unit = column.values[first].item(), column.signal.unit
        shown = f"{value:g} {unit}".rstrip()
        findings.append(
            Finding(
                "signal-at-end",
                Weight.CAUTION,
                Where(
                    where.network,
                    where.node,
                    where.message,
                    proof.name,
                    time_ns=int(decoded.time_ns[first]) - (where.time_ns or 0),
                ),
                f"{proof.name} sits at the end of what its bits can carry, {shown}, in {count} of "
                f"{int(column.present.sum())} frames{often}",
                why="An open or shorted input and an overflow read so; it is no measurement.",
                action="Check the sensor and its wire, or let the quantity move; if it is a code, "
                "name it in the definition's value table.",
                figures=(Figure("value", float(value), unit), Figure("frames", count)),
            )
        )
        detail = "at the end of its range"
        made.append(replace(proof, detail=f"{proof.detail}, {detail}" if proof.detail else detail))
    return made, findings


def _at_end(
    column: DecodedSignal, message: Message, never_zero: Set[tuple[object, ...]]
) -> tuple[np.ndarray, int] | None:
    """Which frames show an end that is none of the signal's ordinary values; ``None``: too few.

    With them, how often it went there and back from far off.
    """
    signal, present = column.signal, column.present
    if signal.is_float or not LEAST_BITS <= signal.length <= WIDEST_BITS or not signal.unit:
        return None
    low, high = raw_range(signal)
    ends = {high, low} if signal.signed else {high}
    if signal.offset != 0 or (not signal.signed and _kind(signal) in never_zero):
        ends.add(low)
    ends -= set(signal.choices)
    ends.discard(not_available(signal, message))
    if signal.unit == "%":
        ends = {e for e in ends if round(e * signal.scale + signal.offset) not in (0, 100)}
    if not ends:
        return None
    sits: np.ndarray = present & np.isin(column.raw, list(ends))
    there = sits[present]
    raw, far = column.raw[present], (high - low) * LEAP
    returns, stays = _leaps(raw, there, far)
    share = float(there.mean()) if len(there) > 1 else 0.0
    held = share > SATURATED_SHARE and (share >= MOSTLY or stays)
    if held or (returns >= RETURNS and _far_steps(raw[~there], far) <= returns):
        return sits, returns
    return None


def _leaps(raw: np.ndarray, there: np.ndarray, far: float) -> tuple[int, bool]:
    """How often a value goes to its end from far off and back; whether it stays after such a leap.

    What moves there by itself is one of its values.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], there.astype(np.int8), [0]))))
    returns, stays = 0, False
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if start == 0 or abs(int(raw[start]) - int(raw[start - 1])) <= far:
            continue
        stays = stays or stop - start >= STAYS
        returns += stop < len(raw) and abs(int(raw[stop]) - int(raw[stop - 1])) > far
    return returns, stays


def _far_steps(raw: np.ndarray, far: float) -> int:
    """How often the value leaps without its end: where it does more often, its end is no other."""
    return int((np.abs(np.diff(raw.astype(np.float64))) > far).sum())


def _kind(signal: Signal) -> tuple[object, ...]:
    """What signals that measure the same kind of thing have in common."""
    return signal.unit, signal.scale, signal.offset, signal.length, signal.signed


def _never_zero(decoded: DecodedMessage) -> set[tuple[object, ...]]:
    """Kinds of which several signals in this message show that zero is no value they have."""
    alike: dict[tuple[object, ...], list[DecodedSignal]] = {}
    for column in decoded.signals.values():
        signal = column.signal
        if signal.unit and not (signal.is_text or signal.is_float) and column.present.any():
            alike.setdefault(_kind(signal), []).append(column)
    return {
        kind
        for kind, columns in alike.items()
        if len(columns) >= ALIKE
        and sum(float(np.median(c.raw[c.present])) > 0 for c in columns) > len(columns) / 2
    }
