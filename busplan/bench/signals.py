"""Signals of one message on the bench: range and movement; protection is told apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from busplan.bench.counters_checksums import (
    is_counter,
    prove_checksum,
    prove_counter,
    prove_undefined,
)
from busplan.bench.frozen import frozen_findings
from busplan.bench.node_report import BenchLimits, MessageProof, SignalProof
from busplan.bench.plan_bounds import bound_findings
from busplan.bench.raw_ends import end_findings, not_available
from busplan.bench.report_tables import number_text
from busplan.bench.rhythm import Pause
from busplan.bench.scale_hint import scale_hint
from busplan.bench.when_wrong import frame_at, when_wrong
from busplan.decode.codec import DecodedMessage, DecodedSignal, decode_message
from busplan.decode.protected_names import is_identity, is_named_checksum
from busplan.definitions.model import Message
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import quoted

MOVING_BITS = 8
"""Signals narrower than this may well stand still through a whole test."""


def prove_signals(
    table: FrameTable,
    rows: I64,
    stream: Stream,
    where: Where,
    limits: BenchLimits,
    pauses: Sequence[Pause] = (),
) -> tuple[tuple[SignalProof, ...], tuple[Finding, ...]]:
    """Every signal of a stream's message over the frames in ``rows``, and what is wrong with them.

    ``pauses`` are restarts of the node, over which no counter goes on.
    """
    message, bounds = stream.message, dict(stream.bounds.signals)
    decoded = decode_message(table, rows, message)
    proofs, findings = [], []
    still = []
    for name, signal in decoded.signals.items():
        proof, found = _prove(table, decoded, signal, where, limits, pauses)
        proofs.append(proof)
        findings += found
        wide = signal.signal.length >= MOVING_BITS and not signal.signal.choices
        told = name in bounds and bounds[name].still is not None
        if proof.role == "value" and proof.constant and wide and not told:
            still.append(name)
    findings += bound_findings(decoded, bounds, where)
    proofs, at_end = end_findings(decoded, proofs, where)
    findings += at_end
    more_proofs, more_findings = prove_undefined(table, decoded, proofs, where, limits, pauses)
    findings += more_findings
    findings += frozen_findings(decoded, more_proofs, where)
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
    return tuple(more_proofs), tuple(findings)


def _prove(
    table: FrameTable,
    decoded: DecodedMessage,
    column: DecodedSignal,
    where: Where,
    limits: BenchLimits,
    pauses: Sequence[Pause],
) -> tuple[SignalProof, list[Finding]]:
    signal = column.signal
    if signal.is_text:
        return _text(column, decoded.message), []
    none = not_available(signal, decoded.message)
    carried = column.present if none is None else column.present & (column.raw != none)
    values = column.values[carried]
    numbers = values[np.isfinite(values)]
    outside = _out_of_range(column, decoded.message)
    findings = list(_range_findings(decoded, column, outside, where))
    role, detail = "selector" if signal.selects else "value", ""
    if is_named_checksum(signal):
        role = "checksum"
        detail, more = prove_checksum(table, decoded, signal, where, limits)
        findings += more
    elif not signal.selects and is_counter(column):
        role = "counter"
        detail, more = prove_counter(decoded, column, where, pauses)
        findings += more
    elif is_identity(signal) and len(values) > 1:
        different = len(np.unique(column.raw[carried]))
        if different == 1:
            role, detail = "identity", signal.choices.get(int(column.raw[carried][0]), "")
        else:
            findings.append(_changing(signal.name, different, where))
    proof = SignalProof(
        name=signal.name,
        unit=signal.unit,
        role=role,
        frames=len(values),
        lowest=numbers.min().item() if len(numbers) else None,
        highest=numbers.max().item() if len(numbers) else None,
        out_of_range=int(outside.sum()),
        constant=bool(len(values) > 1 and values.min() == values.max()),
        detail=detail,
    )
    return proof, findings


def _changing(name: str, different: int, where: Where) -> Finding:
    return Finding(
        "identity-changes",
        Weight.NOTE,
        Where(where.network, where.node, where.message, name),
        f"{name} took {different} values, though by its name it says which part this is",
        why="Either the name misleads, or two parts send.",
        action="Look at the values; unplug everything else from the bench and test again.",
        figures=(Figure("values", different),),
    )


def _text(column: DecodedSignal, message: Message) -> SignalProof:
    """What a text signal said, the first few of different ones; J1939 text of no sign is none."""
    came = column.values[column.present].tolist()
    if message.j1939 is not None:
        came = [text for text in came if text]
    return SignalProof(
        name=column.signal.name,
        unit=column.signal.unit,
        role="text",
        frames=len(came),
        lowest=None,
        highest=None,
        out_of_range=0,
        constant=len(came) > 1 and len(set(came)) == 1,
        detail=quoted(came),
    )


def told_by_signals(proof: MessageProof, stream: Stream) -> Iterator[tuple[str, str]]:
    """What signals of a message say the part is, such as its serial number: name and text."""
    for one in proof.signals:
        if one.role == "identity":
            yield f"{proof.message.name} {one.name}", one.detail or number_text(one.lowest)
        elif one.role == "text" and one.constant and is_identity(stream.message.signal(one.name)):
            yield f"{proof.message.name} {one.name}", one.detail


def _out_of_range(column: DecodedSignal, message: Message) -> np.ndarray:
    """Values beyond the definition; J1939's "not available" is no value."""
    outside = column.out_of_range
    none = not_available(column.signal, message)
    if none is not None:
        outside = outside & (column.raw != none)
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
            frame_at(where, decoded, first, signal.name),
            f"{signal.name} leaves its stated range {signal.minimum}…{signal.maximum}"
            f"{f' {signal.unit}' if signal.unit else ''} in {int(outside.sum())} of "
            f"{int(column.present.sum())} frames "
            f"(seen {wrong.min():g}…{wrong.max():g})"
            + when_wrong(decoded.time_ns, np.flatnonzero(outside)),
            why="Receivers may clip, ignore or misread values beyond the definition.",
            action=" ".join(
                ("Ask the maker which is wrong, the definition or the node.", scale_hint(column))
            ).rstrip(),
            figures=(
                Figure("frames", int(outside.sum())),
                Figure("lowest", float(wrong.min()), signal.unit),
                Figure("highest", float(wrong.max()), signal.unit),
            ),
        )
    broken = np.flatnonzero(column.present & ~np.isfinite(column.values) & ~outside)
    if signal.is_float and len(broken):
        yield Finding(
            "signal-no-number",
            Weight.CAUTION,
            frame_at(where, decoded, int(broken[0]), signal.name),
            f"{signal.name} is no number in {len(broken)} of {int(column.present.sum())} frames"
            + when_wrong(decoded.time_ns, broken),
            why="An open sensor or a division by zero sends so; who calculates with it gets none.",
            action="Check the sensor and its wire; ask the maker what it means.",
            figures=(Figure("frames", len(broken)),),
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
