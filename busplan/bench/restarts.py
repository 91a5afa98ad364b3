"""Restarts of a node during a test: one finding with its moments, not one for each effect.

The rules of this file: pure. A node restarts when it falls silent as a whole and all counters that
break off begin anew, or when several counters begin anew at once. Silent as a whole without that is
a pause, told once as well. Distances and counters over either say nothing of a message. Common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from busplan.bench.node_report import BenchLimits
from busplan.bench.rhythm import Pause
from busplan.decode.codec import decode_message
from busplan.decode.protected_names import COUNTER, EVENT_COUNTER, counts_frames, may_count
from busplan.decode.protection import check_counter, counter_modulus
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Stream
from busplan.wording import counted, listing, plain

AT_ONCE = 2
"""So many counters that begin anew together, without a silence, show a restart."""
ALIKE = 0.25
"""Silences that differ by less than this share are of one kind."""
MOST_MOMENTS = 6
"""So many moments are named; the others are counted."""


class Break(NamedTuple):
    """A place where a counter does not go on: frame before and after [ns], whether anew."""

    from_ns: int
    to_ns: int
    anew: bool


class Interrupted(NamedTuple):
    """A time over which the node did not run on: a restart, or a silence for another reason."""

    pause: Pause
    restart: bool
    broken: int
    """Counters that did not go on over it."""


def find_interruptions(
    table: FrameTable, own: Sequence[Stream], times: I64, limits: BenchLimits
) -> tuple[Interrupted, ...]:
    """Restarts and silences of the whole node; ``times`` (n,) is when it sent anything [ns]."""
    cyclic = [s for s in own if not s.event and len(table.rows_of(s.key)) > 2]
    if not cyclic or len(times) < 2:
        return ()
    periods = [_period_ns(s, table.time_ns[table.rows_of(s.key)]) for s in cyclic]
    breaks = [b for s in cyclic for b in _breaks(table, s)]
    found = []
    gaps = np.diff(times)
    for place in np.flatnonzero(gaps > limits.gap_cycles * max(min(periods), 1.0)):
        pause = Pause(int(times[place]), int(times[place + 1]))
        over = [b for b in breaks if b.from_ns <= pause.from_ns and b.to_ns >= pause.to_ns]
        found.append(Interrupted(pause, bool(over) and all(b.anew for b in over), len(over)))
    known = [f.pause.to_ns - f.pause.from_ns for f in found if f.restart]
    found = [f._replace(restart=True) if not f.broken and _like(f, known) else f for f in found]
    told = [f.pause for f in found]
    fresh = [
        b
        for b in breaks
        if b.anew and not any(b.from_ns <= p.from_ns and b.to_ns >= p.to_ns for p in told)
    ]
    return tuple(sorted([*found, *_together(fresh)]))


def _period_ns(stream: Stream, times: I64) -> float:
    """How often a message comes [ns]: between frames of a burst is no period of the node."""
    gaps = np.diff(times)
    period = float(np.median(gaps))
    if stream.cycle is not None:
        period = max(period, min(float(stream.cycle.ns), float(gaps.mean())))
    return period


def _like(one: Interrupted, known: Sequence[int]) -> bool:
    """Whether a silence is as long as those of restarts: a counter may go on by chance."""
    length = one.pause.to_ns - one.pause.from_ns
    return any(abs(length / ns - 1) < ALIKE for ns in known)


def _breaks(table: FrameTable, stream: Stream) -> Iterable[Break]:
    """Where counters of one message do not go on. Counters of events are none."""
    rows = table.rows_of(stream.key)
    names = [
        s.name
        for s in stream.message.signals
        if counts_frames(s)
        or (may_count(s) and COUNTER.search(s.name) and not EVENT_COUNTER.search(s.name))
    ]
    if not names:
        return
    decoded = decode_message(table, rows, stream.message, names)
    for column in decoded.signals.values():
        at = np.flatnonzero(column.present)
        raw = column.raw[at]
        if len(raw) < 3:
            continue
        verdict = check_counter(raw, counter_modulus(raw, column.signal.length))
        strange = np.union1d(verdict.skips, verdict.repeats)
        if 2 * len(strange) > verdict.steps:
            continue  # it does not count frames
        first = int(raw[0])
        for place in strange.astype(np.int64).tolist():
            value = int(raw[place])
            yield Break(
                int(decoded.time_ns[at[place - 1]]),
                int(decoded.time_ns[at[place]]),
                value in (0, 1, first),
            )


def _together(breaks: Sequence[Break]) -> Iterable[Interrupted]:
    """Moments that lie within several breaks at once."""
    left = sorted(breaks, key=lambda b: b.to_ns)
    while left:
        first = left.pop(0)
        same = [b for b in left if b.from_ns <= first.to_ns]
        if len(same) + 1 >= AT_ONCE:
            latest = max(b.from_ns for b in (first, *same))
            yield Interrupted(Pause(min(latest, first.to_ns), first.to_ns), True, len(same) + 1)
            left = [b for b in left if b not in same]


def sure_restarts(found: Sequence[Interrupted]) -> tuple[Pause, ...]:
    """The restarts, unless one counter began anew once, as it may by chance."""
    restarts = [f for f in found if f.restart]
    sure = sum(f.broken for f in restarts) >= AT_ONCE
    return tuple(f.pause for f in restarts) if sure else ()


def interruption_findings(
    found: Sequence[Interrupted],
    error_ns: I64,
    where: Where,
    origin_ns: int,
) -> list[Finding]:
    """One finding for all restarts, one for all other silences.

    A silence that begins with a bus error has a finding of its own.
    """
    restarts = [f for f in found if f.restart]
    others = [f for f in found if not f.restart and not _after_error(f.pause, error_ns)]
    findings = []
    if restarts:
        sure = bool(sure_restarts(found))
        likely, how = ("", "counters began anew") if sure else ("likely ", "its counter began anew")
        findings.append(
            Finding(
                "node-restarts",
                Weight.FAULT if sure else Weight.CAUTION,
                _at(where, restarts[0], origin_ns),
                f"it {likely}restarted {_moments(restarts, origin_ns)}: {how}"
                + ("" if sure else ", which it may do by chance"),
                why="While a node starts, its functions are gone; a watchdog, the supply or a "
                "loose connector makes it restart.",
                action="Watch its supply while you move the connector; if the distance is even, "
                "suspect its watchdog and ask the maker what it waits for.",
                figures=_figures(restarts),
            )
        )
    if others:
        lost = sum(f.broken > 0 for f in others)
        how = (
            "its counters had moved on meanwhile, so frames were sent and not heard"
            if lost
            else "nothing in its messages says that it restarted"
        )
        findings.append(
            Finding(
                "node-pauses",
                Weight.CAUTION,
                _at(where, others[0], origin_ns),
                f"it fell silent as a whole {_moments(others, origin_ns)}; {how}",
                why="Receivers with a time-out may have given the node up.",
                action="Look at supply, connector and wiring; a drop of the recorder shows in its "
                "journal.",
                figures=_figures(others),
            )
        )
    return findings


def _after_error(pause: Pause, error_ns: I64) -> bool:
    first, last = np.searchsorted(error_ns, (pause.from_ns, pause.to_ns))
    return bool(last > first)


def _at(where: Where, first: Interrupted, origin_ns: int) -> Where:
    return Where(where.network, where.node, time_ns=first.pause.from_ns - origin_ns)


def _figures(found: Sequence[Interrupted]) -> tuple[Figure, ...]:
    longest = max(f.pause.to_ns - f.pause.from_ns for f in found)
    return (Figure("times", len(found)), Figure("longest silence", longest / 1e9, "s"))


def _moments(found: Sequence[Interrupted], origin_ns: int) -> str:
    """``twice, at 26.9 s and 57.7 s (silent for 0.4 s each)``, and how even they are."""
    starts = [(f.pause.from_ns - origin_ns) / 1e9 for f in found]
    often = {1: "once", 2: "twice"}.get(len(found)) or counted(len(found), "time")
    text = f"{often}, at {listing([f'{s:.1f} s' for s in starts], MOST_MOMENTS)}"
    longest = max((f.pause.to_ns - f.pause.from_ns) / 1e9 for f in found)
    if longest >= 0.01:
        text += f" (silent for {'up to ' if len(found) > 1 else ''}{plain(longest, 2)} s)"
    apart = np.diff(starts)
    if len(apart) > 1 and np.ptp(apart) < 0.1 * float(apart.mean()):
        text += f", every {plain(apart.mean(), 3)} s"
    return text
