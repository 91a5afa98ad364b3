"""Signals over time: held onto a grid of moments, beside their peers, module by module.

A grid holds the last value at or before each moment, and nothing while its message is stale. Only
the frames that are asked for are decoded, so a long capture costs no more than a short one; what
happens between two moments of a grid is not seen on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from busplan.decode.codec import decode_message
from busplan.frames.columns import F64, I64
from busplan.plan.vehicle import PackLayout, SignalAddress
from busplan.replay.lines import Line
from busplan.replay.pack_state import Grade, Grades, grade_deviation
from busplan.replay.pack_values import PackSources, Source, by_line
from busplan.replay.replay import Replay

MOST_ROWS = 200_000
"""Most frames decoded for one signal of a multiplexed message; earlier ones are left out."""


@dataclass(frozen=True, eq=False)
class Grid:
    """Values of signals at moments: ``values`` has shape ``(n_signals, n_moments)``.

    ``aside`` are signals whose readings are not believed.
    """

    moments_ns: I64
    values: F64
    aside: tuple[int, ...] = ()

    def band(self) -> tuple[F64, F64, F64]:
        """Lowest, median and highest signal at each moment; NaN where none has a value.

        Signals that are not believed are left out.
        """
        return self._band

    @cached_property
    def believed(self) -> F64:
        """The values, NaN throughout where they are not believed."""
        if not self.aside:
            return self.values
        values = self.values.copy()
        values[list(self.aside)] = np.nan
        return values

    def middle_of(self, members: Sequence[int]) -> F64:
        """The median of some of the signals at each moment; NaN where none has a value.

        Those that are not believed count only where there are no others.
        """
        key = tuple(members)
        if key not in self._middles:
            mine = [i for i in key if i not in self.aside] or list(key)
            self._middles[key] = Grid(self.moments_ns, self.values[mine]).band()[1]
        return self._middles[key]

    @cached_property
    def _middles(self) -> dict[tuple[int, ...], F64]:
        return {}

    @cached_property
    def _band(self) -> tuple[F64, F64, F64]:
        low, middle, high = (np.full(len(self.moments_ns), np.nan) for _ in range(3))
        if len(self.values):
            seen = ~np.all(np.isnan(self.believed), axis=0)
            chosen = self.believed[:, seen]
            if chosen.size:
                low[seen] = np.nanmin(chosen, axis=0)
                middle[seen] = np.nanmedian(chosen, axis=0)
                high[seen] = np.nanmax(chosen, axis=0)
        return low, middle, high


def grid(replay: Replay, addresses: Sequence[SignalAddress], at_ns: I64) -> Grid:
    """Signals at ascending moments, in their own units; NaN: unknown, not seen or a code."""
    return _grid(replay, [replay.chosen(address) for address in addresses], at_ns)


def cell_grid(replay: Replay, at_ns: I64) -> Grid:
    """All cell voltages [V]."""
    found = _grid(replay, _pack(replay).cells.sources, at_ns)
    return replace(found, aside=replay.aside("cell"))


def sensor_grid(replay: Replay, at_ns: I64) -> Grid:
    """All temperatures [°C]."""
    found = _grid(replay, _pack(replay).sensors.sources, at_ns)
    return replace(found, aside=replay.aside("sensor"))


def _pack(replay: Replay) -> PackSources:
    assert replay.sources is not None  # whoever has its layout has a pack
    return replay.sources


def _grid(replay: Replay, sources: Sequence[Source | None], at_ns: I64) -> Grid:
    values = np.full((len(sources), len(at_ns)), np.nan)
    for number, members in by_line(sources).items():
        line = replay.lines.lines[number]
        if line.k >= 0:
            rows = _held(replay, line, [source for _, source in members], at_ns)
            for (i, _), row in zip(members, rows, strict=True):
                values[i] = row
    return Grid(at_ns, values)


@dataclass(frozen=True, eq=False)
class ModuleGrid:
    """How far each module is off the median of all, and the grade of it; ``(n_modules, n)``.

    Temperatures [K]: the mean of the module, or of the enclosure whose sensors belong to no module.
    Voltages [V]: the module's cell that is furthest off the median of all cells.
    """

    names: tuple[str, ...]
    moments_ns: I64
    deviation: F64
    grade: Grades

    def upto(self, t_ns: int) -> ModuleGrid:
        """The same without what is later than a moment."""
        later = self.moments_ns > t_ns
        deviation = np.where(later, np.nan, self.deviation)
        grade = np.where(later, np.uint8(Grade.MISSING), self.grade)
        return replace(self, deviation=deviation, grade=grade.astype(self.grade.dtype))


def module_heat(replay: Replay, layout: PackLayout, at_ns: I64) -> ModuleGrid:
    """Mean temperature of each module, or enclosure, against the median of all of them."""
    sensors = sensor_grid(replay, at_ns).believed
    names = tuple(dict.fromkeys(s.module for s in layout.sensors))
    mean = np.full((len(names), len(at_ns)), np.nan)
    for m, name in enumerate(names):
        mine = [i for i, s in enumerate(layout.sensors) if s.module == name]
        seen = ~np.isnan(sensors[mine])
        total = np.where(seen, sensors[mine], 0).sum(axis=0)
        mean[m] = np.where(seen.any(axis=0), total / np.maximum(seen.sum(axis=0), 1), np.nan)
    deviation = mean - Grid(at_ns, mean).band()[1]
    limits, step = layout.limits, layout.temperature_resolution_k or 0.0
    grade = grade_deviation(deviation, limits.temperature_spread_k, step)
    return ModuleGrid(names, at_ns, deviation, grade)


def module_volts(replay: Replay, layout: PackLayout, at_ns: I64) -> ModuleGrid:
    """The cell of each module that is furthest off the median of all cells."""
    cells = cell_grid(replay, at_ns)
    off = cells.believed - cells.band()[1]
    worst = np.full((len(layout.modules), len(at_ns)), np.nan)
    for m, module in enumerate(layout.modules):
        mine = [i for i, c in enumerate(layout.cells) if c.module == module]
        if mine:
            part = off[mine]
            far = np.where(np.isnan(part), -1.0, np.abs(part)).argmax(axis=0)
            worst[m] = part[far, np.arange(len(at_ns))]
    grade = grade_deviation(worst, layout.limits.voltage_spread_v)
    return ModuleGrid(layout.modules, at_ns, worst, grade)


def _held(replay: Replay, line: Line, sources: Sequence[Source], at_ns: I64) -> list[F64]:
    """Signals of one message held at moments."""
    assert line.message is not None
    index = replay.index
    start = int(index.starts[line.k])
    last = index.upto_of(line.k, at_ns) - 1
    names = list(dict.fromkeys(s.reading.address.signal for s in sources))
    wanted = np.unique(last[last >= start])
    if not len(wanted):
        return [np.full(len(at_ns), np.nan) for _ in sources]
    decoded = decode_message(*index.messages.pick(index.rows[wanted]), line.message, names)
    if not all(decoded.signals[name].present.all() for name in names):
        # What a frame does not carry is held from one before it.
        top = int(wanted[-1]) + 1
        wanted = np.arange(max(start, top - MOST_ROWS), top)
        decoded = decode_message(*index.messages.pick(index.rows[wanted]), line.message, names)
    out = []
    for source in sources:
        reading = source.reading
        column = decoded.signals[reading.address.signal]
        present = np.flatnonzero(column.present)
        came = wanted[present]
        value = np.full(len(at_ns), np.nan)
        if len(came):
            shown = np.where(reading.measured(column), reading.values(column.values), np.nan)
            found = np.searchsorted(came, last, "right") - 1
            known = found >= 0
            at = np.maximum(found, 0)
            known &= at_ns - index.times_at(came[at]) <= source.allowed_ns
            value[known] = shown[present][at][known]
        out.append(value)
    return out
