"""Signals of one message on the bench: range, movement, counters, checksums."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from busplan.bench.model import BenchLimits, SignalProof
from busplan.capture.frames import I64, FrameTable
from busplan.decode.codec import DecodedMessage, DecodedSignal, decode_message
from busplan.decode.protection import (
    FoundChecksum,
    check_counter,
    counter_modulus,
    expected_checksums,
    find_checksum,
    looks_like_counter,
)
from busplan.definitions.model import Message, Signal
from busplan.findings import Figure, Finding, Weight, Where

COUNTER_NAME = re.compile(r"counter|alive|rolling|sequence|cnt", re.IGNORECASE)
CHECKSUM_NAME = re.compile(r"checksum|crc|chksum", re.IGNORECASE)
MOVING_BITS = 8
"""Signals narrower than this may well stand still through a whole test."""


def prove_signals(
    table: FrameTable, rows: I64, message: Message, where: Where, limits: BenchLimits
) -> tuple[tuple[SignalProof, ...], tuple[Finding, ...]]:
    """Every signal of a message over the frames in ``rows``, and what is wrong with them."""
    decoded = decode_message(table, rows, message)
    proofs, findings = [], []
    still = []
    for name, signal in decoded.signals.items():
        proof, found = _prove(table, decoded, signal, where, limits)
        proofs.append(proof)
        findings += found
        wide = signal.signal.length >= MOVING_BITS and not signal.signal.choices
        if proof.role == "value" and proof.constant and wide:
            still.append(name)
    if still:
        findings.append(
            Finding(
                "signal-still",
                Weight.NOTE,
                replace(where, time_ns=None),
                f"{message.name}: {', '.join(still)} never changed",
                why="A value that cannot move looks the same as one that had no reason to.",
                action="Make the quantity change during the test if you need to be sure.",
                figures=(Figure("signals", len(still)),),
            )
        )
    return tuple(proofs), tuple(findings)


def _prove(
    table: FrameTable,
    decoded: DecodedMessage,
    column: DecodedSignal,
    where: Where,
    limits: BenchLimits,
) -> tuple[SignalProof, list[Finding]]:
    signal = column.signal
    present = column.present
    values = column.values[present]
    outside = _out_of_range(column, decoded.message)
    findings = list(_range_findings(decoded, column, outside, where))
    role, detail = "selector" if signal.selects else "value", ""
    if _may_be_checksum(signal, decoded.message, limits):
        role = "checksum"
        detail, more = _prove_checksum(table, decoded, signal, where, limits)
        findings += more
    elif not signal.selects and _is_counter(column):
        role = "counter"
        detail, more = _prove_counter(decoded, column, where)
        findings += more
    proof = SignalProof(
        signal.name,
        signal.unit,
        role,
        len(values),
        values.min().item() if len(values) else None,
        values.max().item() if len(values) else None,
        int(outside.sum()),
        bool(len(values) > 1 and values.min() == values.max()),
        detail,
    )
    return proof, findings


def _out_of_range(column: DecodedSignal, message: Message) -> np.ndarray:
    """Values beyond the definition; J1939's "not available" (all bits one) is no value.

    SAE J1939-71 reserves the top of each raw range for it; from memory.
    """
    outside = column.out_of_range
    if message.j1939 is not None and not column.signal.is_float:
        all_ones = (1 << column.signal.length) - 1 if not column.signal.signed else -1
        outside = outside & (column.raw != all_ones)
    return outside


def _range_findings(
    decoded: DecodedMessage, column: DecodedSignal, outside: np.ndarray, where: Where
) -> Iterator[Finding]:
    signal = column.signal
    if outside.any():
        first = int(np.flatnonzero(outside)[0])
        wrong = column.values[outside]
        yield Finding(
            "signal-out-of-range",
            Weight.FAULT,
            _at(where, decoded, first, signal.name),
            f"{signal.name} leaves its stated range {signal.minimum}…{signal.maximum} "
            f"{signal.unit} in {int(outside.sum())} of {int(column.present.sum())} frames "
            f"(seen {wrong.min():g}…{wrong.max():g})",
            why="Receivers may clip, ignore or misread values beyond the definition.",
            action="Ask the maker which is wrong, the definition or the node.",
            figures=(
                Figure("frames", int(outside.sum())),
                Figure("lowest", float(wrong.min()), signal.unit),
                Figure("highest", float(wrong.max()), signal.unit),
            ),
        )
    if signal.choices and not signal.is_float:
        unnamed = sorted(set(np.unique(column.raw[column.present]).tolist()) - set(signal.choices))
        if unnamed:
            yield Finding(
                "value-without-name",
                Weight.NOTE,
                Where(where.network, where.node, where.message, signal.name),
                f"{signal.name} takes values that its value table does not name: "
                f"{', '.join(map(str, unnamed[:5]))}",
                why="A display or a log can only show a number for them.",
                action="Ask the maker for the missing names.",
                figures=(Figure("values", len(unnamed)),),
            )


def _is_counter(column: DecodedSignal) -> bool:
    signal = column.signal
    if signal.is_float or signal.signed or not 2 <= signal.length <= 16 or signal.choices:
        return False
    raw = column.raw[column.present]
    if len(raw) < 2:
        return False
    if COUNTER_NAME.search(signal.name):
        return bool(raw.min() != raw.max())
    plain = signal.scale == 1 and signal.offset == 0 and not signal.unit
    return plain and looks_like_counter(raw, 1 << signal.length, least_share=0.95)


def _prove_counter(
    decoded: DecodedMessage, column: DecodedSignal, where: Where
) -> tuple[str, list[Finding]]:
    rows = np.flatnonzero(column.present)
    raw = column.raw[rows]
    modulus = counter_modulus(raw, column.signal.length)
    verdict = check_counter(raw, modulus)
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
        if len(places):
            findings.append(
                Finding(
                    code,
                    Weight.FAULT,
                    _at(where, decoded, int(rows[places[0]]), column.signal.name),
                    f"{column.signal.name} {words} in {len(places)} of {verdict.steps} steps",
                    why=why,
                    action="See whether the recorder dropped frames; if not, ask the maker.",
                    figures=(Figure("places", len(places)), Figure("steps", verdict.steps)),
                )
            )
    return f"counts by {verdict.step} modulo {modulus}", findings


def _may_be_checksum(signal: Signal, message: Message, limits: BenchLimits) -> bool:
    if signal.length != 8 or signal.is_float or _byte_of(signal) is None:
        return False
    told = message.name in limits.checksums
    return bool(CHECKSUM_NAME.search(signal.name)) or (
        told
        and not any(CHECKSUM_NAME.search(s.name) for s in message.signals)
        and signal is message.signals[-1]
    )


def _byte_of(signal: Signal) -> int | None:
    """The payload byte an 8-bit signal fills exactly; ``None`` when it straddles two."""
    bits = signal.bits()
    return bits[0] // 8 if bits[0] % 8 == 0 and bits[-1] == bits[0] + 7 else None


def _prove_checksum(
    table: FrameTable, decoded: DecodedMessage, signal: Signal, where: Where, limits: BenchLimits
) -> tuple[str, list[Finding]]:
    message = decoded.message
    whole = np.flatnonzero(table.length[decoded.rows] == message.length)
    payloads = table.payload_matrix(decoded.rows[whole], message.length)
    position = _byte_of(signal)
    assert position is not None
    told = limits.checksums.get(message.name)
    found = (
        FoundChecksum(position, told, 0, 1.0)
        if told is not None
        else find_checksum(payloads, positions=(position,))
    )
    if found is None:
        return "kind not recognised", [
            Finding(
                "checksum-not-recognised",
                Weight.NOTE,
                Where(where.network, where.node, where.message, signal.name),
                f"{signal.name}: none of the published kinds fits {len(payloads)} frames",
                why="Its frames could not be checked.",
                action="Ask the maker how it is made, and tell it with --checksum.",
            )
        ]
    wrong = np.flatnonzero(expected_checksums(payloads, found) != payloads[:, position])
    detail = found.kind.name + (f", combined with 0x{found.constant:02X}" if found.constant else "")
    if not len(wrong):
        return detail, []
    first = int(whole[wrong[0]])
    return detail, [
        Finding(
            "checksum-wrong",
            Weight.FAULT,
            _at(where, decoded, first, signal.name),
            f"{signal.name} is wrong in {len(wrong)} of {len(payloads)} frames ({detail})",
            why="Receivers that check it drop these frames.",
            action="Look at the first one; if it is always wrong, the kind differs from the one "
            "told or found.",
            figures=(Figure("frames", len(wrong)), Figure("of", len(payloads))),
        )
    ]


def _at(where: Where, decoded: DecodedMessage, index: int, signal: str) -> Where:
    """The place of one frame; ``where.time_ns`` holds the capture's first time."""
    time_ns = int(decoded.time_ns[index]) - (where.time_ns or 0)
    return Where(where.network, where.node, where.message, signal, time_ns=time_ns)
