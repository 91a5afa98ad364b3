"""What boards show and limits speak of: signals by their full names, and quantities made of them.

A *subject* is a text: a signal's full name; ``load of NETWORK`` [%]; or ``TAKE of GROUP`` such as
``lowest of cells`` or ``spread of a/b/c/T1, a/b/c/T2``, whose group is ``cells``, ``sensors`` or
full names. Each is a track over the whole capture, made once and kept with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property, lru_cache
from typing import Literal, get_args

import numpy as np

from busplan.definitions.model import Signal
from busplan.frames.columns import F64
from busplan.pack.labels import SHORT_NAMES, short_cell, short_sensor
from busplan.plan.vehicle import SignalAddress
from busplan.replay.replay import Replay
from busplan.replay.track import Columns, Track, tracks
from busplan.traffic.running import BIN_NS, NOW_BINS

Take = Literal["lowest", "highest", "spread", "mean", "sum"]
TAKES: tuple[Take, ...] = get_args(Take)
GROUPS = ("cells", "sensors")
LOAD = "load of "
MOST_MOMENTS = 100_000
"""Moments at which quantities of many signals are worked out; of longer captures fewer a second."""


@lru_cache(maxsize=1 << 16)
def address_of(subject: str) -> SignalAddress | None:
    """The signal of a full name; ``None`` when it is no full name."""
    parts = subject.rsplit("/", 3)
    return SignalAddress(*parts) if len(parts) == 4 and " of " not in subject else None


def taken(subject: str) -> tuple[Take, str] | None:
    """How a quantity is made and of what; ``None`` when a subject is none."""
    take, word, group = subject.partition(" of ")
    for known in TAKES:
        if word and take == known:
            return known, group
    return None


class Quantities:
    """The subjects of one capture."""

    def __init__(self, replay: Replay) -> None:
        self.replay = replay
        layout = replay.vehicle.pack
        self._cells = {} if layout is None else {c.address: c for c in layout.cells}
        self._sensors = {} if layout is None else {s.address: s for s in layout.sensors}
        named = {} if layout is None else layout.quantities
        self._named = {address: SHORT_NAMES.get(name, name) for name, address in named.items()}

    def members(self, subject: str) -> tuple[SignalAddress, ...]:
        """The signals that a subject is made of; none for a load."""
        made = taken(subject)
        if made is None:
            address = address_of(subject)
            return () if address is None else (address,)
        if made[1] == "cells":
            return tuple(self._cells)
        if made[1] == "sensors":
            return tuple(self._sensors)
        found = (address_of(name) for name in made[1].split(", "))
        return tuple(address for address in found if address is not None)

    def needed(self, subjects: Iterable[str]) -> tuple[SignalAddress, ...]:
        """All signals that are read for some subjects."""
        return tuple(dict.fromkeys(a for s in subjects for a in self.members(s)))

    def set_aside(self, subject: str) -> bool:
        """Whether the judgement of the pack does not believe the signal."""
        address = address_of(subject)
        return address is not None and address in self._aside

    @cached_property
    def _aside(self) -> frozenset[SignalAddress]:
        cells, sensors = tuple(self._cells), tuple(self._sensors)
        return frozenset(
            [cells[i] for i in self.replay.aside("cell")]
            + [sensors[i] for i in self.replay.aside("sensor")]
        )

    def track(self, subject: str) -> Track | None:
        """All values of a subject; ``None`` when nobody sends it."""
        address = address_of(subject)
        if address is not None:
            return tracks(self.replay, [address])[0]
        if subject.startswith(LOAD):
            return self._load(subject.removeprefix(LOAD))
        made = taken(subject)
        return None if made is None else self._made(subject, made[0])

    def _load(self, network: str) -> Track | None:
        traffic = self.replay.traffic
        if network not in traffic.recorded or not traffic.counted:
            return None

        def make() -> Track:
            sums = traffic.busy_ns[traffic.networks.index(network)]
            wide = min(NOW_BINS, len(sums) - 1)
            ends = np.arange(1, len(sums))
            begins = np.maximum(ends - wide, 0)
            percent = 100.0 * (sums[ends] - sums[begins]) / ((ends - begins) * BIN_NS)
            return Track(
                name=f"load {network}",
                unit="%",
                time_ns=ends * BIN_NS,
                value=percent,
                allowed_ns=2.5 * BIN_NS,
                step=1.0,
                lowest=0,
                highest=100,
            )

        return self.replay.keep((Quantities, LOAD, network), make)

    def _made(self, subject: str, take: Take) -> Track | None:
        wanted = self.members(subject)
        aside = self._aside
        believed = tuple(a for a in wanted if a not in aside)
        key = (subject, believed)
        kept = self.replay.lines.tracks
        if key not in kept:
            parts = [t for t in tracks(self.replay, believed) if t is not None and len(t.time_ns)]
            kept[key] = joined(
                subject, take, parts, self.replay.span_ns, self.replay.index.origin_ns
            )
        found: Track | None = kept[key]
        return found

    def label(self, subject: str) -> str:
        """What people call it: ``53 C1``, ``lowest cell``, ``load drive``, ``PackCurrent``."""
        address = address_of(subject)
        if address is None:
            made = taken(subject)
            if made is None:
                return subject.replace(" of ", " ")
            if made in (("lowest", "sensors"), ("highest", "sensors")):
                return "coldest" if made[0] == "lowest" else "hottest"
            of = {"cells": "cell", "sensors": "sensor"}.get(made[1])
            if of is None:
                return f"{made[0]} of {len(self.members(subject))}"
            return f"{made[0]} of {made[1]}" if made[0] in ("spread", "sum") else f"{made[0]} {of}"
        if address in self._cells:
            return f"cell {short_cell(self._cells[address])}"
        if address in self._sensors:
            return f"sensor {short_sensor(self._sensors[address])}"
        return self._named.get(address, address.signal).replace("_", " ")

    def labels(self, subjects: Sequence[str]) -> Mapping[str, str]:
        """The same for several: those of one name are told apart by their nodes, then networks."""
        plain = {s: self.label(s) for s in dict.fromkeys(subjects)}
        alike: dict[str, list[str]] = {}
        for subject, label in plain.items():
            alike.setdefault(label, []).append(subject)
        for label, group in alike.items():
            found = [address_of(s) for s in group]
            known = [a for a in found if a is not None]
            if len(group) < 2 or len(known) < len(group):
                continue
            for parts in ((1,), (0,), (0, 1), (0, 1, 2)):
                names = [" ".join(a[p] for p in parts) for a in known]
                if len(set(names)) == len(names):
                    break
            plain.update((s, f"{label} {name}") for s, name in zip(group, names, strict=True))
        return plain

    def signal(self, subject: str) -> Signal | None:
        """The definition of a signal; ``None`` when the plan has no such signal."""
        address = address_of(subject)
        if address is None:
            return None
        line = self.replay.line_of(address)
        if line is None or line.message is None or not line.message.has(address.signal):
            return None
        return line.message.signal(address.signal)


def joined(
    subject: str, take: Take, parts: Sequence[Track], span_ns: int, origin_ns: int
) -> Track | None:
    """One track of many, at moments as far apart as their own values; ``None`` of nothing.

    Lowest and highest hold every value that came since the moment before; spread, mean and sum are
    those of one moment.
    """
    if not parts:
        return None
    periods = [p.allowed_ns / 2.5 for p in parts if np.isfinite(p.allowed_ns)]
    step = max(round(min(periods, default=1e9)), 1_000_000, span_ns // MOST_MOMENTS)
    count = max(span_ns // step + 2, 2)
    columns = Columns((-origin_ns) % step - step, step, int(count))
    at = columns.edges[1:]
    low, high = (np.full(columns.count, np.nan) for _ in range(2))
    total, n = np.zeros(columns.count), np.zeros(columns.count)
    for part in parts:
        if take in ("lowest", "highest"):
            ends = part.lowest_highest(Columns(columns.start_ns + 1, step, columns.count))
        else:
            held = part.held(at)
            ends = held, held
            known = ~np.isnan(held)
            total[known] += held[known]
            n += known
        low, high = np.fmin(low, ends[0]), np.fmax(high, ends[1])
    value = _value(take, low, high, total, n)
    inside = (at >= 0) & (at <= span_ns)
    first = parts[0]
    unit, factor, decimals = first.unit, 1.0, first.decimals + (take == "mean")
    if take == "spread":
        unit = "K" if unit == "°C" else unit
        if subject == "spread of cells":
            unit, factor, decimals = "mV", 1e3, 0
    own = take not in ("spread", "sum")
    return Track(
        name=subject,
        unit=unit,
        time_ns=at[inside],
        value=value[inside] * factor,
        allowed_ns=2.5 * step,
        decimals=decimals,
        step=first.step * factor,
        lowest=first.lowest if own else None,
        highest=first.highest if own else None,
    )


def _value(take: Take, low: F64, high: F64, total: F64, n: F64) -> F64:
    if take == "lowest":
        return low
    if take == "highest":
        return high
    if take == "spread":
        return np.asarray(high - low)
    some = np.where(n > 0, total, np.nan)
    return np.asarray(some if take == "sum" else some / np.maximum(n, 1))
