"""What a pack's figures were and how they have moved: the baseline, and drift against it.

A :class:`Baseline` keeps, for each cell and module, its figures against its peers with their
standard uncertainties, and the resistance outside the taps; it can be written as JSON and read
back. Drift is the change of a figure
between a baseline and now, with both uncertainties. It counts when it passes twice: beyond what
both uncertainties and the scatter of the peers' changes explain, and by an amount that matters
(``LEAST``, common practice, no source). Not moved is only said where the interval of the change
excludes that amount.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np

from busplan.answers import Answer, Interval
from busplan.errors import UsageError
from busplan.frames.columns import F64, I64
from busplan.pack.capacity import Capacity
from busplan.pack.evenness import Evenness
from busplan.pack.joints import CURRENT_GAIN, MATTERS_OHM, Joints
from busplan.pack.resistance import Resistance
from busplan.pack.self_discharge import SelfDischarge
from busplan.pack.statistics import deviates, gate, nan_median
from busplan.pack.warm_up_result import WarmUp
from busplan.plan.vehicle import PackLayout
from busplan.wording import percent

TWO_SIDED = 1.96
FORMAT, VERSION = "busplan pack baseline", 1
MOST_ITEMS = 100_000


class Topic(StrEnum):
    """What is kept of a cell or a module. The words stand in findings and in the file."""

    VOLTAGE = "voltage"
    RESISTANCE = "resistance at 1 s"
    RESISTANCE_LATE = "resistance at 10 s"
    CAPACITY = "capacity"
    BALANCE = "charge ahead"
    SELF_DISCHARGE = "slope at rest"
    TEMPERATURE = "temperature"
    EXCHANGE = "exchange"
    JOINTS = "resistance outside the taps"

    @property
    def of_cells(self) -> bool:
        """Whether it is a cell's figure."""
        return self not in (Topic.TEMPERATURE, Topic.EXCHANGE, Topic.JOINTS)

    @property
    def of_pack(self) -> bool:
        """Whether it is one figure of the whole pack; a module's when a cell's neither."""
        return self is Topic.JOINTS


LEAST: Mapping[Topic, float] = {
    Topic.RESISTANCE: 0.10,
    Topic.RESISTANCE_LATE: 0.10,
    Topic.CAPACITY: 0.02,
    Topic.BALANCE: 0.02,
    Topic.SELF_DISCHARGE: 0.3,
    Topic.EXCHANGE: 0.15,
    Topic.JOINTS: MATTERS_OHM * 1e3,
}
"""Least change that matters, in the figure's unit; of voltages and temperatures by the limits."""
LIMIT_SHARE = 0.25
"""A quarter of the allowed spread matters."""
USUAL: Mapping[Topic, float] = {
    Topic.RESISTANCE: 0.02,
    Topic.RESISTANCE_LATE: 0.02,
    Topic.CAPACITY: 0.004,
    Topic.BALANCE: 0.003,
    Topic.SELF_DISCHARGE: 0.03,
    Topic.EXCHANGE: 0.04,
}
"""Usual scatter of the changes of sound peers; of voltages and temperatures one step."""
GAIN_WANDERS = 0.003
"""By so much the gain of one current sensor differs from capture to capture (choice, no source)."""
ALONE = 3.0
"""What has no peers moved when its change is so many times its uncertainty."""


@dataclass(frozen=True, eq=False)
class Kept:
    """One topic's figures and standard uncertainties (m,), NaN where unknown, and conditions."""

    value: F64
    uncertainty: F64
    conditions: str = ""


@dataclass(frozen=True, eq=False)
class Baseline:
    """Figures of every cell and module; ``cells`` and ``modules`` name them in order."""

    cells: tuple[str, ...]
    modules: tuple[str, ...]
    topics: Mapping[Topic, Kept] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; what is not known is ``None``."""
        return {
            "format": FORMAT,
            "version": VERSION,
            "cells": list(self.cells),
            "modules": list(self.modules),
            "figures": {
                topic.value: {
                    "value": _plain(kept.value),
                    "uncertainty": _plain(kept.uncertainty),
                    "conditions": kept.conditions,
                }
                for topic, kept in self.topics.items()
            },
        }

    @staticmethod
    def from_dict(data: object) -> Baseline:
        """What :meth:`as_dict` gave; :class:`busplan.errors.UsageError` for anything else."""
        if not isinstance(data, dict) or data.get("format") != FORMAT:
            raise UsageError(f'not a baseline of a pack: no "format" of "{FORMAT}"')
        if data.get("version") != VERSION:
            raise UsageError(f"the baseline has version {data.get('version')!r}, not {VERSION}")
        cells, modules = _names(data, "cells"), _names(data, "modules")
        figures = data.get("figures")
        if not isinstance(figures, dict):
            raise UsageError('the baseline has no table "figures"')
        topics = {}
        for word, table in figures.items():
            if word not in list(Topic) or not isinstance(table, dict):
                raise UsageError(f"the baseline has figures that are not known: {word!r}")
            topic = Topic(word)
            count = 1 if topic.of_pack else len(cells if topic.of_cells else modules)
            topics[topic] = Kept(
                _numbers(table, "value", word, count),
                _numbers(table, "uncertainty", word, count),
                str(table.get("conditions", "")),
            )
        return Baseline(cells, modules, topics)


def _plain(values: F64) -> list[float | None]:
    return [float(v) if math.isfinite(v) else None for v in values.tolist()]


def _names(data: Mapping[str, Any], key: str) -> tuple[str, ...]:
    names = data.get(key)
    if not isinstance(names, list) or not all(isinstance(n, str) for n in names):
        raise UsageError(f'"{key}" of the baseline is not a list of names')
    if len(names) > MOST_ITEMS:
        raise UsageError(f'"{key}" of the baseline has {len(names)} names; {MOST_ITEMS} at most')
    return tuple(names)


def _numbers(table: Mapping[str, Any], key: str, word: str, count: int) -> F64:
    values = table.get(key)
    good = isinstance(values, list) and all(
        v is None or (isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v))
        for v in values
    )
    if not good or values is None or len(values) != count:
        raise UsageError(f'"{key}" of {word} in the baseline is not a list of {count} numbers')
    numbers = np.array([math.nan if v is None else float(v) for v in values], np.float64)
    if key == "uncertainty" and bool((numbers < 0).any()):
        raise UsageError(f'"{key}" of {word} in the baseline has numbers below 0')
    return numbers


def keep(
    layout: PackLayout,
    *,
    voltage: Evenness,
    temperature: Evenness,
    resistance: Resistance | None,
    joints: Joints | None,
    capacity: Capacity | None,
    self_discharge: SelfDischarge | None,
    warm_up: WarmUp | None,
) -> Baseline:
    """What a judgement leaves for later ones: every figure that was told."""
    topics: dict[Topic, Kept] = {}
    for topic, even in ((Topic.VOLTAGE, voltage), (Topic.TEMPERATURE, temperature)):
        if np.isfinite(even.deviation).any() and not even.missing:
            at = "at rest" if even.quiet else "freed of sag" if even.freed else ""
            # Half a step over both captures is what rounding leaves of a median.
            error = np.full(len(even.deviation), even.step / 2.0 / math.sqrt(2.0))
            topics[topic] = Kept(even.deviation, error, at)
    if resistance is not None:
        topics |= _of_resistance(resistance)
    if joints is not None and not joints.missing:
        topics[Topic.JOINTS] = of_joints(joints)
    if capacity is not None and capacity.told.any():
        window = f"over {percent(capacity.window, 0)} of the charge at {capacity.amps:.0f} A"
        full = capacity.window_ah / capacity.window
        topics[Topic.CAPACITY] = Kept(capacity.relative, capacity.uncertainty, window)
        topics[Topic.BALANCE] = Kept(
            capacity.ahead_ah / full, capacity.ahead_uncertainty_ah / full, window
        )
    if self_discharge is not None and np.isfinite(self_discharge.slope).any():
        topics[Topic.SELF_DISCHARGE] = Kept(
            self_discharge.slope, self_discharge.uncertainty, f"in {self_discharge.hours:.1f} h"
        )
    if warm_up is not None:
        topics[Topic.EXCHANGE] = _of_warm_up(warm_up, layout)
    return Baseline(tuple(f"{c.module}/{c.number}" for c in layout.cells), layout.modules, topics)


def of_joints(joints: Joints) -> Kept:
    """Without the gain of the current's sensor, which a later capture shares."""
    wide = joints.own * joints.factor / TWO_SIDED
    at = f"over {joints.range_a:.0f} A of current"
    return Kept(np.array([joints.value * 1e3]), np.array([wide * 1e3]), at)


_SCALES = {1.0: Topic.RESISTANCE, 10.0: Topic.RESISTANCE_LATE}


def _of_resistance(resistance: Resistance) -> dict[Topic, Kept]:
    """Resistances over the middle cell's, at each time scale that was shown."""
    kept = {}
    for scale in resistance.scales:
        topic = _SCALES.get(scale.after_s)
        if topic is None or not scale.shown or not np.isfinite(scale.relative).any():
            continue
        middle = float(nan_median(scale.value)) * 1e3
        # Few blocks: the interval is wider than that of a normal distribution.
        error = scale.relative_uncertainty * scale.factor / TWO_SIDED
        warm = float(nan_median(resistance.temperature_c))
        at = f" at {warm:.0f} °C" if math.isfinite(warm) else ""
        kept[topic] = Kept(
            scale.relative, error, f"of {middle:.3f} mΩ, a step to {resistance.at_a:.0f} A{at}"
        )
    return kept


def _of_warm_up(warm_up: WarmUp, layout: PackLayout) -> Kept:
    told = {m.module: m for m in warm_up.modules}
    pairs = [
        (told[m].exchange, told[m].uncertainty) if m in told else (math.nan, math.nan)
        for m in layout.modules
    ]
    value, error = np.array(pairs, np.float64).reshape(-1, 2).T
    return Kept(value, error, f"{(warm_up.stop_s - warm_up.start_s) / 60:.0f} min")


@dataclass(frozen=True, eq=False)
class Drift:
    """Change of one topic's figures (m,) since a baseline, with its standard uncertainty.

    ``least`` is the change that matters, ``usual`` the scatter of sound peers' changes.
    """

    topic: Topic
    change: F64
    uncertainty: F64
    least: float
    usual: float

    @property
    def intervals(self) -> tuple[Interval, ...]:
        """Where each change lies (95 %)."""
        wide = TWO_SIDED * self.uncertainty
        return tuple(map(Interval, (self.change - wide).tolist(), (self.change + wide).tolist()))

    @cached_property
    def drifted(self) -> I64:
        """Items that moved against their peers, beyond chance and by what matters."""
        with np.errstate(invalid="ignore"):
            matters = np.abs(self.change) > self.least
        if not matters.any():
            return np.empty(0, np.int64)
        if self.topic.of_pack:
            far, limit = np.abs(self.change) / self.uncertainty, ALONE
        else:
            far = np.abs(deviates(self.change, self.uncertainty, self.usual))
            limit = gate(len(self.change))
        with np.errstate(invalid="ignore"):
            out = (far > limit) & matters
        return np.flatnonzero(out)

    @property
    def answers(self) -> tuple[Answer, ...]:
        """Good only where a change that matters is excluded."""
        wide = TWO_SIDED * self.uncertainty
        good = (-self.least <= self.change - wide) & (self.change + wide <= self.least)
        told = [Answer.GOOD if g else Answer.NOT_SHOWN for g in good.tolist()]
        for item in self.drifted.tolist():
            told[item] = Answer.BAD
        return tuple(told)


def drifts(
    before: Baseline, now: Baseline, layout: PackLayout, steps: tuple[float, float]
) -> tuple[Drift, ...]:
    """Drift of every topic that both have; ``steps`` of cells [V] and sensors [K].

    :class:`busplan.errors.UsageError` when the two are not of the same cells and modules.
    """
    if (before.cells, before.modules) != (now.cells, now.modules):
        raise UsageError(
            f"the baseline is of another pack: {len(before.cells)} cells in "
            f"{len(before.modules)} modules, not the plan's {len(now.cells)} in "
            f"{len(now.modules)}, or other names"
        )
    limits = layout.limits
    spreads = {
        Topic.VOLTAGE: limits.voltage_spread_v,
        Topic.TEMPERATURE: limits.temperature_spread_k,
    }
    step = dict(zip(spreads, steps, strict=True))
    found = []
    for topic, kept in now.topics.items():
        old = before.topics.get(topic)
        if old is None:
            continue
        at_limit = LIMIT_SHARE * spreads.get(topic, math.nan)
        error = np.hypot(kept.uncertainty, old.uncertainty)
        if topic is Topic.JOINTS:
            change = CURRENT_GAIN * (kept.value - old.value)
            error = np.hypot(np.hypot(error, change), GAIN_WANDERS * kept.value)
        found.append(
            Drift(
                topic,
                kept.value - old.value,
                error,
                LEAST.get(topic, at_limit),
                USUAL.get(topic, step.get(topic, math.nan)),
            )
        )
    return tuple(found)
