"""Named checksums: what is said of those of no published kind, of another than their comment names,
and of wrong ones.

The rules of this file: a checksum that nobody could check does not pass. One that stands still
while the bytes it covers change protects nothing. One that is some linear function of all other
bits (``decode.linear_code``) is checked by that function, whatever its kind. A payload that hardly
changes shows nothing, as any value that had no reason to move.
"""

from __future__ import annotations

import re

import numpy as np

from busplan.bench.when_wrong import frame_at, when_wrong
from busplan.decode.codec import DecodedMessage
from busplan.decode.linear_code import linear_misfits
from busplan.decode.protection import DISTINCT, KINDS
from busplan.definitions.model import Signal
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64, U8

_NAMED = {k.name: re.compile(rf"\b{re.escape(k.name.casefold())}(?! reflected)\b") for k in KINDS}
OWN_KIND = "linear, of no published kind"


def prove_unknown(
    decoded: DecodedMessage, rows: I64, payloads: U8, signal: Signal, where: Where
) -> tuple[str, list[Finding]]:
    """What a checksum is whose kind is not known, in words, and what is wrong with it.

    ``payloads`` are the frames of the defined length, ``rows`` their places among the decoded ones.
    """
    here = Where(where.network, where.node, where.message, signal.name)
    mask = signal.mask()
    room = np.frombuffer(
        mask.to_bytes(max(payloads.shape[1], signal.last_byte + 1), "little"), "u1"
    )
    room = room[: payloads.shape[1]]
    covered = np.unique(payloads & ~room, axis=0)
    moves = bool(len(payloads)) and bool(((payloads ^ payloads[0]) & room).any())
    if len(covered) < DISTINCT:
        words = (
            f"{signal.name}: {len(covered)} different payloads are too few to tell how it is made"
        )
        return "kind not recognised", [_not_recognised(here, words, Weight.NOTE)]
    if not moves:
        return "stands still", [_still(here, signal, len(payloads), len(covered))]
    misfits = linear_misfits(payloads, mask)
    if misfits is None:
        words = f"{signal.name}: no kind that busplan knows fits {len(payloads)} frames"
        return "kind not recognised", [_not_recognised(here, words, Weight.CAUTION)]
    if not len(misfits):
        return OWN_KIND, []
    return OWN_KIND, [
        wrong_finding(decoded, rows, misfits, signal.name, signal.name, OWN_KIND, where)
    ]


def differs_from_comment(kind: str, signal: Signal, where: Where) -> list[Finding]:
    """That the comment of the definition names one published CRC and the frames carry another kind.

    Words in a comment are no statement that a program can trust: a person has to look.
    """
    told = signal.comment.casefold()
    named = [k.name for k in KINDS if k.method == "crc" and _NAMED[k.name].search(told)]
    if len(named) != 1 or kind in named:
        return []
    return [
        Finding(
            "checksum-kind-differs",
            Weight.CAUTION,
            Where(where.network, where.node, where.message, signal.name),
            f"{signal.name} fits {kind}, and the comment of its definition says {named[0]}",
            why="Receivers made by that comment drop every frame.",
            action="Ask the maker which is right, and tell it with --checksum.",
        )
    ]


def _not_recognised(where: Where, words: str, weight: Weight) -> Finding:
    return Finding(
        "checksum-not-recognised",
        weight,
        where,
        words,
        why="Its frames could not be checked.",
        action="Ask the maker how it is made, and tell it with --checksum.",
    )


def _still(where: Where, signal: Signal, frames: int, different: int) -> Finding:
    return Finding(
        "checksum-still",
        Weight.CAUTION,
        where,
        f"{signal.name} never changes in {frames} frames with {different} different payloads",
        why="It protects nothing; receivers that check it drop nearly all frames.",
        action="Ask the maker whether it has to be switched on, or is not used.",
        figures=(Figure("frames", frames), Figure("payloads", different)),
    )


def wrong_finding(
    decoded: DecodedMessage,
    rows: I64,
    wrong: I64,
    name: str,
    signal: str | None,
    detail: str,
    where: Where,
) -> Finding:
    """That the ``wrong`` ones of the frames at ``rows`` are so; ``detail`` is the kind."""
    return Finding(
        "checksum-wrong",
        Weight.FAULT,
        frame_at(where, decoded, int(rows[wrong[0]]), signal),
        f"{name} is wrong in {len(wrong)} of {len(rows)} frames ({detail})"
        + when_wrong(decoded.time_ns[rows], wrong),
        why="Receivers that check it drop these frames.",
        action="Look at the first one; if it is always wrong, the kind differs from the one "
        "told or found.",
        figures=(Figure("frames", len(wrong)), Figure("of", len(rows))),
    )
