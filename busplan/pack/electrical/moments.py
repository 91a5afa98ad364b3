"""When things were so: runs of a state, and readings that surely belong to them.

Two messages about one moment do not arrive at one moment. A reading counts as made while a state
held only if it lies ``MESSAGES_S`` inside the state's run; of one message, both were told at once.
Where a state was not heard for longer than it may be old nothing is known of it.

``MESSAGES_S``: how far the ages of two messages differ at most (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import F64, Mask
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import runs

Words = npt.NDArray[np.str_]

MESSAGES_S = 0.5
SINGLES = ("plus", "minus", "pre_charge")
"""The contactors that may be mapped one by one, by the names of their quantities."""

OPEN, PRE_CHARGE, CLOSED, FAULT = "open", "pre-charge", "closed", "fault"
ONE_SIDE = "one side closed"


def apart_s(one: Trace, other: Trace) -> float:
    """How far the ages [s] of two readings that arrive together may differ."""
    told_at_once = one.message is not None and one.message is other.message
    return 0.0 if told_at_once else MESSAGES_S


def phase_of(name: str) -> str:
    """What a state's name says: one of the words above, or the name itself."""
    text = name.lower().replace("_", "-")
    if any(word in text for word in ("fault", "error", "weld", "stuck")):
        return FAULT
    if "pre" in text or "closing" in text:
        return PRE_CHARGE
    if "opening" in text or text.startswith("not"):
        return text
    if "open" in text or text == "off":
        return OPEN
    if "clos" in text or text in ("on", "main"):
        return CLOSED
    return text


def phases_of(state: Trace) -> Words:
    """The phase of every reading (n,); without names 0 is open, 1 closed, and more says nothing."""
    words = {float(raw): phase_of(name) for raw, name in state.choices.items()}
    told, row = np.unique(np.round(state.value), return_inverse=True)
    if not words and set(told.tolist()) <= {0.0, 1.0}:
        words = {0.0: OPEN, 1.0: CLOSED}
    return np.array([words.get(v, "") for v in told.tolist()], np.str_)[row]


@dataclass(frozen=True, eq=False)
class States:
    """Phases over time: ``time_s`` (n,) and a word for each; ``trace`` is where they come from."""

    trace: Trace
    phase: Words

    @property
    def time_s(self) -> F64:
        """When each was told [s]."""
        return self.trace.time_s

    def where(self, *phases: str) -> Spans:
        """When it was surely in one of these phases."""
        return spans_of(self.trace, np.isin(self.phase, phases))

    @property
    def changes(self) -> list[int]:
        """Indices of readings whose phase differs from the one before."""
        return [int(i) for i in np.flatnonzero(self.phase[1:] != self.phase[:-1]) + 1]

    @property
    def named(self) -> bool:
        """Whether the phases that a judgement needs are told at all."""
        return bool(np.isin(self.phase, (OPEN, CLOSED, FAULT)).any())


@dataclass(frozen=True, eq=False)
class Spans:
    """Stretches of time in which something surely held: starts and stops (k,) [s]."""

    start_s: F64
    stop_s: F64

    def __len__(self) -> int:
        return len(self.start_s)

    def inside(self, time_s: F64, after_s: float = 0.0, before_s: float = 0.0) -> Mask:
        """Which times lie in one of them, so far from its start and stop."""
        if not len(self):
            return np.zeros(len(time_s), np.bool_)
        row = np.searchsorted(self.start_s + after_s, time_s, side="right") - 1
        stop = self.stop_s[np.maximum(row, 0)] - before_s
        return np.asarray((row >= 0) & (time_s <= stop), np.bool_)

    def meet(self, other: Spans) -> Spans:
        """Where both hold."""
        found: list[tuple[float, float]] = []
        i = j = 0
        while i < len(self) and j < len(other):
            start = max(self.start_s[i], other.start_s[j])
            stop = min(self.stop_s[i], other.stop_s[j])
            if start < stop:
                found.append((float(start), float(stop)))
            if self.stop_s[i] < other.stop_s[j]:
                i += 1
            else:
                j += 1
        return Spans(np.array([f[0] for f in found]), np.array([f[1] for f in found]))

    def longest(self) -> float:
        """Length [s] of the longest; 0 without any."""
        return float((self.stop_s - self.start_s).max()) if len(self) else 0.0


def spans_of(trace: Trace, mask: Mask) -> Spans:
    """Stretches in which every reading of a trace passes, none further apart than it may be."""
    time = trace.time_s
    late = np.concatenate(([True], np.diff(time) > trace.stale_s)) if len(time) else mask
    begins, ends = runs(mask)
    starts, stops = [], []
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        cuts = [begin, *(begin + 1 + np.flatnonzero(late[begin + 1 : end])).tolist(), end]
        for first, last in pairwise(cuts):
            starts.append(float(time[first]))
            stops.append(float(time[last - 1]))
    return Spans(np.array(starts), np.array(stops))


def contactor_states(series: PackSeries) -> States | None:
    """What the contactors are said to do: by their common state, else by each one's feedback.

    Of single ones: open when all are, pre-charge when that one and no second main one is closed,
    closed when both main ones are.
    """
    state = series.quantity("contactor_state")
    if state is not None:
        found = States(state, phases_of(state))
        return found if found.named else None
    for kind in ("contactor", "command"):
        single = {n: series.quantity(f"{n}_{kind}") for n in SINGLES}
        plus, minus = single["plus"], single["minus"]
        if plus is not None and minus is not None:
            return _of_singles(plus, minus, single["pre_charge"])
    return None


def single_states(series: PackSeries, name: str) -> States | None:
    """One contactor's own feedback, or ``None``."""
    single = series.quantity(f"{name}_contactor")
    return None if single is None else States(single, phases_of(single))


def _of_singles(plus: Trace, minus: Trace, pre: Trace | None) -> States:
    a, b = held(plus, plus.time_s), held(minus, plus.time_s)
    c = held(pre, plus.time_s) if pre is not None else np.full(len(plus), OPEN)
    closed = (a == CLOSED) & (b == CLOSED)
    charging = (c == CLOSED) & ((a == CLOSED) | (b == CLOSED))
    still = (a == OPEN) & (b == OPEN) & (c == OPEN)
    faulty = (a == FAULT) | (b == FAULT) | (c == FAULT)
    words = np.select(
        [faulty, closed, charging, still],
        [np.str_(FAULT), np.str_(CLOSED), np.str_(PRE_CHARGE), np.str_(OPEN)],
        np.str_(ONE_SIDE),
    )
    return States(plus, words)


def held(trace: Trace, time_s: F64) -> Words:
    """The phase that a state last told at each time, ``""`` where it is old."""
    if not len(trace):
        return np.full(len(time_s), "")
    row = np.searchsorted(trace.time_s, time_s, side="right") - 1
    age = time_s - trace.time_s[np.maximum(row, 0)]
    fresh = (row >= 0) & (age <= trace.stale_s)
    return np.where(fresh, phases_of(trace)[np.maximum(row, 0)], "")


def all_open(series: PackSeries) -> Spans | None:
    """When every contactor that is heard was told open; ``None`` when none is heard."""
    return _surely(series, OPEN, SINGLES)


def all_closed(series: PackSeries) -> Spans | None:
    """When the main contactors were told closed; ``None`` when nothing of them is heard."""
    return _surely(series, CLOSED, ("plus", "minus"))


def _surely(series: PackSeries, phase: str, names: tuple[str, ...]) -> Spans | None:
    told = [contactor_states(series), *(single_states(series, n) for n in names)]
    found: Spans | None = None
    for states in told:
        if states is not None:
            own = states.where(phase)
            found = own if found is None else found.meet(own)
    return found


def near(trace: Trace, time_s: F64) -> F64:
    """A slow quantity at other times: linear, its end values beyond its ends; NaN in old gaps."""
    if not len(trace):
        return np.full(len(time_s), np.nan)
    value = trace.at(np.clip(time_s, trace.time_s[0], trace.time_s[-1]))
    beyond = (time_s < trace.time_s[0] - trace.stale_s) | (
        time_s > trace.time_s[-1] + trace.stale_s
    )
    value[beyond] = np.nan
    return value
