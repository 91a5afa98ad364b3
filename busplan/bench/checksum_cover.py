"""Whether a checksum covers the identifier of its frames, as the comment of its definition says.

The rules of this file: pure. A checksum over more than the payload gives the payload's own result
combined with a constant, since the identifier is the same in every frame (``decode.protection``). A
comment is read only where it says so plainly; what it means to say otherwise is left to a person.
How identifiers are mixed in is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from busplan.decode.protection import ChecksumKind, FoundChecksum, checksum
from busplan.definitions.model import Message, Signal
from busplan.findings import Finding, Weight, Where

_BETWEEN = (
    r"(?:the|its|own|can|message|frame|arbitration|payload|data|bytes?|all|other|low|high|lower"
    r"|upper|of|and|plus|to|both|full|whole|bits?|[0-9]+(?:(?:-|\.\.)(?:[0-9]+|bit))?)"
)
_COVERS = re.compile(
    r"\b(?:covers?|covering|over|across|includ(?:es?|ing))[\s,:()]+"
    rf"(?:{_BETWEEN}[\s,:()]+)*?"
    r"(?:(?<!data )identifier|(?:can|message|frame|arbitration)[ -]id)\b(?!\s*[0-9])"
)
"""Only such words may stand between: "over bytes 0 to 6 of the frame with this identifier" is
another matter."""
_DENIES = re.compile(
    r"\b(?:not|no|without|exclud\w*|except\w*|never|neither|nor|apart|instead|but|only|unless|if)\b"
)


def said_to_cover_identifier(comment: str) -> bool:
    """Whether a comment says for sure that a checksum covers the identifier."""
    sentences = re.split(r"[;!?\n]|\.(?![.\d])", comment.casefold())
    return any(
        _COVERS.search(" ".join(words.split())) and not _DENIES.search(words) for words in sentences
    )


def cover_findings(
    kind: str, found: FoundChecksum | None, message: Message, signal: Signal, where: Where
) -> list[Finding]:
    """What the frames show of a checksum whose comment says that it covers the identifier.

    ``found`` is how it is made, ``None`` when it is of no published kind; ``kind`` its name.
    """
    if not said_to_cover_identifier(signal.comment):
        return []
    here = Where(where.network, where.node, where.message, signal.name)
    usual = set() if found is None else set(_constants(found.kind, message))
    if found is not None and found.constant in usual - {0}:
        return []
    if found is not None and found.constant == 0 and 0 not in usual:
        return [
            Finding(
                "checksum-covers-less",
                Weight.CAUTION,
                here,
                f"{signal.name} fits {kind} over the payload alone, and the comment of its "
                "definition says that it covers the identifier",
                why="Receivers made by that comment drop every frame, and a frame that came under "
                "a wrong identifier would pass for a good one.",
                action="Ask the maker which is right.",
            )
        ]
    return [
        Finding(
            "checksum-cover-open",
            Weight.NOTE,
            here,
            f"whether {signal.name} covers the identifier, as the comment of its definition says, "
            f"was not told apart ({kind})",
            why="It is the same in every frame: a start value of the maker's own looks alike.",
            action="Ask the maker for one frame worked out by hand.",
        )
    ]


def _constants(kind: ChecksumKind, message: Message) -> Iterator[int]:
    """What a result is combined with when the identifier goes in, in each of the usual ways."""
    number = message.identifier
    low, high = number & 0xFF, number >> 8 & 0xFF
    nothing = np.zeros((1, max(message.length - 1, 1)), np.uint8)
    own = int(checksum(nothing, kind)[0])
    for size in (1, 2, 4):
        for order in ("little", "big"):
            part = number & (1 << 8 * size) - 1
            first = np.frombuffer(part.to_bytes(size, order), np.uint8)[None]
            with_it = int(checksum(np.concatenate([first, nothing], axis=1), kind)[0])
            yield (with_it - own) % 256 if kind.method == "sum" else with_it ^ own
    yield from (low, high, low ^ high, (low + high) % 256)
