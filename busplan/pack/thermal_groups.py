"""Who may be compared with whom, and each module's exchange among its peers.

Peers are modules of one kind at one place along their branches, as the plan says (``kind``,
``loop_position``); without those keys all are taken as alike. They are judged twice: over the
whole pack, and within each box (its pipe may be longer than another's). A module is cleared only
where both clear it; a box that comes as a whole later than the others is told as such, since a
longer pipe and less flow look the same there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from busplan.answers import Interval
from busplan.frames.columns import F64, I64, Mask
from busplan.pack.exchange import PeerFit, fit_group
from busplan.pack.exchange_verdict import (
    DOUBTFUL,
    FEWEST_PEERS,
    LIQUID_KNOWN,
    OPEN,
    ORDINARY,
    SLOW,
    Exchange,
    Needed,
    PeerScatter,
    combine,
    judge,
    middle_of,
    peer_scatter,
    relative,
)
from busplan.pack.statistics import mad_sigma
from busplan.pack.thermal_observations import Observations
from busplan.pack.thermal_span import ThermalSpan

FEWEST_IN_BOX = 4
LATE_BOX = 0.85
"""A box whose median module has less of the exchange of the others' is late as a whole."""
MOST_LATE = 0.75
ODD_SCATTER = 0.22
"""Scatter of ln e over all modules from which on they are no modules of one kind and place."""
FEWEST_TO_BE_ODD = 6
"""Of fewer modules one that is ill makes such a scatter alone."""
SERIES_BLUR = 0.1
"""Uncertainty of ln e that equal stages add where liquid passes other modules first (a choice)."""
LIKE_PEERS = 0.85
"""A module above this within its box is not slow by the comparison with other boxes alone."""


@dataclass(frozen=True, slots=True)
class LateBox:
    """A box that comes later than the others as a whole: its exchange among them, and the lag."""

    name: str
    exchange: float
    lag_s: float

    @property
    def slow(self) -> bool:
        """So late that an ordinary difference of pipes does not explain it."""
        return self.exchange < SLOW


@dataclass(frozen=True, eq=False)
class Structure:
    """What the plan says of the loop: module names, ``box`` of each, and its place and kind."""

    modules: tuple[str, ...]
    box: Mapping[str, str]
    loop_position: Mapping[str, int] = field(default_factory=dict)
    kind: Mapping[str, str] = field(default_factory=dict)

    def alike(self) -> list[tuple[int, str, I64]]:
        """Place, kind and modules (indices) of each kind and place, the first places first."""
        groups: dict[tuple[int, str], list[int]] = {}
        for index, name in enumerate(self.modules):
            key = (self.loop_position.get(name, 1), self.kind.get(name, ""))
            groups.setdefault(key, []).append(index)
        return [
            (place, kind, np.array(groups[place, kind], np.int64)) for place, kind in sorted(groups)
        ]

    def boxes(self, members: I64) -> dict[str, I64]:
        """The same modules by box."""
        found: dict[str, list[int]] = {}
        for index in members:
            found.setdefault(self.box.get(self.modules[index], ""), []).append(int(index))
        return {name: np.array(g, np.int64) for name, g in found.items()}


@dataclass(frozen=True, eq=False)
class Comparison:
    """One group that was judged together.

    ``fits`` stand for the places of a sensor in its module (what sits at one place is compared),
    ``likelihood`` holds those of each sensor relative to the median peer of its place.
    """

    modules: I64
    fits: tuple[PeerFit, ...]
    middles: tuple[float, ...]
    likelihood: Mapping[int, F64]
    tau: F64
    scatter: PeerScatter
    exchange: tuple[Exchange, ...]
    more_blur: float
    needed: Needed
    odd: bool

    def of(self, module: int) -> Exchange:
        """What was found of one of its modules."""
        return self.exchange[int(np.flatnonzero(self.modules == module)[0])]

    def places(self, owner: I64, module: int) -> list[tuple[PeerFit, int]]:
        """Where the sensors of a module stand: fit and row."""
        return [
            (fit, int(row))
            for fit in self.fits
            for row in np.flatnonzero(owner[fit.members] == module)
        ]

    def told(self, owner: I64, module: int) -> tuple[I64, F64]:
        """The sensors of a module that were heard, and their likelihoods (n, taus, shares)."""
        own = np.array([s for s in self.likelihood if owner[s] == module], np.int64)
        return own, np.array([self.likelihood[s] for s in own])


@dataclass(frozen=True, eq=False)
class Compared:
    """All modules: exchange among the nearest peers, and whether it is slow or clear.

    ``nearest`` is the comparison each module's exchange is from, ``None`` for those that have too
    few peers. ``odd`` says that modules taken as alike are not.
    """

    exchange: tuple[Exchange, ...]
    slow: Mask
    clear: Mask
    nearest: tuple[Comparison | None, ...]
    late: tuple[LateBox, ...]
    odd: bool
    few: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Test:
    """What is compared: observations, and of each sensor its module (index) and place in it."""

    __test__ = False  # no test of pytest's

    seen: Observations
    owner: I64
    position: I64
    span: ThermalSpan
    liquid: F64 | None
    more_blur: float


def compare(test: Test, structure: Structure, usable: Mask) -> Compared:
    """Judge every module among its peers by the sensors that are ``usable`` (m,)."""
    count = len(structure.modules)
    exchange: list[Exchange] = [OPEN] * count
    nearest: list[Comparison | None] = [None] * count
    slow, clear = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
    late: list[LateBox] = []
    few: list[str] = []
    odd = False
    first: dict[str, PeerFit] = {}
    for place, kind, group in structure.alike():
        whole = _together(test, group, usable, first.get(kind), place)
        if whole is None:
            few += [structure.modules[i] for i in group]
            continue
        first.setdefault(kind, whole.fits[0])
        odd |= whole.odd
        boxes = structure.boxes(group)
        tardy = _late_boxes(whole, boxes)
        late += tardy.values()
        for name, members in boxes.items():
            inside = None
            if len(boxes) > 1 and len(members) >= FEWEST_IN_BOX:
                inside = _together(test, members, usable, first[kind], place)
            is_late = name in tardy
            for index in members:
                over = whole.of(int(index))
                own, nearest[index] = over, whole
                if inside is not None:
                    own = inside.of(int(index))
                    nearest[index] = inside
                # A late box is late by its flow or its pipe: both comparisons may be right.
                exchange[index] = _either(own, over) if is_late else own
                apart = over.slow and not is_late and own.value < LIKE_PEERS
                # In a late box of few modules nobody is slow by what all of the box are late.
                alone = own.slow and (
                    not is_late or inside is not None or own.value < SLOW * tardy[name].exchange
                )
                slow[index] = alone or apart
                clear[index] = own.clear and over.clear and not is_late
    return Compared(
        tuple(exchange), slow, clear, tuple(nearest), _merged(late), bool(odd), tuple(few)
    )


def _together(
    test: Test, modules: I64, usable: Mask, first: PeerFit | None, place: int
) -> Comparison | None:
    """One comparison; ``None`` with fewer than ``FEWEST_PEERS`` modules that were heard.

    ``first`` are those of the same kind that come first in their branches, these at ``place``.
    """
    members = np.flatnonzero(usable & np.isin(test.owner, modules))
    if len(np.unique(test.owner[members])) < FEWEST_PEERS:
        return None
    fits: list[PeerFit] = []
    middles: list[float] = []
    likelihood: dict[int, F64] = {}
    peers: set[int] = set()
    for group in _by_place(members, test.position, test.owner):
        fit = fit_group(test.seen, group, test.span, test.liquid, first, place)
        if fit is None:
            continue
        fits.append(fit)
        middles.append(middle_of(fit))
        told = relative(fit.likelihood, middles[-1])
        likelihood |= {int(sensor): told[i] for i, sensor in enumerate(group)}
        peers |= {int(test.owner[s]) for s in group[fit.peers]}
    if not fits:
        return None
    tau = np.mean([fit.tau for fit in fits], axis=0)
    totals: dict[int, F64] = {}
    for module in modules:
        own = [likelihood[s] for s in likelihood if test.owner[s] == module]
        if own:
            totals[int(module)] = combine(np.array(own), tau)
    scatter = peer_scatter([t for m, t in totals.items() if m in peers], tau)

    more_blur = float(np.hypot(test.more_blur, SERIES_BLUR * (place > 1)))
    needed = ORDINARY if test.liquid is None else LIQUID_KNOWN
    if more_blur > 0.0:
        needed = DOUBTFUL

    def all_judged() -> list[Exchange]:
        return [
            judge(totals[int(m)], tau, scatter, more_blur, needed) if int(m) in totals else OPEN
            for m in modules
        ]

    judged = all_judged()
    spread = mad_sigma(np.log(np.array([max(j.value, 0.1) for j in judged if j.value > 0.0])))
    # Readings that tell little scatter by that alone.
    spread = float(max(spread**2 - scatter.own**2, 0.0) ** 0.5)
    odd = bool(spread >= ODD_SCATTER and len(modules) >= FEWEST_TO_BE_ODD)
    if odd:
        # Modules of several kinds or places: none stands out by less than they all differ.
        blur = float(np.hypot(scatter.blur, spread))
        scatter = replace(scatter, natural=spread, blur=blur)
        judged = all_judged()
    return Comparison(
        modules=modules,
        fits=tuple(fits),
        middles=tuple(middles),
        likelihood=likelihood,
        tau=tau,
        scatter=scatter,
        exchange=tuple(judged),
        more_blur=more_blur,
        needed=needed,
        odd=odd,
    )


def _by_place(members: I64, position: I64, owner: I64) -> list[I64]:
    """Sensors that sit at one place of their modules; places of too few modules come together."""
    groups: list[I64] = []
    rest: list[I64] = []
    for place in np.unique(position[members]):
        group = members[position[members] == place]
        (groups if len(np.unique(owner[group])) >= FEWEST_PEERS else rest).append(group)
    if rest:
        left = np.concatenate(rest)
        if len(np.unique(owner[left])) >= FEWEST_PEERS or not groups:
            groups.append(left)
        else:
            groups[0] = np.sort(np.concatenate((groups[0], left)))
    return groups


def _late_boxes(whole: Comparison, boxes: Mapping[str, I64]) -> dict[str, LateBox]:
    """Boxes whose modules come later than those of the others by more than both scatter.

    As a whole: ``MOST_LATE`` of its modules are nearer to the box's median than to the others'.
    """
    found = {}
    value = np.array([e.value for e in whole.exchange])
    lag = np.array([e.lag_s for e in whole.exchange])
    for name, members in boxes.items():
        inside = np.isin(whole.modules, members)
        own, others = value[inside & np.isfinite(value)], value[~inside & np.isfinite(value)]
        if min(len(own), len(others)) < FEWEST_PEERS:
            continue
        ratio = float(np.median(own) / max(np.median(others), 1e-3))
        spread = [
            max(float(np.nan_to_num(mad_sigma(np.log(np.maximum(v, 0.01))))), 0.05)
            for v in (own, others)
        ]
        unsure = 1.25 * float(np.hypot(spread[0] / len(own) ** 0.5, spread[1] / len(others) ** 0.5))
        most = float((own < np.median(others) * ratio**0.5).mean())
        if ratio < LATE_BOX and np.log(ratio) + 2.0 * unsure < 0.0 and most >= MOST_LATE:
            behind = float(np.nanmedian(lag[inside]) - np.nanmedian(lag[~inside]))
            found[name] = LateBox(name, ratio, behind)
    return found


def _either(own: Exchange, over: Exchange) -> Exchange:
    """One of two, whichever is right: the lower exchange, the interval of both."""
    low = min(own.interval.low, over.interval.low)
    high = max(own.interval.high, over.interval.high)
    return replace(over if over.value < own.value else own, interval=Interval(low, high))


def _merged(late: Sequence[LateBox]) -> tuple[LateBox, ...]:
    """One statement a box, the latest of its groups."""
    worst: dict[str, LateBox] = {}
    for box in late:
        if box.name not in worst or box.exchange < worst[box.name].exchange:
            worst[box.name] = box
    return tuple(worst.values())
