"""Does each contactor do what it is told? Command beside feedback, both ways.

A contactor moves within a tenth of a second and both messages may be old: it is accused when its
feedback disagrees with a command that has stood for ``FOLLOWS_S``, and goes on to for ``LASTING_S``
(both common practice, no source). Where no command is mapped the common state stands for it: all
open, or both main ones closed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.pack.electrical.check import Result, judged, not_shown
from busplan.pack.electrical.moments import (
    CLOSED,
    OPEN,
    SINGLES,
    Spans,
    States,
    phases_of,
    single_states,
)
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries
from busplan.pack.statistics import longest_run
from busplan.plan.vehicle import PackLayout
from busplan.wording import listing

FOLLOWS_S = 1.0
LASTING_S = 0.5


class _Wish(NamedTuple):
    """When one contactor was surely to be closed and to be open."""

    closed: Spans
    open: Spans


def feedback(series: PackSeries, layout: PackLayout) -> Result:
    """Feedback of every contactor beside what it was told."""
    name = "contactor feedback"
    findings: list[Finding] = []
    seen: list[str] = []
    still: list[str] = []
    heard = False
    for contactor in SINGLES:
        told, own = _wish(series, contactor), single_states(series, contactor)
        if told is None or own is None:
            continue
        heard = True
        word = contactor.replace("_", "-")
        found = _disagreement(own, told, layout, contactor)
        if found is not None:
            findings.append(found)
        elif _followed(own, told):
            seen.append(word)
        else:
            still.append(word)
    if not heard:
        return not_shown(
            name,
            "no contactor's own feedback is heard with its command",
            "map plus_contactor, minus_contactor, pre_charge_contactor and their commands",
        )
    if findings:
        return judged(name, findings[0].summary, findings)
    if still:
        return not_shown(
            name,
            f"{listing(still)} not seen both open and closed",
            "record a key-on and a key-off whole",
        )
    return judged(name, f"{listing(seen)} followed, both ways")


def _wish(series: PackSeries, contactor: str) -> _Wish | None:
    command = series.quantity(f"{contactor}_command")
    if command is not None:
        told = States(command, phases_of(command))
        return _Wish(told.where(CLOSED), told.where(OPEN))
    state = series.quantity("contactor_state")
    if state is None:
        return None
    told = States(state, phases_of(state))
    never = Spans(np.empty(0), np.empty(0))
    return _Wish(never if contactor == "pre_charge" else told.where(CLOSED), told.where(OPEN))


def _disagreement(own: States, told: _Wish, layout: PackLayout, contactor: str) -> Finding | None:
    time, where = own.time_s, layout.quantities[f"{contactor}_contactor"]
    word = contactor.replace("_", "-")
    for wish, against, wanted in ((told.closed, OPEN, "closed"), (told.open, CLOSED, "open")):
        off = wish.inside(time, FOLLOWS_S) & (own.phase == against)
        start, length = longest_run(time, np.asarray(off))
        if length < LASTING_S or off.sum() < 2:
            continue
        why = (
            "It did not close, or its feedback is broken: the vehicle may stop, or nobody sees "
            "when this contactor welds."
            if wanted == "closed"
            else "It did not open, or its feedback is wrong: high voltage may be live although it "
            "is told off."
        )
        return Finding(
            "contactor-feedback",
            Weight.FAULT,
            place(where, start),
            f"The {word} contactor's feedback read {against} for {length:.1f} s from "
            f"{clock(start)} although it was to be {wanted}.",
            why,
            "Do not touch. Have licensed people check the contactor, its coil and its feedback.",
            (Figure("longest", length, "s"),),
        )
    return None


def _followed(own: States, told: _Wish) -> bool:
    """Whether it was seen closed while it was to be, and open while it was to be."""
    time = own.time_s
    closed = told.closed.inside(time) & (own.phase == CLOSED)
    if not len(told.closed):  # of a pre-charge known by the common state alone
        closed = own.phase == CLOSED
    return bool(closed.any() and (told.open.inside(time, FOLLOWS_S) & (own.phase == OPEN)).any())
