"""Changes of a definition that a node's frames may speak for: byte order, sign, places, sizes.

The rules of this file: pure. A change is the message's signals as they would be; whether they fit
what came is judged elsewhere. What usually changes from one version of a definition to the next:
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

from busplan.definitions.model import Message, Signal
from busplan.wording import counted

MOVES = (1, -1, 2, -2, 3, -3, 4, -4)
"""Bytes by which all values are tried later or earlier."""
RESIZES = (8, -8, 4, -4, 2, -2, 1, -1, 16, -16)
"""Bits by which one value is tried wider or narrower."""
NARROWER = (1, 2, 3, 4, 5, 6, 7, 8)
"""Bits by which all values are tried narrower, as they are or one right behind the other."""
LEAST_BITS = 2

Of = Callable[[Signal], Signal | None]


class Change(NamedTuple):
    """A hypothesis: its words, and every signal of the message as it would be.

    ``resizes``: it changes sizes, of which there are so many that it needs more evidence.
    ``odd``: so many values have to be odd as defined and not with it, before it is believed.
    ``alone``: it is about one value, so one wrong value is enough.
    """

    words: str
    signals: Mapping[str, Signal]
    resizes: bool = False
    odd: int = 0
    alone: bool = False


def changes_of(message: Message, telling: Sequence[str], wrong: Sequence[str]) -> Iterator[Change]:
    """Every change to try; the ``telling`` signals have to have room with it.

    ``wrong`` are those of them that do not fit as defined. The simplest changes come first.
    """
    yield from _made(message, telling, "the other byte order", other_byte_order)
    yield from _made(message, telling, "the other sign rule (signed for unsigned)", _other_sign)
    for n in MOVES:
        way = "later" if n > 0 else "earlier"
        words = f"all values {counted(abs(n), 'byte')} {way}"
        yield from _made(message, telling, words, partial(_moved, bits=8 * n))
    order = sorted(telling, key=lambda name: _place(message.signal(name)))
    first_wrong = next((n for n, name in enumerate(order) if name in wrong), -1)
    movable = order[: first_wrong + 1]  # what comes after the first wrong one has moved with it
    for first in movable:
        yield from _from_one_on(message, telling, order, first)
    for first in movable:
        yield from _one_resized(message, telling, order, first)
    for name in wrong:
        yield from _one_other_order(message, telling, name)
    yield from _all_narrower(message, telling, order)
    yield from _in_a_row(message, telling, order)


def _made(
    message: Message, telling: Sequence[str], words: str, of: Of, *, odd: int = 0
) -> Iterator[Change]:
    """The change that makes this of every signal; one that tells nothing may stay as it is."""
    made = {}
    for signal in message.signals:
        changed = of(signal)
        if changed is None and signal.name in telling:
            return
        made[signal.name] = signal if changed is None else changed
    if any(made[name] != message.signal(name) for name in telling):
        yield Change(words, made, odd > 0, odd)


def other_byte_order(signal: Signal) -> Signal | None:
    """The signal with its bytes in the other order; one within a byte stays as it is."""
    bits = signal.bits()
    first, last = min(bits) // 8, max(bits) // 8
    if first == last:
        return signal
    if signal.length % 8 or (len(bits) // 8) != last - first + 1:
        return None
    start = 8 * first if signal.big_endian else 8 * first + 7
    return replace(signal, big_endian=not signal.big_endian, start=start)


def _other_sign(signal: Signal) -> Signal:
    """The signal read with a sign where it has none, or the other way round."""
    if signal.is_float or signal.length < LEAST_BITS:
        return signal
    return replace(signal, signed=not signal.signed)


def _place(signal: Signal) -> int:
    """Its first bit in the order of the wire for big-endian signals, of numbers for the others."""
    return signal.start ^ 7 if signal.big_endian else signal.start


def _moved(signal: Signal, bits: int) -> Signal | None:
    """The signal so many bits later; ``None`` before the payload."""
    place = _place(signal) + bits
    if place < 0:
        return None
    return replace(signal, start=place ^ 7 if signal.big_endian else place)


def _sized(signal: Signal, bits: int) -> Signal | None:
    """The signal so many bits wider, beginning where it did."""
    length = signal.length + bits
    if signal.is_float or not LEAST_BITS <= length <= 64:
        return None
    return replace(signal, length=length)


def _way(bits: int) -> str:
    return f"{counted(abs(bits), 'bit')} {'later' if bits > 0 else 'earlier'}"


def _from_one_on(
    message: Message, telling: Sequence[str], order: Sequence[str], first: str
) -> Iterator[Change]:
    """Values from the ``first`` one on lie elsewhere."""
    begin = _place(message.signal(first))
    for by in RESIZES:
        if first == order[0] and by % 8 == 0:
            continue  # that is tried with all values already

        def moved(signal: Signal, by: int = by) -> Signal | None:
            return _moved(signal, by) if _place(signal) >= begin else signal

        follows = "" if first == order[-1] else " and what follows"
        yield from _made(message, telling, f"{first}{follows} {_way(by)}", moved, odd=1)


def _one_resized(
    message: Message, telling: Sequence[str], order: Sequence[str], first: str
) -> Iterator[Change]:
    """The ``first`` value has another size, so that those behind it lie elsewhere."""
    here = message.signal(first)
    begin = _place(here)
    for by in () if first == order[-1] else RESIZES:

        def resized(signal: Signal, by: int = by) -> Signal | None:
            if signal.name == first:
                return _sized(signal, by)
            return _moved(signal, by) if _place(signal) > begin else signal

        words = (
            f"{first} {here.length + by} instead of {here.length} bits wide and what follows "
            f"{_way(by)}"
        )
        yield from _made(message, telling, words, resized, odd=1)


def _one_other_order(message: Message, telling: Sequence[str], name: str) -> Iterator[Change]:
    """One value in the other byte order, beside others that are right."""

    def of(signal: Signal) -> Signal | None:
        return other_byte_order(signal) if signal.name == name else signal

    for change in _made(message, telling, f"{name} in the other byte order", of, odd=1):
        yield change._replace(alone=True)


def _all_narrower(
    message: Message, telling: Sequence[str], order: Sequence[str]
) -> Iterator[Change]:
    """Values of one size, all narrower: the bits above hold something else, or close ranks."""
    lengths = {message.signal(n).length for n in telling}
    if len(lengths) != 1:
        return
    length = lengths.pop()
    for n in NARROWER:

        def cut(signal: Signal, n: int = n) -> Signal | None:
            if signal.name not in telling:
                return signal
            kept = _moved(signal, n) if signal.big_endian else signal
            return None if kept is None else _sized(kept, -n)

        def packed(signal: Signal, n: int = n) -> Signal | None:
            if signal.name not in telling:
                return signal
            small = _sized(signal, -n)
            return None if small is None else _moved(small, -n * order.index(signal.name))

        words = f"values of {length - n} instead of {length} bits"
        yield from _made(message, telling, words, cut, odd=2)
        close = f"{words}, one right behind the other"
        yield from _made(message, telling, close, packed, odd=1)


def _in_a_row(message: Message, telling: Sequence[str], order: Sequence[str]) -> Iterator[Change]:
    """Values without a gap between them, or each from a whole byte on; the first stays."""
    for unit, words in (
        (1, "the values one right behind the other"),
        (8, "each value on whole bytes, one behind the other"),
    ):
        places = {}
        at = _place(message.signal(order[0]))
        for name in order:
            at = -(-at // unit) * unit if name != order[0] else at
            places[name] = at
            at += message.signal(name).length

        def moved(signal: Signal, places: Mapping[str, int] = places) -> Signal | None:
            by = places.get(signal.name, _place(signal)) - _place(signal)
            return _moved(signal, by)

        yield from _made(message, telling, words, moved, odd=1)
