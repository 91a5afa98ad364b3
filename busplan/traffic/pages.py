"""Messages that carry different things by turns: which bits say what a frame carries, page by page.

The rules of this file: a guess from how payloads behave. Pages are believed when the payload is
clearly calmer from one frame of a page to the next of it than from frame to frame; a selector
anywhere but in the first byte must also turn its pages in a steady order.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np

from busplan.frames.columns import I64, U8
from busplan.traffic.fields import LikelyValue, likely_values

_MOST_PAGES = 32
_LEAST_OF_A_PAGE = 8
_CALMER = 0.6
"""Pages are believed when bits flip less than this part as often within them as between frames."""
_STEADY_ORDER = 0.9
"""In this part of the frames the next page is the one that usually follows."""
_SELECTOR_BYTES = 8
"""Bytes in which a selector is looked for."""


@dataclass(frozen=True, slots=True)
class Selector:
    """The ``length`` bits from ``start`` on, within one byte, that say which page a frame has."""

    start: int
    length: int

    def of(self, payloads: U8) -> I64:
        """The page of every payload."""
        byte, shift = divmod(self.start, 8)
        return payloads[:, byte].astype(np.int64) >> shift & ((1 << self.length) - 1)

    @property
    def bits(self) -> set[int]:
        """Its bits (byte * 8 + bit)."""
        return set(range(self.start, self.start + self.length))

    def __str__(self) -> str:
        byte, low = divmod(self.start, 8)
        part = "" if self.length == 8 else f" bits {low + self.length - 1}-{low}"
        return f"byte {byte}{part}"


def find_selector(sample: U8, claimed: Collection[int] = ()) -> Selector | None:
    """The bits that turn pages in payloads ``sample`` (n, bytes), if any do.

    Their values step from frame to frame, each comes often enough to be looked at, and all other
    bits flip clearly less often from one frame of a page to the next of it than from frame to
    frame. ``claimed`` bits (byte * 8 + bit), such as a checksum's, are neither.
    """
    if len(sample) < 2 * _LEAST_OF_A_PAGE or sample.shape[1] < 2:
        return None
    for byte in range(min(sample.shape[1], _SELECTOR_BYTES)):
        for start, length in ((0, 8), (0, 4), (4, 4)):
            selector = Selector(8 * byte + start, length)
            if selector.bits.isdisjoint(claimed) and _turns_pages(sample, selector, claimed):
                return selector
    return None


def _turns_pages(sample: U8, selector: Selector, claimed: Collection[int]) -> bool:
    pages = selector.of(sample)
    kinds, counts = np.unique(pages, return_counts=True)
    if not 2 <= len(kinds) <= _MOST_PAGES or counts.min() < _LEAST_OF_A_PAGE:
        return False
    if len(kinds) == 1 << selector.length or (np.diff(pages) != 0).mean() < 0.5:
        return False
    byte = selector.start // 8
    if byte and _steadiness(pages, kinds) < _STEADY_ORDER:
        return False
    left_out = {byte, *(bit // 8 for bit in claimed)}
    rest = sample[:, [b for b in range(sample.shape[1]) if b not in left_out]]
    order = np.argsort(pages, kind="stable")
    same = np.diff(pages[order]) == 0
    within = _flips(rest[order][:-1][same], rest[order][1:][same])
    return within < _CALMER * _flips(rest[:-1], rest[1:])


def _steadiness(pages: I64, kinds: I64) -> float:
    """In which part of the frames the page is followed by the one that usually follows it."""
    place = np.searchsorted(kinds, pages)
    follows = np.zeros((len(kinds), len(kinds)), np.int64)
    np.add.at(follows, (place[:-1], place[1:]), 1)
    return float(follows.max(axis=1).sum() / max(len(pages) - 1, 1))


def _flips(before: U8, after: U8) -> float:
    """Bits that differ between payloads, on average."""
    return float(np.unpackbits(before ^ after, axis=1).sum(axis=1).mean()) if len(before) else 0.0


def values_by_page(sample: U8, selector: Selector, claimed: set[int]) -> Iterator[LikelyValue]:
    """Likely values of each page apart from the others, as :func:`likely_values` finds them."""
    pages = selector.of(sample)
    for page in np.unique(pages).tolist():
        for value in likely_values(sample[pages == page], claimed | selector.bits):
            yield replace(value, page=page)
