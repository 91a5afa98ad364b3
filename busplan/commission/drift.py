"""A capture of later years held against what the commissioning found: what has drifted.

The rules of this file: pure. Cells, modules and joints are the pack's matter
(:mod:`busplan.pack.drift`); here are loads, cycles and insulation. A change counts when it passes
twice: beyond what both uncertainties allow, and by an amount that matters. Not moved is only said
where the interval of the change excludes that amount; what either capture lacks is named.

Amounts that matter, and the accuracy of insulation monitors: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from busplan.answers import Answer, Interval
from busplan.commission.baseline import baseline_of
from busplan.commission.cover import Covered, figures_of_cycles, figures_of_load
from busplan.commission.state import Commissioning
from busplan.errors import UsageError
from busplan.findings import Figure, Finding, Weight, Where, by_weight
from busplan.pack.drift import Drift
from busplan.pack.judging import judge_frames
from busplan.wording import CAUTION, counted, listing, plain

SURE = 3.0
"""What has no peers moved when its change is so many times its uncertainty."""
TWO_SIDED = 1.96
LEAST_LOAD = 0.02
"""Part of a network's time."""
LEAST_CYCLE = 0.05
"""Part of a message's period."""
LEAST_INSULATION = math.log(2.0)
"""Half of what it was, as a logarithm."""
MONITOR = 0.15
"""How far an insulation monitor may be off, as a part of what it reads."""
_PACK_CODES = ("cell-drift", "module-drift", "joint-drift")


class Kept(NamedTuple):
    """A figure and its standard uncertainty."""

    value: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Change:
    """How one figure has moved. ``least`` is the change that matters; all in ``unit``.

    Of insulation the figures are natural logarithms; only a fall counts.
    """

    kind: str
    network: str
    name: str
    before: Kept
    now: Kept
    least: float
    unit: str

    @property
    def change(self) -> float:
        """Now minus before."""
        return self.now.value - self.before.value

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the change."""
        return math.hypot(self.before.uncertainty, self.now.uncertainty)

    @property
    def interval(self) -> Interval:
        """Where the change lies (95 %)."""
        wide = TWO_SIDED * self.uncertainty
        return Interval(self.change - wide, self.change + wide)

    @property
    def answer(self) -> Answer:
        """Bad when it has drifted, good only where a change that matters is excluded."""
        falls = self.kind == "insulation"
        far = -self.change if falls else abs(self.change)
        if far > SURE * self.uncertainty and far > self.least:
            return Answer.BAD
        low, high = self.interval.low, self.interval.high
        inside = -self.least <= low and (falls or high <= self.least)
        return Answer.GOOD if inside else Answer.NOT_SHOWN

    @property
    def text(self) -> str:
        """Before, now and the change with its interval."""
        low, high = self.interval.low, self.interval.high
        if self.kind == "insulation":
            old, new = math.exp(self.before.value), math.exp(self.now.value)
            ends = f"{plain(math.exp(low), 2)} to {plain(math.exp(high), 2)}"
            return f"{self.name}: {old:.0f} to {new:.0f} {self.unit}, times {ends} (95 %)"
        factor, unit = (100.0, "%") if self.kind == "load" else (1.0, self.unit)
        old, new = factor * self.before.value, factor * self.now.value
        ends = f"{plain(factor * low, 3, sign=True)} to {plain(factor * high, 3, sign=True)} {unit}"
        return f"{self.name}: {plain(old)} to {plain(new)} {unit}, changed by {ends} (95 %)"

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; of insulation back from logarithms."""
        back = math.exp if self.kind == "insulation" else float
        return {
            "kind": self.kind,
            "network": self.network,
            "name": self.name,
            "unit": self.unit,
            "before": back(self.before.value),
            "now": back(self.now.value),
            "low": back(self.interval.low),
            "high": back(self.interval.high),
            "answer": self.answer.value,
        }


@dataclass(frozen=True, eq=False)
class BuildDrift:
    """Everything of a build that a capture holds against its baseline.

    ``pack`` is the change of cells, modules and joints; ``unlike`` tells what cannot be compared.
    """

    vehicle: str
    invented: bool
    pack: tuple[Drift, ...]
    changes: tuple[Change, ...]
    pack_findings: tuple[Finding, ...]
    unlike: tuple[str, ...]

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """A caution for each that drifted."""
        moved = (_finding(c) for c in self.changes if c.answer is Answer.BAD)
        return tuple(by_weight([*self.pack_findings, *moved]))

    @property
    def compared(self) -> int:
        """How many figures were compared."""
        told = sum(int(np.isfinite(d.change).sum()) for d in self.pack)
        return told + len(self.changes)

    @property
    def unsure(self) -> int:
        """How many of them could have moved by what matters without being seen."""
        pack = sum(
            answer is Answer.NOT_SHOWN and bool(np.isfinite(change))
            for d in self.pack
            for answer, change in zip(d.answers, d.change.tolist(), strict=True)
        )
        return pack + sum(c.answer is Answer.NOT_SHOWN for c in self.changes)

    @property
    def headline(self) -> str:
        """The whole in one line."""
        moved = counted(len(self.findings), "thing") + " drifted" if self.findings else "no drift"
        open_ = f", {self.unsure} too uncertain to tell" if self.unsure else ""
        return f"{self.vehicle}: {moved}; {counted(self.compared, 'figure')} compared{open_}"

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values for JSON."""
        return {
            "vehicle": self.vehicle,
            "invented": self.invented,
            "headline": self.headline,
            "pack": [
                {
                    "topic": d.topic.value,
                    "change": [_plain(v) for v in d.change.tolist()],
                    "uncertainty": [_plain(v) for v in d.uncertainty.tolist()],
                    "answers": [a.value for a in d.answers],
                }
                for d in self.pack
            ],
            "changes": [c.as_dict() for c in self.changes],
            "not_compared": list(self.unlike),
            "findings": [f.as_dict() for f in self.findings],
            "cautions": CAUTION,
        }


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None


def drift_of(commissioning: Commissioning, covered: Covered) -> BuildDrift:
    """What has moved between a build's commissioning and a later capture.

    :class:`busplan.errors.UsageError` when the journal holds nothing to compare with.
    """
    kept = ("capture", "load", "cycles")
    if not any(t.test.kind in kept and t.proof is not None for t in commissioning.tests):
        raise UsageError("no capture has been entered: there is nothing to compare with")
    pack, findings, unlike = _pack(commissioning, covered)
    changes: list[Change] = []
    for state in commissioning.tests:
        kind, network = state.test.kind, state.test.subject
        figures = {} if state.proof is None else state.proof[1].figures or {}
        if kind == "load" and figures:
            changes += _load(figures, network, covered, unlike)
        elif kind == "cycles" and figures:
            changes += _cycles(figures, network, covered, unlike)
    changes += _insulation(commissioning, covered, unlike)
    vehicle = covered.vehicle
    return BuildDrift(vehicle.name, vehicle.invented, pack, tuple(changes), findings, tuple(unlike))


def _pack(
    commissioning: Commissioning, covered: Covered
) -> tuple[tuple[Drift, ...], tuple[Finding, ...], list[str]]:
    judged = covered.pack
    if judged is None:
        return (), (), ["the pack: nothing of it is in this capture"]
    try:
        before = baseline_of(commissioning, judged.report.test.value)
    except UsageError as error:
        return (), (), [f"the pack: {error}"]
    again = judge_frames(covered.table, covered.vehicle, before=before)
    told = {d.topic for d in again.report.drift or ()}
    lacking = [t.value for t in before.topics if t not in told]
    unlike = [f"the pack's {listing(lacking, 9)}: not told by this capture"] if lacking else []
    findings = tuple(f for f in again.findings if f.code in _PACK_CODES)
    return again.report.drift or (), findings, unlike


def _numbers(figures: Mapping[str, Any], *keys: str) -> list[float] | None:
    """Some numbers of an entry; ``None`` when it has not all of them."""
    values = [figures.get(key) for key in keys]
    if any(isinstance(v, bool) or not isinstance(v, int | float) for v in values):
        return None
    return [float(v) for v in values if v is not None]


def _load(
    figures: Mapping[str, Any], network: str, covered: Covered, unlike: list[str]
) -> Iterator[Change]:
    before = _numbers(figures, "mean", "uncertainty")
    now = figures_of_load(covered.traffic, network) if network in covered.networks else None
    found = None if now is None else _numbers(now, "mean", "uncertainty")
    if before is None or now is None or found is None:
        unlike.append(f"load of {network}: {'not kept' if before is None else 'not recorded'}")
        return
    old, new = (set(map(str, f.get("identifiers") or ())) for f in (figures, now))
    if old != new:
        # Another set of nodes was awake: that is another test, or another vehicle.
        gone, more = sorted(old - new), sorted(new - old)
        said = [f"{listing(gone)} missing"] if gone else []
        said += [f"{listing(more)} new"] if more else []
        unlike.append(f"load of {network}: other messages came ({', '.join(said)})")
        return
    yield Change("load", network, f"load of {network}", Kept(*before), Kept(*found), LEAST_LOAD, "")


def _cycles(
    figures: Mapping[str, Any], network: str, covered: Covered, unlike: list[str]
) -> Iterator[Change]:
    old = figures.get("cycles_ms")
    if not isinstance(old, Mapping):
        unlike.append(f"cycles of {network}: not kept")
        return
    now = figures_of_cycles(covered.traffic, network)
    if not now:
        unlike.append(f"cycles of {network}: not recorded")
        return
    for name, pair in old.items():
        if not (isinstance(pair, Sequence) and len(pair) == 2 and name in now):
            continue
        values = _numbers({"a": pair[0], "b": pair[1]}, "a", "b")
        if values is not None:
            least = LEAST_CYCLE * values[0]
            yield Change("cycle", network, name, Kept(*values), Kept(*now[name]), least, "ms")
    if missing := [name for name in old if name not in now]:
        unlike.append(f"cycles of {network}: {listing(missing)} not heard often enough")


def _insulation(
    commissioning: Commissioning, covered: Covered, unlike: list[str]
) -> Iterator[Change]:
    kept = [
        (state.proof[0].number, figures["insulation"])
        for state in commissioning.tests
        if state.test.kind == "capture" and state.proof is not None
        for figures in [state.proof[1].figures or {}]
        if isinstance(figures.get("insulation"), Mapping)
    ]
    if not kept:
        return
    before = _log(max(kept, key=lambda one: one[0])[1])
    now = None if covered.insulation is None else _log(covered.insulation)
    if before is None or now is None:
        unlike.append("insulation: not measured in this capture")
        return
    yield Change("insulation", "", "insulation", before, now, LEAST_INSULATION, "Ω/V")


def _log(figures: Mapping[str, Any]) -> Kept | None:
    """Insulation as a logarithm, with the monitor's accuracy; ``None`` when it is no figure."""
    values = _numbers(figures, "value", "low", "high")
    if values is None or values[0] <= 0:
        return None
    value, low, high = values
    scatter = (high - low) / (2 * TWO_SIDED * value)
    return Kept(math.log(value), math.hypot(scatter, MONITOR / TWO_SIDED))


_SAYS = {
    "load": (
        "The time on a network has moved since the commissioning",
        "Another node, another setting or a message that repeats itself takes its time.",
        "Compare the shares with busplan measure, and find the message that grew or went.",
    ),
    "cycle": (
        "A message's period has moved since the commissioning",
        "Its sender has other settings or another software, or is failing.",
        "Ask what was changed on its sender; hold it against its definition with busplan bench.",
    ),
    "insulation": (
        "The insulation has fallen since the commissioning",
        "What falls so far goes on falling: moisture, a chafed cable, a leaking plate.",
        "Have licensed people measure it, and look for water and worn insulation.",
    ),
}


def _finding(change: Change) -> Finding:
    says, why, action = _SAYS[change.kind]
    back = math.exp if change.kind == "insulation" else float
    unit = change.unit
    cycle = change.kind == "cycle"
    code = "load-drift" if change.kind == "load" else "cycle-drift" if cycle else "insulation-drift"
    return Finding(
        code,
        Weight.CAUTION,
        Where(change.network or None),
        f"{says}: {change.text}.",
        why,
        action,
        (
            Figure("before", back(change.before.value), unit),
            Figure("now", back(change.now.value), unit),
        ),
    )
