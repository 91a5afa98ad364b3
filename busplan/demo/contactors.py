"""Contactors and pre-charge of the demo's pack. Invented.

The minus contactor closes and a resistor fills the capacitors on the link,
``V = U·(1 − exp(−t/τ))`` with τ = R·C; then the plus contactor closes past the resistor.
The battery master measures the link against the pack's own minus, so a welded plus contactor shows
while everything is commanded open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64

PRE_CHARGE_FROM_S = 4.0
CLOSED_FROM_S = 7.0
PRE_CHARGE_TIME_S = 0.55
"""Time constant τ of the pre-charge resistor and the capacitors on the link."""
PRE_CHARGE_OHM = 500.0
EARLY_SHARE = 0.40
"""How full the link is when the early capture closes."""


@dataclass(frozen=True)
class Keyed:
    """Over time ``(n,)``: voltage of the link [V], current into it [A], ``state`` 0 open, 1
    pre-charge, 2 closed; ``plus`` whether the plus contactor conducts."""

    link: F64
    current: F64
    state: F64
    plus: F64


def key_on(
    time_s: F64, pack_v: F64, *, closed_from_s: float = CLOSED_FROM_S, welded: bool = False
) -> Keyed:
    """Open, pre-charge from 4 s, closed; with a ``welded`` plus contactor the link never falls."""
    since = np.clip(time_s - PRE_CHARGE_FROM_S, 0, None)
    filling = (time_s >= PRE_CHARGE_FROM_S) & (time_s < closed_from_s)
    state = np.where(time_s < PRE_CHARGE_FROM_S, 0.0, np.where(filling, 1.0, 2.0))
    full = np.exp(-since / PRE_CHARGE_TIME_S)
    link = np.where(state == 2, pack_v, pack_v * (1 - full))
    current = np.where(filling, pack_v / PRE_CHARGE_OHM * full, 0.0)
    if welded:
        return Keyed(pack_v, np.zeros_like(pack_v), state, np.ones_like(pack_v))
    return Keyed(link, current, state, np.asarray(state == 2, np.float64))


def early_s() -> float:
    """When the link is as full as ``EARLY_SHARE``: −τ·ln(1 − share) after pre-charge begins."""
    return float(PRE_CHARGE_FROM_S - PRE_CHARGE_TIME_S * np.log(1 - EARLY_SHARE))


def opened(pack_v: F64) -> Keyed:
    """A van that is off: open, the link empty."""
    nothing = np.zeros_like(pack_v)
    return Keyed(nothing, nothing, nothing, nothing)
