"""Why values are out of range: the one change of the definition that makes all of them fit.

The rules of this file: pure. A value fits when it keeps to its stated range, not at an end of its
bits, and moves smoothly from frame to frame. A change is told only when with it every value of the
message fits, of which at least two do not as defined. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from busplan.bench.node_report import MessageProof
from busplan.decode.codec import DecodedSignal, decode_message
from busplan.definitions.model import Message, Signal, raw_range
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing

SAMPLE = 2_000
"""Frames of a message that are looked at."""
FEWEST_FRAMES = 20
WIDE = 9
"""Bits from which on a value is wide enough for its movement to tell something."""
STEADY = 0.12
"""Mean step of a smooth value, as a share of its travel; of a random one it is a third."""
LEAST_WRONG = 2
"""So many values of a message must not fit as defined; one alone has many explanations."""
EXPLAINED = frozenset({"signal-out-of-range", "signal-at-end"})


class Change(NamedTuple):
    """A hypothesis: its words, and what it makes of a signal; ``None`` where that has no room."""

    words: str
    of: Callable[[Signal, Message], Signal | None]


def other_byte_order(signal: Signal, message: Message) -> Signal | None:
    """The signal with its bytes in the other order; one within a byte stays as it is."""
    bits = signal.bits()
    first, last = min(bits) // 8, max(bits) // 8
    if first == last:
        return signal
    if signal.length % 8 or (len(bits) // 8) != last - first + 1:
        return None
    start = 8 * first if signal.big_endian else 8 * first + 7
    return replace(signal, big_endian=not signal.big_endian, start=start)


def other_sign(signal: Signal, message: Message) -> Signal | None:
    """The signal read with a sign where it has none, or the other way round."""
    return (
        signal
        if signal.is_float or signal.length < 2
        else replace(signal, signed=not signal.signed)
    )


def moved_by(bits: int) -> Callable[[Signal, Message], Signal | None]:
    """The signal so many whole bytes later (in bits), within the payload."""

    def moved(signal: Signal, message: Message) -> Signal | None:
        start = signal.start + bits
        other = replace(signal, start=start) if start >= 0 else None
        if other is None or min(other.bits()) < 0:
            return None
        return other

    return moved


CHANGES = (
    Change("the other byte order", other_byte_order),
    Change("the other sign rule (signed for unsigned)", other_sign),
    *(
        Change(
            f"all values {counted(abs(n), 'byte')} {'later' if n > 0 else 'earlier'}",
            moved_by(8 * n),
        )
        for n in (1, -1, 2, -2, 3, -3, 4, -4)
    ),
)


def explain_contents(
    table: FrameTable, proofs: Sequence[MessageProof], own: Sequence[Stream]
) -> tuple[tuple[Finding, ...], dict[str, frozenset[str]]]:
    """The change with which all values fit, for all messages together or for single ones.

    Returns findings, and message → codes of findings that they explain.
    """
    pairs = zip(proofs, own, strict=True)
    suspects = [s for p, stream in pairs if (s := _suspect(table, p, stream)) is not None]
    findings: list[Finding] = []
    explained: dict[str, frozenset[str]] = {}
    best: dict[int, list[_Suspect]] = {}
    for suspect in suspects:
        rough = [_roughness_with(table, suspect, change) for change in CHANGES]
        place = int(np.argmin(rough))
        if np.isfinite(rough[place]):
            best.setdefault(place, []).append(suspect)
    for place, fitting in best.items():
        findings.append(_finding(fitting, CHANGES[place]))
        explained |= {s.stream.message.name: EXPLAINED for s in fitting}
    return tuple(findings), explained


class _Suspect(NamedTuple):
    stream: Stream
    names: list[str]
    rows: I64


def _suspect(table: FrameTable, proof: MessageProof, stream: Stream) -> _Suspect | None:
    """A message whose values do not fit, with those that can tell why; ``None`` for any other."""
    message = stream.message
    values = [s.name for s in proof.signals if s.role == "value" and message.has(s.name)]
    names = [name for name in values if _telling(message.signal(name))]
    rows = table.rows_of(stream.key)[:SAMPLE]
    wrong = any(f.code in EXPLAINED for f in proof.findings)
    enough = len(names) >= LEAST_WRONG and len(rows) >= FEWEST_FRAMES
    return _Suspect(stream, names, rows) if wrong and enough else None


def _telling(signal: Signal) -> bool:
    """Whether range and movement of a value can speak for or against a hypothesis."""
    return signal.length >= WIDE and not signal.choices and signal.condition is None


def _roughness(table: FrameTable, rows: I64, message: Message, names: Sequence[str]) -> list[float]:
    """How rough each value is, 0 for smooth; infinite for one that does not fit."""
    decoded = decode_message(table, rows, message, names)
    return [_rough(column) for column in decoded.signals.values()]


def _rough(column: DecodedSignal) -> float:
    values = np.asarray(column.values[column.present], np.float64)
    if len(values) < 2 or not np.isfinite(values).all() or column.out_of_range.any():
        return np.inf
    if not column.signal.is_float:
        _, high = raw_range(column.signal)
        if float((column.raw[column.present] == high).mean()) > 0.5:
            return np.inf
    travel = float(np.ptp(values))
    if travel <= 4 * abs(float(column.signal.scale)):
        return 0.0
    rough = float(np.abs(np.diff(values)).mean()) / travel
    return rough if rough <= STEADY else np.inf


def _roughness_with(table: FrameTable, suspect: _Suspect, change: Change) -> float:
    """How rough all values are with the change; infinite where it does not explain them."""
    message = suspect.stream.message
    made = []
    for name in suspect.names:
        signal = change.of(message.signal(name), message)
        if signal is None or max(signal.bits()) >= 8 * message.length:
            return np.inf
        made.append(signal)
    if all(signal == message.signal(signal.name) for signal in made):
        return np.inf
    as_defined = _roughness(table, suspect.rows, message, suspect.names)
    if int(np.isinf(as_defined).sum()) < LEAST_WRONG:
        return np.inf
    changed = replace(message, signals=tuple(made))
    return sum(_roughness(table, suspect.rows, changed, suspect.names))


def _finding(fitting: Sequence[_Suspect], change: Change) -> Finding:
    names = [s.stream.message.name for s in fitting]
    values = sum(len(s.names) for s in fitting)
    first = fitting[0].stream
    return Finding(
        "definition-differs",
        Weight.FAULT,
        Where(first.network, first.node, names[0] if len(names) == 1 else None),
        f"with {change.words} all {values} values of {listing(names)} are in range and steady; as "
        "defined they are not",
        why="Every receiver that follows this definition reads nonsense.",
        action="Ask the maker which is right; correct the definition, not the node, when it was "
        "written by hand.",
        figures=(Figure("values", values), Figure("messages", len(names))),
    )
