"""Names cut to the width of a column so that they stay apart.

The rules of this file: what names of one shape share is shortened first, ``~`` standing for what is
left out; what differs between them stays as long as any width holds it.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping

CUT = "~"
"""Stands for what has been left out."""
_TOKEN = re.compile(r"[A-Z]*[a-z]+|[A-Z]+|[0-9]+|[^A-Za-z0-9]")


def shortened(texts: Iterable[str], width: int) -> Mapping[str, str]:
    """Each text that is wider than ``width`` with its short form, at most so wide.

    Texts that differ keep differing where any such form of theirs does.
    """
    wide = list(dict.fromkeys(t for t in texts if len(t) > width))
    found: dict[str, str] = {}
    for group in _by_shape(wide).values():
        for text, parts in group.items():
            found[text] = _fitted(text, parts, width)
    taken: dict[str, list[str]] = defaultdict(list)
    for text, short in found.items():
        taken[short].append(text)
    alike = [t for same in taken.values() if len(same) > 1 for t in same]
    return found | _cut_apart(alike, width)


def least_width(texts: Iterable[str], least: int, most: int) -> int:
    """The smallest width from ``least`` to ``most`` at which no two texts look alike."""
    texts = list(dict.fromkeys(texts))
    low, high = least, most
    while low < high:
        middle = (low + high) // 2
        if _apart(texts, middle):
            high = middle
        else:
            low = middle + 1
    return low


def _apart(texts: list[str], width: int) -> bool:
    short = shortened(texts, width)
    return len({short.get(t, t) for t in texts}) == len(texts)


Parts = list[tuple[str, bool]]
"""The pieces of a name and whether all names of its shape share them."""


def _by_shape(texts: Iterable[str]) -> Mapping[tuple[str, ...], Mapping[str, Parts]]:
    """Texts of the same kinds of pieces, neighbouring pieces that all share put together."""
    groups: dict[tuple[str, ...], dict[str, list[str]]] = defaultdict(dict)
    for text in texts:
        tokens = _TOKEN.findall(text)
        groups[tuple(_kind(t) for t in tokens)][text] = tokens
    return {shape: _shared(group) for shape, group in groups.items()}


def _kind(token: str) -> str:
    if token.isdigit():
        return "0"
    return "a" if token[0].isalpha() else token


def _shared(group: Mapping[str, list[str]]) -> dict[str, Parts]:
    columns = zip(*group.values(), strict=True)
    common = [len(group) > 1 and len(set(column)) == 1 for column in columns]
    found = {}
    for text, tokens in group.items():
        parts: Parts = []
        for token, same in zip(tokens, common, strict=True):
            if parts and parts[-1][1] and same:
                parts[-1] = (parts[-1][0] + token, True)
            else:
                parts.append((token, same))
        found[text] = parts
    return found


def _fitted(text: str, parts: Parts, width: int) -> str:
    """The text with its shared pieces shortened alike, as little as the width asks for."""
    longest = max((len(p) for p, same in parts if same), default=0)
    for kept in range(longest - 1, -1, -1):
        short = "".join(
            f"{p[:kept]}{CUT}" if same and len(p) > kept + 1 else p for p, same in parts
        )
        if len(short) <= width:
            return short
    return _middle(text, width)


def _middle(text: str, width: int) -> str:
    tail = (width - 1) // 2
    return _split(text, width, width - 1 - tail)


def _split(text: str, width: int, head: int) -> str:
    tail = width - 1 - head
    return f"{text[:head]}{CUT}{text[len(text) - tail :] if tail else ''}"


def _cut_apart(texts: list[str], width: int) -> dict[str, str]:
    """Cut in the middle, or wherever most texts stay different."""
    if not texts:
        return {}
    middle = width - 1 - (width - 1) // 2
    places = sorted(range(width), key=lambda head: abs(head - middle))
    best = max(places, key=lambda head: len({_split(t, width, head) for t in texts}))
    return {t: _split(t, width, best) for t in texts}
