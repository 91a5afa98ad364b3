"""Was everything heard that the plan maps, over the span that is judged?

A value holds until it is old (:attr:`busplan.pack.series.Trace.stale_s`) or a code such as "not
available" takes its place. The share of the span in which one held is how much of it was heard.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from busplan.answers import Answer
from busplan.frames.columns import F64
from busplan.pack.kinds import KINDS, PackTest, wanted
from busplan.pack.section import Section, answers_of
from busplan.pack.sensors import FaultyReading
from busplan.pack.series import FEWEST, PackSeries, share
from busplan.pack.silence import DropOut
from busplan.plan.vehicle import PackLayout
from busplan.wording import counted, listing, percent, plain

LEAST_SHARE = 0.95
"""Share of the span that must have been heard to count as heard throughout."""
MOST_FAULTY = 3
"""So many readings, or kinds of them, that cannot be are named."""
MOST_CYCLE = 0.01
"""No more than this share of the span that is needed is taken as a cycle at its ends."""


@dataclass(frozen=True, eq=False)
class Heard:
    """What was heard of everything mapped.

    ``cells`` (m,) and ``sensors`` (k,) are shares of the span, 0 to 1; ``quantities`` the same by
    name. ``span_s`` is what was judged, ``least_s`` what this kind of test needs at least;
    ``cycle_s`` is the shortest period of what was heard: so much longer was listened, at most,
    before the first frame and after the last one.
    """

    cells: F64
    sensors: F64
    quantities: dict[str, float]
    span_s: float
    least_s: float
    wanted: tuple[str, ...]
    cycle_s: float = 0.0

    @property
    def too_short(self) -> bool:
        """Whether the test needs a longer span, one cycle of what was heard allowed for."""
        return self.span_s + self.cycle_s < self.least_s

    @property
    def unheard(self) -> tuple[str, ...]:
        """The wanted quantities that were not heard throughout."""
        return tuple(q for q in self.wanted if self.quantities[q] < LEAST_SHARE)

    @property
    def missing(self) -> list[str]:
        """What is missing, each in a few words; empty when all was heard for long enough."""
        kinds = ((self.cells, "cell"), (self.sensors, "temperature"))
        told = []
        never = [_none(s, one) for s, one in kinds if (s == 0.0).any()]
        quiet = [q.replace("_", " ") for q in self.unheard if self.quantities[q] == 0.0]
        if quiet:
            never.append(f"no {listing(quiet, 5)}")
        if never:
            told.append(", ".join(never))
        partly = [
            (counted(int(p.sum()), one), float(s[p].min()))
            for s, one in kinds
            if (p := (s > 0.0) & (s < LEAST_SHARE)).any()
        ]
        partly += [
            (q.replace("_", " "), self.quantities[q]) for q in self.unheard if self.quantities[q]
        ]
        if partly:
            least = min(share for _, share in partly)
            names = listing((name for name, _ in partly), 5)
            told.append(f"{names} heard only in part ({percent(least, 0)} of the time)")
        if self.too_short:
            told.append(f"only {self._span} s long, at least {self.least_s:.0f} s are needed")
        return told

    @property
    def lacks(self) -> list[str]:
        """What was not heard throughout, by name only."""
        told = [*self.lacking("cells"), *self.lacking("temperatures")]
        told += [q.replace("_", " ") for q in self.unheard]
        if self.too_short:
            told.append(f"a long enough span ({self._span} of {self.least_s:.0f} s)")
        return told

    def lacking(self, many: str) -> tuple[str, ...]:
        """How many of the cells or temperatures were not heard throughout; ``()`` where all."""
        shares = self.cells if many == "cells" else self.sensors
        count, short = len(shares), int((shares < LEAST_SHARE).sum())
        if not short:
            return ()
        return (many if short == count else f"{short} of {count} {many}",)

    @property
    def _span(self) -> str:
        """In whole seconds, where these do not look long enough: 4.99 s are no 5."""
        near = round(self.span_s) >= self.least_s
        return f"{int(self.span_s * 10.0) / 10.0:g}" if near else f"{self.span_s:.0f}"

    @property
    def just_long_enough(self) -> str:
        """That only the cycle makes it long enough, in words; ``""`` where it is so without."""
        if self.too_short or self.span_s >= self.least_s:
            return ""
        return (
            f"{self._span} s from first to last frame, with one cycle of "
            f"{plain(self.cycle_s, 3)} s the {self.least_s:.0f} s needed"
        )


def _none(shares: F64, one: str) -> str:
    count, never = len(shares), int((shares == 0.0).sum())
    return f"no {one}" if never == count else f"{never} of {counted(count, one)} not heard"


def find_heard(series: PackSeries, layout: PackLayout, test: PackTest) -> Heard:
    """How much of everything mapped was heard."""
    span = series.span_s
    return Heard(
        np.array([share(t, span) for t in series.cells]),
        np.array([share(t, span) for t in series.sensors]),
        {q: share(series.quantities.get(q), span) for q in layout.quantities},
        span,
        KINDS[test].least_s,
        wanted(layout, test),
        _cycle_s(series, KINDS[test].least_s),
    )


def _cycle_s(series: PackSeries, least_s: float) -> float:
    """The shortest period of cells and temperatures [s], no more than a part of the test."""
    periods = [t.period_s for t in (*series.cells, *series.sensors) if len(t) >= FEWEST]
    return min([*periods, MOST_CYCLE * least_s])


def signals_section(
    heard: Heard,
    layout: PackLayout,
    faulty: Sequence[FaultyReading],
    drop_outs: Sequence[DropOut],
    *,
    odd: Sequence[str] = (),
    unbelieved: Collection[tuple[str, int]] = (),
    still: Collection[str] = (),
    unmoved: str = "",
) -> Section:
    """Whether all was heard and can be believed.

    ``odd`` are readings that cannot be, in words, ``unbelieved`` the channels (kind, index) that
    are not believed; of what stood ``still`` (cells, temperatures) no single one is. ``unmoved``
    says what is open where no temperature moved although it had to.
    """
    bad = list(odd)
    if drop_outs:
        longest = max(drop_outs, key=lambda d: d.silent_s)
        alike = ", as was everybody" if longest.all_silent else ""
        part = "" if longest.whole else " in part"
        part = part if longest.by_turns is None else " now and then"
        bad.append(f"{longest.node} silent{part} for {longest.length_s:.1f} s{alike}")
    bad += _faulty_words(faulty, layout)
    counts = ((heard.cells, "cell"), (heard.sensors, "temperature"))
    whole = [counted(n, one) for s, one in counts if (n := int((s >= LEAST_SHARE).sum()))]
    missing, lacks = heard.missing, heard.lacks
    modules = modules_heard(heard, layout)
    if unmoved:
        missing, lacks = [*missing, unmoved], [*lacks, "temperatures that move"]
        modules = [False] * len(modules)
    text = f"{listing(whole) or 'nothing'} heard{'' if missing or bad else ' throughout'}"
    if heard.just_long_enough:
        text += f"; {heard.just_long_enough}"
    if not whole and (heard.cells.any() or heard.sensors.any()):
        text = "nothing heard throughout"
    answer = Answer.BAD if bad else Answer.NOT_SHOWN if missing else Answer.GOOD
    cells = [index for kind, index in unbelieved if kind == "cell"]
    sensors = [index for kind, index in unbelieved if kind == "sensor"]
    named = {layout.modules.index(layout.sensors[i].module) for i in sensors}
    if "cells" in still:
        cells = list(range(len(layout.cells)))
    if "temperatures" in still:
        named = set(range(len(layout.modules)))
    return Section(
        "signals",
        answer,
        "; ".join([*bad, text]),
        "; ".join(missing),
        answers_of(len(layout.cells), cells, (heard.cells >= LEAST_SHARE).tolist()),
        answers_of(len(layout.modules), named, modules),
        tuple(lacks),
    )


def modules_heard(heard: Heard, layout: PackLayout) -> list[bool]:
    """Whether every sensor of each module was heard; a module without any was not."""
    shares: dict[str, list[float]] = {}
    for sensor, part in zip(layout.sensors, heard.sensors.tolist(), strict=True):
        shares.setdefault(sensor.module, []).append(part)
    return [min(shares.get(m, [0.0])) >= LEAST_SHARE for m in layout.modules]


def _faulty_words(faulty: Sequence[FaultyReading], layout: PackLayout) -> list[str]:
    """Two kinds of what cannot be, of more than two readings their number, and how many others."""
    groups: dict[tuple[str, str], list[FaultyReading]] = {}
    for reading in faulty:
        groups.setdefault((reading.kind, reading.fault), []).append(reading)
    told = [
        words
        for (kind, fault), same in groups.items()
        for words in (
            [f"{len(same)} {'cells' if kind == 'cell' else 'sensors'} reading {fault}"]
            if len(same) > 2
            else [_one_faulty(r, layout) for r in same]
        )
    ]
    more = len(told) - MOST_FAULTY
    return [*told[:MOST_FAULTY], *([f"{more} more that cannot be"] if more > 0 else [])]


def _one_faulty(reading: FaultyReading, layout: PackLayout) -> str:
    if reading.kind == "sensor":
        sensor = layout.sensors[reading.index]
        return f"{sensor.module} sensor {sensor.position} {reading.fault}"
    return f"cell {layout.cells[reading.index].number} reading {reading.fault}"
