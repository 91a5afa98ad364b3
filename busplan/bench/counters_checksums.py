"""Counters and checksums of one message on the bench: named, told, or found in the payload.

The rules of this file: a name alone condemns nothing. A signal called a counter is judged as one
when it counts frames; what is called a counter of events may move as it likes. A checksum that no
signal names is believed only when a published kind fits nearly all of many different payloads.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import replace
from operator import or_

import numpy as np

from busplan.bench.checksum_cover import cover_findings
from busplan.bench.node_report import BenchLimits, SignalProof
from busplan.bench.rhythm import Pause, within_pauses
from busplan.bench.unknown_checksums import (
    OWN_KIND,
    differs_from_comment,
    prove_unknown,
    wrong_finding,
)
from busplan.bench.when_wrong import frame_at, when_wrong
from busplan.decode.codec import DecodedMessage, DecodedSignal
from busplan.decode.protected_names import COUNTER, counts_frames, may_count, whole_byte
from busplan.decode.protection import (
    LEAST_SHARE,
    FoundChecksum,
    best_fit,
    check_counter,
    counter_modulus,
    expected_checksums,
    find_checksum,
    find_counters,
    looks_like_counter,
)
from busplan.definitions.model import Message, Signal, raw_range
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64, U8
from busplan.frames.table import FrameTable

SURE_SHARE = 0.95
"""Part of the steps that have to be the usual one before a signal without the name is a counter."""


def is_counter(column: DecodedSignal) -> bool:
    """Whether a signal counts the frames of its message, or should."""
    signal = column.signal
    raw = column.raw[column.present]
    if len(raw) < 2 or not may_count(signal):
        return False
    if counts_frames(signal):
        return True
    if COUNTER.search(signal.name):
        verdict = check_counter(raw, counter_modulus(raw, signal.length))
        usual = verdict.steps - len(verdict.skips) - len(verdict.repeats)
        return 2 * usual > verdict.steps
    plain = signal.scale == 1 and signal.offset == 0
    return plain and looks_like_counter(raw, 1 << signal.length, least_share=SURE_SHARE)


def prove_counter(
    decoded: DecodedMessage, column: DecodedSignal, where: Where, pauses: Sequence[Pause] = ()
) -> tuple[str, list[Finding]]:
    """What a counter does, in words, and what is wrong with it; restarts are no skips."""
    rows = np.flatnonzero(column.present)
    raw = column.raw[rows]
    name = column.signal.name
    detail, findings = _judge_counter(
        decoded, rows, raw, column.signal.length, name, name, where, pauses=pauses
    )
    restarted = np.flatnonzero(within_pauses(decoded.time_ns[rows], pauses)) + 1
    modulus = _modulus(raw, restarted, column.signal.length)
    findings += _steps_otherwise(column.signal, raw, modulus, where)
    return detail, [*findings, *_wraps_early(column, modulus, where)]


def _steps_otherwise(signal: Signal, raw: I64, modulus: int, where: Where) -> Iterator[Finding]:
    """A counter of frames that counts steadily down, or by more than one."""
    up = check_counter(raw, modulus).step
    step = min(up, modulus - up)
    here = Where(where.network, where.node, where.message, signal.name)
    if not step or not counts_frames(signal):
        return
    if step == 1 and modulus > 2 and up != 1:  # of two counts none is down
        yield Finding(
            "counter-counts-down",
            Weight.CAUTION,
            here,
            f"{signal.name} counts down by one from frame to frame",
            why="A receiver that expects the next higher count takes each frame for lost ones.",
            action="Ask the maker which way it counts, and tell whoever writes the receiver.",
            figures=(Figure("step", -1),),
        )
    if step < 2:
        return
    yield Finding(
        "counter-steps-wide",
        Weight.CAUTION,
        here,
        f"{signal.name} counts by {step} from frame to frame",
        why="A receiver that expects one takes each frame for several lost ones; it may be one "
        "counter for several messages.",
        action="Ask the maker by how much it counts, and tell whoever writes the receiver.",
        figures=(Figure("step", step),),
    )


def _modulus(raw: I64, restarted: I64, length: int) -> int:
    """Where a counter starts again by itself; a restart of the node is none of its returns."""
    pieces = np.split(raw, restarted)
    return min(counter_modulus(piece, length) for piece in pieces)


def _wraps_early(column: DecodedSignal, modulus: int, where: Where) -> Iterator[Finding]:
    """A counter that returns below the top that its definition gives it."""
    signal = column.signal
    _, top = raw_range(signal)
    if signal.maximum is not None and signal.scale:
        top = min(top, int((signal.maximum - signal.offset) / signal.scale))
    if modulus > top:
        return
    yield Finding(
        "counter-wraps-early",
        Weight.CAUTION,
        Where(where.network, where.node, where.message, signal.name),
        f"{signal.name} starts again after {modulus - 1}; its definition goes up to {top}",
        why="A receiver that counts by the definition takes each return for lost frames.",
        action="Ask the maker where it starts again, and state that as its maximum.",
        figures=(Figure("last", modulus - 1), Figure("defined", top)),
    )


def _judge_counter(
    decoded: DecodedMessage,
    rows: I64,
    raw: I64,
    length: int,
    name: str,
    signal: str | None,
    where: Where,
    pauses: Sequence[Pause] = (),
) -> tuple[str, list[Finding]]:
    """``name`` is what to call it, ``signal`` its signal if it has one."""
    times = decoded.time_ns[rows]
    restarted = np.flatnonzero(within_pauses(times, pauses)) + 1
    modulus = _modulus(raw, restarted, length)
    verdict = check_counter(raw, modulus)
    if not verdict.step:
        return "stands still", [
            Finding(
                "counter-stuck",
                Weight.CAUTION,
                Where(where.network, where.node, where.message, signal),
                f"{name} stays at {int(raw[0])} through {len(raw)} frames",
                why="If it counts frames, a receiver that watches it takes the sender for stuck.",
                action="Ask the maker what it counts and whether it has to be switched on.",
                figures=(Figure("frames", len(raw)),),
            )
        ]
    findings = []
    for code, places, words, why in (
        (
            "counter-skips",
            verdict.skips,
            "skips",
            "A skipped count means a frame that was not sent, or lost on the way.",
        ),
        (
            "counter-repeats",
            verdict.repeats,
            "stands still",
            "A receiver that watches the counter takes the sender for stuck.",
        ),
    ):
        places = np.setdiff1d(places, restarted)
        if len(places):
            findings.append(
                Finding(
                    code,
                    Weight.FAULT,
                    frame_at(where, decoded, int(rows[places[0]]), signal),
                    f"{name} {words} in {len(places)} of {verdict.steps} steps"
                    + when_wrong(times, places),
                    why=why,
                    action="See whether the recorder dropped frames; if not, ask the maker.",
                    figures=(Figure("places", len(places)), Figure("steps", verdict.steps)),
                )
            )
    down = verdict.step == modulus - 1 > 1
    return f"counts {'down by 1' if down else f'by {verdict.step}'} modulo {modulus}", findings


def prove_checksum(
    table: FrameTable, decoded: DecodedMessage, signal: Signal, where: Where, limits: BenchLimits
) -> tuple[str, list[Finding]]:
    """How a named checksum is made, in words, and the frames in which it is wrong."""
    position = whole_byte(signal)
    rows, payloads = _whole_frames(table, decoded)
    told = limits.checksums.get(decoded.message.name)
    found = None
    if position is not None:
        found = (
            find_checksum(payloads, positions=(position,))
            if told is None
            else best_fit(payloads, told, (position,))
        )
    if found is None:
        detail, findings = prove_unknown(decoded, rows, payloads, signal, where)
        if detail == OWN_KIND:
            findings += cover_findings(detail, None, decoded.message, signal, where)
        return detail, findings
    detail, findings = _judge_checksum(
        decoded, rows, payloads, found, signal.name, signal.name, where
    )
    if found.share >= LEAST_SHARE:
        findings += cover_findings(detail, found, decoded.message, signal, where)
    if told is None:
        findings += differs_from_comment(found.kind.name, signal, where)
    return detail, findings


def _whole_frames(table: FrameTable, decoded: DecodedMessage) -> tuple[I64, U8]:
    """Frames of the defined length: their places among the decoded rows, and their payloads."""
    message = decoded.message
    whole = np.flatnonzero(table.length[decoded.rows] == message.length)
    return whole, table.payload_matrix(decoded.rows[whole], message.length)


def _judge_checksum(
    decoded: DecodedMessage,
    rows: I64,
    payloads: U8,
    found: FoundChecksum,
    name: str,
    signal: str | None,
    where: Where,
) -> tuple[str, list[Finding]]:
    wrong = np.flatnonzero(expected_checksums(payloads, found) != payloads[:, found.position])
    detail = found.kind.name + (f", combined with 0x{found.constant:02X}" if found.constant else "")
    if not len(wrong):
        return detail, []
    return detail, [wrong_finding(decoded, rows, wrong, name, signal, detail, where)]


def prove_undefined(
    table: FrameTable,
    decoded: DecodedMessage,
    proofs: Sequence[SignalProof],
    where: Where,
    limits: BenchLimits,
    pauses: Sequence[Pause] = (),
) -> tuple[list[SignalProof], list[Finding]]:
    """Counters and a checksum in bits without a name, or in bytes whose name says nothing.

    Returns the message's signals with what was found put in, and what is wrong with it.
    """
    message = decoded.message
    made = list(proofs)
    findings: list[Finding] = []
    rows, payloads = _whole_frames(table, decoded)
    if not len(payloads):
        return made, findings
    roles = {p.name: p.role for p in proofs}
    if "checksum" not in roles.values():
        found = _find(payloads, message, roles, limits)
        if found is not None:
            signal = next((s for s in message.signals if whole_byte(s) == found.position), None)
            name = f"byte {found.position}" if signal is None else signal.name
            detail, more = _judge_checksum(
                decoded, rows, payloads, found, name, signal.name if signal else None, where
            )
            findings += more
            _put(made, name, "checksum", detail, payloads[:, found.position])
    if "counter" not in roles.values():
        named = functools.reduce(or_, (s.mask() for s in message.signals), 0)
        taken = named.to_bytes((named.bit_length() + 7) // 8 + message.length, "little")
        for start, length in find_counters(payloads):
            if taken[start // 8] >> start % 8 & (1 << length) - 1:
                continue
            raw = payloads[:, start // 8].astype(np.int64) >> start % 8 & (1 << length) - 1
            if not looks_like_counter(raw, 1 << length, least_share=SURE_SHARE):
                continue
            name = f"bits {start} to {start + length - 1}"
            detail, more = _judge_counter(
                decoded, rows, raw, length, name, None, where, pauses=pauses
            )
            findings += more
            _put(made, name, "counter", detail, raw)
    return made, findings


def _put(proofs: list[SignalProof], name: str, role: str, detail: str, values: I64 | U8) -> None:
    """Give a signal its role; what no signal names becomes an entry of its own."""
    for place, proof in enumerate(proofs):
        if proof.name == name:
            proofs[place] = replace(proof, role=role, detail=detail)
            return
    low, high = int(values.min()), int(values.max())
    proofs.append(
        SignalProof(
            name=name,
            unit="",
            role=role,
            frames=len(values),
            lowest=low,
            highest=high,
            out_of_range=0,
            constant=low == high,
            detail=f"{detail}, not in the definition",
        )
    )


def _find(
    payloads: U8, message: Message, roles: dict[str, str], limits: BenchLimits
) -> FoundChecksum | None:
    """A checksum byte nobody named: as told, or as found."""
    told = limits.checksums.get(message.name)
    if told is not None:
        return best_fit(payloads, told)
    candidates = tuple(_candidates(message, roles))
    found = find_checksum(payloads, positions=candidates) if candidates else None
    if found is None or found.kind.method == "crc":
        return found
    # A byte that repeats another one looks like a sum of all; a checksum covers more than one.
    moving = np.count_nonzero((payloads != payloads[0]).any(axis=0))
    return found if moving > 2 else None


def _candidates(message: Message, roles: dict[str, str]) -> Iterator[int]:
    """Bytes that could be a checksum: without a signal, or one plain signal; last byte first."""
    covering: dict[int, list[Signal]] = {}
    for signal in message.signals:
        for byte in range(signal.start // 8, signal.last_byte + 1):
            covering.setdefault(byte, []).append(signal)
    last = message.length - 1
    for byte in (last, 0, *range(1, last)) if last > 0 else ():
        signals = covering.get(byte, [])
        if not signals:
            yield byte
        elif len(signals) == 1 and whole_byte(signals[0]) == byte:
            plain = signals[0].scale == 1 and signals[0].offset == 0 and not signals[0].signed
            nameless = not signals[0].unit and not signals[0].choices
            if plain and nameless and roles.get(signals[0].name) == "value":
                yield byte
