"""Contactors: order of closing, pre-charge, feedback, and what flowed when they opened.

* The link comes to ``PRE_CHARGED`` of the pack voltage before the second main contactor closes
  (three time constants; common practice, no source). Under ``BADLY`` the rush of current can weld
  the contacts: a fault.
* A closing straight from open onto a link that is not full is a fault where a pre-charge of
  ``QUICK_S`` would have shown (400 V through 50 Ω into 1 mF are at 95 % after 150 ms, closed form;
  that none is shorter: common practice, no source).
* A contactor follows its command within ``FOLLOWS_S``, the ages of two messages included, and does
  not open while more than ``BREAKING_A`` flows (both common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor

import numpy as np

from busplan.answers import Interval
from busplan.findings import Figure, Finding, Weight
from busplan.pack.electrical.check import (
    Result,
    SenseFigure,
    judged,
    not_shown,
)
from busplan.pack.electrical.moments import (
    CLOSED,
    FAULT,
    ONE_SIDE,
    OPEN,
    PRE_CHARGE,
    SINGLES,
    States,
    apart_s,
    contactor_states,
    phase_of,
    single_states,
)
from busplan.pack.electrical.precharge import NOTHING, Closing, closing_of
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries, Trace
from busplan.plan.vehicle import PackLayout, SignalAddress
from busplan.wording import percent, plain

PRE_CHARGED = 0.95
BADLY = 0.80
QUICK_S = 0.15
LONGEST_GAP_S = 2.0
MOST = 200
"""So many closings of one capture are judged, and of so many the figures are shown."""
SHOWN = 20
BREAKING_A = 20.0

NO_STATE = "map contactor_state, or plus_contactor and minus_contactor, in [pack.quantities]"
RECORD_IT = "begin recording before the key is turned, end after the contactors have closed"


def contactors(series: PackSeries, layout: PackLayout) -> Result:
    """Order and pre-charge of every closing, and faults that the states tell themselves."""
    name = "contactors"
    states = contactor_states(series)
    findings = [
        f for where, told in _told_faults(series, layout, states) for f in [_fault(where, told)]
    ]
    if states is None:
        if findings:
            return judged(name, findings[0].summary, findings)
        return not_shown(name, "no contactor's state is heard", NO_STATE)
    told = [i for i in states.changes if states.phase[i] == CLOSED]
    closings = _closings(series, states, told[:MOST])
    where = _place_of(layout)
    straight = [c for c in closings if c.straight]
    short = [
        c for c in closings if not c.straight and c.link and c.closing.share.high < PRE_CHARGED
    ]
    if straight:
        findings.append(_straight(straight, where))
    if short:
        findings.append(_incomplete(short, where))
    figures = [f for c in closings[:SHOWN] for f in _figures(c)]
    if findings:
        return judged(name, findings[0].summary, findings, figures)
    if not closings:
        return not_shown(name, f"no closing seen (state: {states.phase[-1]})", RECORD_IT)
    unclear = [c for c in closings if c.unclear]
    if len(told) > MOST:
        text = f"{len(told)} closings, of which the first {MOST} were judged"
        return not_shown(name, text, "cut the capture into shorter ones", figures)
    if unclear:
        return not_shown(name, unclear[0].words, unclear[0].unclear, figures)
    return judged(name, "; ".join(c.words for c in closings[:3]), figures=figures)


@dataclass(frozen=True, slots=True)
class _Told:
    """A closing as the state told it: between ``last_s`` and ``first_s`` [s]."""

    last_s: float
    first_s: float
    charged: bool
    """Whether a pre-charge was told before it."""
    visible: bool
    """Whether a pre-charge would have shown in the state."""
    link: bool
    """Whether link and pack voltage were heard."""
    closing: Closing

    @property
    def words(self) -> str:
        at = clock(self.first_s)
        if not self.link:
            return f"closed at {at} after pre-charge" if self.charged else f"closed at {at}"
        low, high = self.closing.share.low, self.closing.share.high
        tau = ""
        if self.closing.tau.known:
            t = self.closing.tau
            tau = f", time constant {_span_text(t.low, t.high)} s"
        if self.closing.full_before:
            return f"closed at {at} onto a link that was full already"
        if self.closing is NOTHING:
            return f"closed at {at}; the link's share then is not known"
        if high >= 1.0:  # rounded down, so that no more is told than was seen
            span = percent(floor(1e3 * low) / 1e3)
            return f"closed at {at} with the link at {span} of the pack or more{tau}"
        span = f"{percent(low, 0)} to {percent(high, 0)}"
        return f"closed at {at} with the link at {span} of the pack{tau}"

    @property
    def unclear(self) -> str:
        """What would show whether it was in order; empty when it was."""
        if not self.link:
            return "map and record link_voltage and voltage: the state alone shows no pre-charge"
        if self.closing.share.low >= PRE_CHARGED:
            return ""
        return (
            f"whether {percent(PRE_CHARGED, 0)} was reached shows when link, pack and state are "
            "sent more often, or in one message"
        )

    @property
    def straight(self) -> bool:
        """Whether it surely closed without pre-charge, and not onto a full link."""
        if self.charged or not self.visible:
            return False
        return not (self.link and self.closing.share.low >= PRE_CHARGED)


def _closings(series: PackSeries, states: States, rows: list[int]) -> list[_Told]:
    link, pack = series.quantity("link_voltage"), series.quantity("voltage")
    time, found = states.time_s, []
    pre = single_states(series, "pre_charge")
    commanded = series.quantity("pre_charge_command") is not None
    knows = pre is not None or commanded or _names_it(states)
    for row in rows:
        if time[row] - time[row - 1] > LONGEST_GAP_S:
            continue
        first = row
        while first and states.phase[first - 1] == PRE_CHARGE:
            first -= 1
        charged = first < row
        begun = None
        if charged:
            begun = (float(time[first - 1]) if first else -np.inf, float(time[first]))
        if not charged and states.phase[row - 1] not in (OPEN, ONE_SIDE):
            continue  # from a fault, or from a state that says nothing
        last_s, first_s = float(time[row - 1]), float(time[row])
        if pre is not None and not charged:
            spans = pre.where(CLOSED)
            near = (spans.start_s <= first_s) & (spans.stop_s >= first_s - 10.0)
            charged = bool(near.any())
            if charged:
                start = float(spans.start_s[near][-1])
                begun = (start - pre.trace.period_s, start)
        heard = link is not None and pack is not None
        closing = NOTHING
        if link is not None and pack is not None:
            slack = apart_s(link, states.trace)
            closing = closing_of(link, pack, (last_s, first_s), begun, slack)
        visible = knows and first_s - last_s <= QUICK_S
        found.append(_Told(last_s, first_s, charged, visible, heard, closing))
    return found


def _names_it(states: States) -> bool:
    """Whether the state has a name for the pre-charge."""
    return any(phase_of(name) == PRE_CHARGE for name in states.trace.choices.values())


def _straight(told: list[_Told], where: SignalAddress) -> Finding:
    first = told[0].first_s
    return Finding(
        "contactor-order",
        Weight.FAULT,
        place(where, first),
        f"The main contactor closed at {clock(first)} straight from open, without "
        f"pre-charge{_more(told)}.",
        "The inrush into the link capacitors welds contacts and blows fuses.",
        "Correct the contactor sequence; have the contacts inspected by licensed people.",
        (Figure("closings", len(told)),),
    )


def _incomplete(told: list[_Told], where: SignalAddress) -> Finding:
    worst = min(told, key=lambda t: t.closing.share.high)
    share = worst.closing.share
    badly = share.high < BADLY
    return Finding(
        "pre-charge-incomplete",
        Weight.FAULT if badly else Weight.CAUTION,
        place(where, worst.first_s),
        f"The main contactor closed at {clock(worst.first_s)} with the link at "
        f"{percent(share.low, 0)} to {percent(share.high, 0)} of the pack voltage "
        f"(wanted {percent(PRE_CHARGED, 0)}){_more(told)}.",
        "The rush of current into the link can weld the contacts."
        if badly
        else "Each closing then burns its contacts a little.",
        "Lengthen the pre-charge or check its resistor and what draws current from the link.",
        (
            Figure("link share at least", 100.0 * share.low, "%"),
            Figure("link share at most", 100.0 * share.high, "%"),
            Figure("closings", len(told)),
        ),
    )


def _more(told: Sequence[object]) -> str:
    return f"; {len(told) - 1} more did so too" if len(told) > 1 else ""


def _figures(told: _Told) -> list[SenseFigure]:
    if told.closing is NOTHING:
        return []
    share, at = told.closing.share, f"closing at {clock(told.first_s)}"
    middle = 50.0 * (share.low + share.high)
    bounds = Interval(100.0 * share.low, 100.0 * share.high)
    found = [SenseFigure("link share at closing", middle, "%", bounds, at)]
    if told.closing.tau.known:
        found.append(
            SenseFigure("pre-charge time constant", told.closing.tau_s, "s", told.closing.tau, at)
        )
    return found


def _span_text(low: float, high: float) -> str:
    return " to ".join(dict.fromkeys((plain(low, 2), plain(high, 2))))


def _place_of(layout: PackLayout) -> SignalAddress:
    names = ("contactor_state", "plus_contactor", "plus_command")
    return next(layout.quantities[n] for n in names if n in layout.quantities)


def _told_faults(
    series: PackSeries, layout: PackLayout, states: States | None
) -> list[tuple[SignalAddress, float]]:
    """Where and when a state or a feedback reads a fault, once for each run of them."""
    found = []
    for name in ("contactor_state", *(f"{n}_contactor" for n in SINGLES)):
        trace = series.quantity(name)
        if trace is None or name not in layout.quantities:
            continue
        own = single_states(series, name.removesuffix("_contactor"))
        if name == "contactor_state":
            own = states
        if own is None or own.trace is not trace:
            continue
        bad = own.phase == FAULT
        begins = np.flatnonzero(bad & ~np.concatenate(([False], bad[:-1])))
        found += [(layout.quantities[name], float(own.time_s[i])) for i in begins[:1]]
    return found


def _fault(where: SignalAddress, time: float) -> Finding:
    return Finding(
        "contactor-fault",
        Weight.FAULT,
        place(where, time),
        f"{where.signal} reads a fault at {clock(time)}.",
        "The pack may not switch off when it must.",
        "Read the contactor box's own fault memory before driving on.",
    )


def opening(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the contactors opened without current."""
    name = "opening without load"
    states, current = contactor_states(series), series.quantity("current")
    if states is None:
        return not_shown(name, "no contactor's state is heard", NO_STATE)
    if current is None:
        return not_shown(name, "no current is heard", "map and record the pack's current")
    phase, time = states.phase, states.time_s
    slack = apart_s(current, states.trace)
    loaded: list[tuple[float, float]] = []
    good, unclear = 0, 0
    most = 0.0
    for row in states.changes:
        if phase[row - 1] != CLOSED or phase[row] in (CLOSED, FAULT, ""):
            continue
        last, first = float(time[row - 1]), float(time[row])
        early = _within(current, last - slack - 2.0 * current.period_s, last)
        wide = _within(current, last - slack - 2.0 * current.period_s, first + slack)
        if first - last > LONGEST_GAP_S or not len(early):
            unclear += 1
        elif float(np.abs(early).min()) > BREAKING_A:
            loaded.append((first, float(early[-1])))
        elif float(np.abs(wide).max()) <= BREAKING_A:
            good += 1
            most = max(most, float(np.abs(wide).max()))
        else:
            unclear += 1
    if loaded:
        finding = _loaded(_place_of(layout), loaded)
        return judged(name, finding.summary, [finding])
    if unclear:
        return not_shown(
            name,
            "the current fell about when the contactors opened",
            "which came first shows when state and current are sent more often, or in one message",
        )
    if not good:
        return not_shown(name, "no opening seen", "record until the contactors have opened")
    return judged(name, f"opened with {most:.1f} A at most")


def _within(trace: Trace, start_s: float, stop_s: float) -> np.ndarray:
    rows = slice(
        int(np.searchsorted(trace.time_s, start_s)),
        int(np.searchsorted(trace.time_s, stop_s, side="right")),
    )
    return trace.value[rows]


def _loaded(where: SignalAddress, told: list[tuple[float, float]]) -> Finding:
    time, amps = max(told, key=lambda t: abs(t[1]))
    return Finding(
        "contactor-opened-loaded",
        Weight.CAUTION,
        place(where, time),
        f"The main contactor opened at {clock(time)} while {amps:.0f} A flowed{_more(told)}.",
        "Breaking a direct current wears contacts fast, and can weld them.",
        "Bring the current down before opening; find out why it did not.",
        (Figure("current", amps, "A"), Figure("openings", len(told))),
    )
