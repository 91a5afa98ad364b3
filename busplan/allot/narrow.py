"""The cheapest answer of a programme, looked for first among what its relaxation leaves.

Solved without whole numbers, a programme says of each variable how much dearer every answer is in
which it is otherwise. So in all answers that cost at most so much more than that solution most
variables are known, and the rest is a small programme. What it gives is the cheapest of all if it
costs no more than that; if not, there is none at that cost, and it is looked for further up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

from busplan.allot.covers import Cover
from busplan.allot.once import NOTHING, TOLERANCE, Once, step_of
from busplan.allot.parts import Parts, Side
from busplan.allot.programme import Programme, Solved
from busplan.allot.solver import Basis, Relaxation
from busplan.allot.tree import Part, Tree
from busplan.frames.columns import F64

_FIRST = 0.01
"""How far above the relaxed cost is looked first, as a part of it."""
_AROUND = 0.02
"""The same where most is known already."""
_WIDER = 2.0
SMALL = 3_000
"""Variables up to which a programme is solved as it is."""
_LOOKS = 3
"""Times in a row that the programme is solved anew with what a look at a part told."""


def _nothing(x: F64) -> bool:
    return False


@dataclass
class Narrow:
    """A programme that is solved again and again, each time with more rows.

    ``left`` tells the seconds that are left, ``enough`` whether to end with what is known;
    ``covers``: what its proven rows imply; ``width``: how far above the relaxed cost is looked.
    """

    programme: Programme
    forbidden: Sequence[int] = ()
    left: Callable[[], float] = lambda: inf
    enough: Callable[[], bool] = lambda: False
    look: Callable[[F64], bool] = _nothing
    covers: list[Cover] = field(default_factory=list)
    width: float = 0.0
    _ended: Basis | None = None
    _parts: Sequence[Part] = ()
    """What was left of the whole, for answers of at most ``_useful``."""
    _useful: float = inf
    _looks: int = 0
    _hoped: float = 0.0
    _seen: dict[int, float] = field(default_factory=dict)

    def solve(
        self,
        gap: float,
        *,
        fixed: Mapping[int, float] = NOTHING,
        below: float = inf,
        sound: bool = False,
        wider: bool = False,
    ) -> Solved:
        """The cheapest answer, or one that may be: ``bound`` tells.

        ``below``: dearer ones than so much less ``gap`` are of no use, and none is given then where
        the programme is not small.
        ``fixed`` holds variables at a value. ``sound``: by what is proven only; ``wider``: look
        further than the last time.
        """
        linear = self.programme.linear(fixed, self.forbidden, sound=sound)
        step = step_of(linear.cost)
        small = len(linear.cost) <= SMALL
        useful = inf if small or below == inf else below - max(gap * below, step, 2 * TOLERANCE)
        once = Once(self.programme, linear, useful, step, gap, self._over, self.left)
        if small:
            return once.solved(linear, inf)
        relaxation = Relaxation(linear, once.rows(self.covers), self._ended)
        whole = not fixed and useful < inf
        if whole and self._parts and useful <= self._useful:
            return self._wholly(once, relaxation, self._parts, gap, below, sound=sound)
        relaxed = once.tightened(relaxation, inf, self.covers)
        if relaxed is None:
            return once.solved(linear, inf)
        if not fixed:
            self._ended, tight = relaxation.end()
            self.covers = [cover for cover, its in zip(self.covers, tight, strict=True) if its]
        if relaxed.cost == inf:
            return Solved(None, inf, inf, impossible=True)
        if relaxed.cost > useful + TOLERANCE:
            return Solved(None, inf, max(relaxed.cost, once.above(useful)), impossible=False)
        if whole:
            return self._wholly(once, relaxation, [Part(relaxed.cost, {})], gap, below, sound=sound)
        width = max((_AROUND if fixed else _FIRST) * relaxed.cost, step)
        if not fixed:
            width = self.width = max(width, self.width * (_WIDER if wider else 1.0))
        while True:
            top = min(relaxed.cost + width, useful)
            found = once.among(relaxed, top)
            if found.answer is not None or found.impossible or found.bound > useful:
                return found
            if top >= useful or self._over():
                return found
            width = width * _WIDER if useful == inf and width < relaxed.cost else inf

    def _over(self) -> bool:
        return self.enough() or self.left() <= 0

    def _wholly(
        self,
        once: Once,
        relaxation: Relaxation,
        parts: Sequence[Part],
        gap: float,
        below: float,
        *,
        sound: bool,
    ) -> Solved:
        """By parts, of which what is left is kept for the next time; anew when more is known.

        By what proves nothing less is left, which is not kept.
        """
        tree = Tree(*self.programme.pools(), once.useful + TOLERANCE, self._seen)
        tree.again(parts)
        known, ended = list(self.covers), self._ended

        def beside() -> Relaxation:
            return Relaxation(once.linear, once.rows(known), ended)

        self._looks = self._looks - 1 if self._looks else _LOOKS
        look = self.look if sound and self._looks else _nothing
        hoped = self._hoped if sound else inf
        looked = Parts(once, tree, Side(relaxation), beside, look, hoped)
        found = looked.cheapest()
        if sound:
            self._hoped = looked.hoped
            self.covers += looked.covers
            self._parts, self._useful = tree.parts(), once.useful
        if found is None:
            return self.solve(gap, below=below, sound=sound)
        self._looks = 0
        return found
