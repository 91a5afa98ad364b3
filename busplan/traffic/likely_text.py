"""Likely text in payloads nobody has defined: runs of bytes that are characters in every frame.

The rules of this file: a guess. Eight bytes that mean something else look like text once in 2,700
times (95 of 256 bytes are printable ASCII); letters and digits must be at least half of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busplan.decode.text import text_of
from busplan.frames.columns import U8
from busplan.wording import quoted

SHORTEST = 8
"""Bytes of the shortest run that is called text."""


@dataclass(frozen=True, slots=True)
class LikelyText:
    """Bytes ``first`` to ``last`` that are characters, and what they said at the end."""

    first: int
    last: int
    text: str

    def __str__(self) -> str:
        return f"bytes {self.first}-{self.last}: text {quoted([self.text])}"


def likely_texts(sample: U8) -> Iterator[LikelyText]:
    """Texts in ``sample`` (frame, byte), in the order of their bytes."""
    if sample.shape[0] == 0 or sample.shape[1] <= SHORTEST:
        return
    printable = ((sample >= 0x20) & (sample < 0x7F)).all(axis=0)
    edges = np.flatnonzero(np.diff(printable, prepend=False, append=False))
    for begin, end in edges.reshape(-1, 2).tolist():
        content = sample[-1, begin:end].tobytes()
        plain = sum(chr(byte).isalnum() for byte in content)
        if end - begin >= SHORTEST and 2 * plain >= end - begin:
            yield LikelyText(begin, end - 1, text_of(content))
