"""What judging an answer has taught, for the programme to hold from then on."""

from __future__ import annotations

from dataclasses import dataclass

Who = tuple[int, int, int, bool]
"""Unit, its option, its message, and whether a gateway brings it."""

ANY_NAME = -1
"""In place of an option: whatever identifier a message is brought under."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What makes a message late that a gateway brings from another network: who is there.

    ``units``: (unit, its option where it matters, network); ``kept``: (unit, message, network) that
    keep their identifiers there; ``carried``: (unit, message, network, option) that gateways bring
    there under those of an option; ``rates``: networks that run so fast [bit/s] or slower.
    """

    units: frozenset[tuple[int, int | None, int]] = frozenset()
    kept: frozenset[tuple[int, int, int]] = frozenset()
    rates: frozenset[tuple[int, int]] = frozenset()
    carried: frozenset[tuple[int, int, int, int]] = frozenset()

    def __or__(self, other: Elsewhere) -> Elsewhere:
        return Elsewhere(
            self.units | other.units,
            self.kept | other.kept,
            self.rates | other.rates,
            self.carried | other.carried,
        )


NOWHERE = Elsewhere()


@dataclass(frozen=True, slots=True)
class Cut:
    """Units, with their option where it matters, and messages carried, that cannot share a network.

    ``carried``: (unit, message, the option of its sender under whose identifier, or ``ANY_NAME``).
    ``rate``: at this bit rate or below. ``changes`` 0: they miss whatever the identifiers that may
    change; else so many identifiers must change there. ``network``: this one only, ``None`` for
    all; ``beside``: only when this is so too. ``sound`` false: nothing is proven by it.
    """

    units: tuple[tuple[int, int | None], ...]
    carried: tuple[tuple[int, int, int], ...] = ()
    rate: int = 0
    changes: int = 0
    network: int | None = None
    sound: bool = True
    beside: Elsewhere = NOWHERE


@dataclass(frozen=True, slots=True)
class Demand:
    """At a bit rate of at most ``rate``, the weights of those that do not stay reach ``least``.

    ``kept``: messages that stay when they are there under their own identifiers, with weights;
    ``there``: those that stay when they are there under whatever identifier; ``beside``: only when
    this is so too. ``guests``: what would have to be made up for beside, with weights, when it is
    there too under its own identifier.
    """

    network: int
    rate: int
    kept: tuple[tuple[Who, int], ...]
    there: tuple[tuple[Who, int], ...]
    least: int
    beside: Elsewhere = NOWHERE
    guests: tuple[tuple[Who, int], ...] = ()
    most: int = 0
    """What suffices whatever guests come."""
