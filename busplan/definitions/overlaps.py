"""Which signals of a message share bits in one frame, at a cost that grows with their number.

The rules of this file: selectors make a tree. Signals below one selector meet only where the values
they go with meet; a signal always meets the selectors above it, and trees meet each other. So each
signal is held against what is in the frame beside it, by masks of all that lies below, and pairs
are only formed where masks touch. Conditions lead in no circle (``circles.py`` sees to it).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from busplan.definitions.model import Message

MOST_PAIRS = 20
"""Pairs looked for in one message: a file that has more is wrong as a whole."""

Pair = tuple[int, int, int]
"""Numbers of two signals, the later first, and how many bits they share."""


def overlaps(message: Message) -> tuple[list[Pair], bool]:
    """Pairs of signals that share bits in some frame, and whether there are more than those."""
    return _Search(message).run()


class _Search:
    def __init__(self, message: Message) -> None:
        signals = message.signals
        self.masks = [s.mask() for s in signals]
        number = {s.name: i for i, s in enumerate(signals)}
        self.below: dict[int | str, list[int]] = defaultdict(list)
        """Selector, by number or by the name that the message lacks → the signals below it."""
        self.tops: list[int | str] = []
        for i, signal in enumerate(signals):
            above: int | str | None = None
            if signal.condition is not None:
                name = signal.condition.selector
                above = number.get(name, name)
            if above is None:
                self.tops.append(i)
                continue
            if isinstance(above, str) and above not in self.below:
                self.tops.append(above)
            self.below[above].append(i)
        self.ranges = [() if s.condition is None else s.condition.ranges for s in signals]
        self.whole: dict[int | str, int] = {}
        """Every bit that a signal or one below it takes."""
        self.found: dict[tuple[int, int], int] = {}

    def run(self) -> tuple[list[Pair], bool]:
        for one in reversed(list(self._down(self.tops))):
            own = self.masks[one] if isinstance(one, int) else 0
            for each in self.below.get(one, ()):
                own |= self.whole[each]
            self.whole[one] = own
        self._beside(self.tops)
        for one in self._down(self.tops):
            if self._enough:
                break
            below = self.below.get(one, [])
            if isinstance(one, int) and self.masks[one]:
                for each in below:
                    if self.whole[each] & self.masks[one]:
                        self._pairs([one], self._down([each]))
            self._values(below)
        pairs = sorted((i, j, shared) for (i, j), shared in self.found.items())
        return pairs[:MOST_PAIRS], len(pairs) > MOST_PAIRS

    @property
    def _enough(self) -> bool:
        return len(self.found) > MOST_PAIRS

    def _down(self, ones: Iterable[int | str]) -> Iterator[int | str]:
        """The signals and all below them, those above first."""
        left = list(ones)
        while left:
            one = left.pop()
            yield one
            left += self.below.get(one, ())

    def _beside(self, ones: list[int | str]) -> None:
        """Pairs among trees that are all in one frame."""
        taken, before = 0, list[int | str]()
        for one in ones:
            if self.whole[one] & taken:
                self._against(one, before)
            if self._enough:
                return
            taken |= self.whole[one]
            before.append(one)

    def _values(self, ones: list[int]) -> None:
        """Pairs among the signals below one selector, from its lowest value up."""
        spans = sorted((low, high, i) for i in ones for low, high in self.ranges[i])
        active: list[tuple[int, int]] = []
        for low, high, one in spans:
            if self._enough:
                return
            active = [(end, other) for end, other in active if end >= low]
            self._against(one, [other for _, other in active if other != one])
            active.append((high, one))

    def _against(self, one: int | str, others: Iterable[int | str]) -> None:
        for other in others:
            if self.whole[one] & self.whole[other]:
                self._pairs(self._down([one]), list(self._down([other])))
            if self._enough:
                return

    def _pairs(self, ones: Iterable[int | str], others: Iterable[int | str]) -> None:
        many = [o for o in others if isinstance(o, int)]
        for one in ones:
            for other in many if isinstance(one, int) else ():
                shared = self.masks[one] & self.masks[other]  # type: ignore[index]
                if shared:
                    self.found[max(one, other), min(one, other)] = shared.bit_count()  # type: ignore
                    if self._enough:
                        return
