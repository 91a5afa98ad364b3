"""Two captures at one moment each: what is different, as figures and cell by cell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from busplan.replay.pack_state import PackState, PeerRange, Peers, grade_deviation
from busplan.replay.snapshot import Snapshot


class Difference(NamedTuple):
    """One figure in both captures; NaN where one does not have it."""

    what: str
    unit: str
    decimals: int
    first: float
    second: float

    @property
    def change(self) -> float:
        """Second minus first."""
        return self.second - self.first


def differences(first: Snapshot, second: Snapshot) -> tuple[Difference, ...]:
    """Spread, extremes, lag and loads of two moments."""
    return (*_pack(first.pack, second.pack), *_loads(first, second))


def shift(first: PackState, second: PackState) -> PackState | None:
    """How each cell and sensor moved against its peers from the first capture to the second.

    The result has the second's layout; its deviations [V, K] and grades are of the movement.
    ``None`` when the two packs differ in size.
    """
    same = [
        len(a.value) == len(b.value)
        for a, b in ((first.cells, second.cells), (first.sensors, second.sensors))
    ]
    if not all(same):
        return None
    limits, step = second.layout.limits, second.layout.temperature_resolution_k or 0.0
    return replace(
        second,
        cells=_moved(first.cells, second.cells, limits.voltage_spread_v, 0.0),
        sensors=_moved(first.sensors, second.sensors, limits.temperature_spread_k, step),
        lag_k=second.lag_k - first.lag_k,
    )


def _moved(first: Peers, second: Peers, spread: float, step: float) -> Peers:
    moved = np.where(first.fresh & second.fresh, second.deviation - first.deviation, np.nan)
    return Peers(
        value=moved,
        age_ns=second.age_ns,
        fresh=~np.isnan(moved),
        deviation=moved,
        grade=grade_deviation(moved, spread, step),
        evenness=PeerRange.of(moved, ~np.isnan(moved)),
        unheard=np.zeros(len(moved), np.bool_),
        coded=np.zeros(len(moved), np.bool_),
    )


def _pack(first: PackState | None, second: PackState | None) -> Iterator[Difference]:
    if first is None or second is None:
        return
    nan = float("nan")
    for name, unit, decimals, a, b in (
        ("cells", "V", 3, first.cells.evenness, second.cells.evenness),
        ("heat", "°C", 1, first.sensors.evenness, second.sensors.evenness),
    ):
        for what in ("minimum", "mean", "maximum"):
            yield Difference(
                f"{name} {what}",
                unit,
                decimals,
                getattr(a, what) if a else nan,
                getattr(b, what) if b else nan,
            )
        wide, factor, digits = ("mV", 1e3, 0) if unit == "V" else ("K", 1.0, 1)
        yield Difference(
            f"{name} spread",
            wide,
            digits,
            a.spread * factor if a else nan,
            b.spread * factor if b else nan,
        )
    lag = [p.worst_lag[1] if p.worst_lag else nan for p in (first, second)]
    yield Difference("greatest lag", "K", 1, lag[0], lag[1])


def _loads(first: Snapshot, second: Snapshot) -> Iterator[Difference]:
    others = {load.network: load for load in second.loads}
    for load in first.loads:
        other = others.get(load.network)
        if other and (load.recorded or other.recorded):
            a, b = (100 * x.minute if x.recorded else float("nan") for x in (load, other))
            yield Difference(f"load of {load.network}", "%", 1, a, b)
