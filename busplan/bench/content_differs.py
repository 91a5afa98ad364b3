"""Why values are out of range: the one change of the definition that makes all of them fit.

The rules of this file: pure. A value fits when it keeps to its stated range, not at an end of its
bits, and moves smoothly from frame to frame. A change is told only when with it every value of the
message fits, of which at least two do not as defined, and one moves. There are many ways to resize
values, so these need more: two values that move; as many as the change says that are odd as defined
(they jump, or their low bits stand still) and no longer are; no other size that would do as well.
One value that does not fit is enough where the change also reads moving bits that nothing read, or
is about the byte order of that one.
Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from busplan.bench.content_changes import Change, changes_of
from busplan.bench.node_report import MessageProof
from busplan.decode.codec import DecodedSignal, decode_message
from busplan.definitions.model import Message, Signal, raw_range
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import listing

SAMPLE = 2_000
"""Frames of a message that are looked at."""
FEWEST_FRAMES = 20
WIDE = 9
"""Bits from which on a value is wide enough for its movement to tell something."""
STEADY = 0.12
"""Mean step of a smooth value, as a share of its travel; of a random one it is a third."""
LEAST_WRONG = 2
"""So many values of a message must not fit as defined; one alone has many explanations."""
MOVING_STEPS = 4
"""A value that travels over more of its steps than this moves."""
JUMP = 0.3
"""A step of this share of a value's travel is a jump."""
COARSE = 4
"""Steps that are all multiples of so many leave the low bits standing."""
RIVAL = 2.0
"""Another size that is rougher by less than this factor would do as well."""
EXPLAINED = frozenset({"signal-out-of-range", "signal-at-end"})


class _Suspect(NamedTuple):
    stream: Stream
    names: list[str]
    rows: I64


class _Read(NamedTuple):
    """How one value looks: whether it fits, moves, is odd, how rough it is; its raw bytes."""

    fits: bool
    moves: bool
    odd: bool
    rough: float
    raw: bytes


class _Fit(NamedTuple):
    """A change that fits; less is better, in this order."""

    unread_bits: int
    resizes: bool
    odd: int
    rough: float
    change: Change
    raw: tuple[bytes, ...]


def explain_contents(
    table: FrameTable, proofs: Sequence[MessageProof], own: Sequence[Stream]
) -> tuple[tuple[Finding, ...], dict[str, frozenset[str]]]:
    """The change with which all values fit, for all messages together or for single ones.

    Returns findings, and message → codes of findings that they explain.
    """
    pairs = zip(proofs, own, strict=True)
    suspects = [s for p, stream in pairs if (s := _suspect(table, p, stream)) is not None]
    best: dict[str, list[_Suspect]] = {}
    for suspect in suspects:
        change = _change_of(table, suspect)
        if change is not None:
            best.setdefault(change.words, []).append(suspect)
    explained = {s.stream.message.name: EXPLAINED for fitting in best.values() for s in fitting}
    return tuple(_finding(fitting, words) for words, fitting in best.items()), explained


def _suspect(table: FrameTable, proof: MessageProof, stream: Stream) -> _Suspect | None:
    """A message whose values do not fit, with those that can tell why; ``None`` for any other."""
    message = stream.message
    values = [s.name for s in proof.signals if s.role == "value" and message.has(s.name)]
    names = [name for name in values if telling(message.signal(name))]
    rows = table.rows_of(stream.key)[:SAMPLE]
    wrong = any(f.code in EXPLAINED for f in proof.findings)
    enough = len(names) >= LEAST_WRONG and len(rows) >= FEWEST_FRAMES
    return _Suspect(stream, names, rows) if wrong and enough else None


def telling(signal: Signal) -> bool:
    """Whether range and movement of a value can speak for or against a hypothesis."""
    return signal.length >= WIDE and not signal.choices and signal.condition is None


def _change_of(table: FrameTable, suspect: _Suspect) -> Change | None:
    """The change with which everything fits, if there is one."""
    message = suspect.stream.message
    as_defined = _read(table, suspect.rows, message, suspect.names)
    wrong = [name for name in suspect.names if not as_defined[name].fits]
    if not wrong:
        return None
    lengths = table.length[suspect.rows]
    room = 8 * max(message.length, int(lengths.min()))
    moving = _moving_bits(table, suspect.rows[lengths == lengths.min()])
    odd = {name for name, read in as_defined.items() if read.odd}
    fits = []
    for change in changes_of(message, suspect.names, wrong):
        made = [change.signals[name] for name in suspect.names]
        unread = (moving & ~_mask(change.signals.values())).bit_count()
        more = change.resizes and unread < (moving & ~_mask(message.signals)).bit_count()
        enough = len(wrong) >= LEAST_WRONG or more or change.alone
        too_few = len(odd) < change.odd or not enough
        if too_few or max(max(s.bits()) for s in made) >= room:
            continue
        changed = replace(message, signals=tuple(made), length=room // 8)
        read = _read(table, suspect.rows, changed, suspect.names)
        still = change.resizes and sum(r.moves for r in read.values()) < LEAST_WRONG
        mended = sum(not read[name].odd for name in odd)
        # What stands still is steady wherever it is read, zeros of empty bytes first of all.
        still |= not change.alone and not any(r.moves for r in read.values())
        if still or mended < change.odd or not all(r.fits for r in read.values()):
            continue
        rough = sum(r.rough for r in read.values())
        raw = tuple(r.raw for r in read.values())
        left = sum(r.odd for r in read.values())
        fits.append(_Fit(unread, change.resizes, left, rough, change, raw))
    if not fits:
        return None
    best = min(fits, key=lambda f: f[:4])
    rivals = [
        f
        for f in fits
        if f[:3] == best[:3] and f.raw != best.raw and f.rough < RIVAL * max(best.rough, 1e-9)
    ]
    return None if best.resizes and rivals else best.change


def _moving_bits(table: FrameTable, rows: I64) -> int:
    """Bits of the payload that change, as one little-endian number."""
    payloads = table.payload_matrix(rows, int(table.length[rows[0]]))
    changed = np.bitwise_or.reduce(payloads ^ payloads[0], axis=0)
    return int.from_bytes(changed.tobytes(), "little")


def _mask(signals: Iterable[Signal]) -> int:
    mask = 0
    for signal in signals:
        mask |= signal.mask()
    return mask


def _read(table: FrameTable, rows: I64, message: Message, names: Sequence[str]) -> dict[str, _Read]:
    """How each of the named values looks, read as ``message`` says."""
    decoded = decode_message(table, rows, message, names)
    return {name: _read_one(column) for name, column in decoded.signals.items()}


def _read_one(column: DecodedSignal) -> _Read:
    raw = column.raw[column.present]
    values = np.asarray(column.values[column.present], np.float64)
    if len(values) < 2 or not np.isfinite(values).all():
        return _Read(False, False, False, np.inf, b"")
    travel = float(np.ptp(values))
    moves = travel > MOVING_STEPS * abs(float(column.signal.scale))
    steps = np.abs(np.diff(values)) / travel if moves else np.zeros(1)
    rough = float(steps.mean())
    at_end = False
    if not column.signal.is_float:
        at_end = float((raw == raw_range(column.signal)[1]).mean()) > 0.5
    coarse = False
    if moves and not column.signal.is_float:
        coarse = int(np.gcd.reduce(np.abs(np.diff(raw.astype(np.int64))))) >= COARSE
    odd = coarse or float(steps.max()) > JUMP
    fits = rough <= STEADY and not (at_end or column.out_of_range.any())
    return _Read(fits, moves, odd, rough, raw.tobytes())


def _finding(fitting: Sequence[_Suspect], words: str) -> Finding:
    names = [s.stream.message.name for s in fitting]
    values = sum(len(s.names) for s in fitting)
    first = fitting[0].stream
    return Finding(
        "definition-differs",
        Weight.FAULT,
        Where(first.network, first.node, names[0] if len(names) == 1 else None),
        f"with {words} all {values} values of {listing(names)} are in range and steady; as "
        "defined they are not",
        why="Every receiver that follows this definition reads nonsense.",
        action="Ask the maker which is right; correct the definition, not the node, when it was "
        "written by hand.",
        figures=(Figure("values", values), Figure("messages", len(names))),
    )
