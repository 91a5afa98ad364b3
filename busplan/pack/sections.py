"""The verdict in a few sentences: one section a topic, good, not good or not judged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busplan.answers import Answer as TheAnswer
from busplan.findings import Finding, Weight
from busplan.pack.electrical import CheckState
from busplan.pack.evenness import Evenness
from busplan.pack.labels import clock, listed
from busplan.pack.order import EndOrder
from busplan.pack.report import PackReport, PackTest
from busplan.pack.statistics import nan_median
from busplan.pack.warm_up import ModuleVerdict, WarmUpState, why_open
from busplan.wording import counted


class Answer(StrEnum):
    """What a section says in a word."""

    GOOD = "good"
    NOT_GOOD = "not good"
    OPEN = "not judged"

    @property
    def mark(self) -> str:
        """A one-character mark, so that no answer is told by colour alone."""
        return {"good": "+", "not good": "!", "not judged": "?"}[self.value]


@dataclass(frozen=True, slots=True)
class Section:
    """One topic of the judgement in one sentence."""

    name: str
    answer: Answer
    text: str

    @property
    def lead(self) -> str:
        """What stands before the sentence: the answer's mark and the topic, in one width."""
        return f"{self.answer.mark} {self.name:<19} "


def sections(report: PackReport) -> tuple[Section, ...]:
    """All topics, in the order a technician asks; what a capture is not for is left out."""
    each: tuple[Callable[[PackReport], Section | None], ...] = (
        _signals,
        _limits,
        _warm_up,
        _resistance,
        _ends,
        _capacity,
        _self_discharge,
        lambda r: _evenness(r, r.voltage),
        lambda r: _evenness(r, r.temperature),
        _electrical,
    )
    return tuple(s for make in each if (s := make(report)) is not None)


def headline(report: PackReport, findings: Sequence[Finding] | None = None) -> str:
    """The verdict in one line; over ``findings`` when they are more than the report's own."""
    counts = dict.fromkeys((Weight.FAULT, Weight.CAUTION), 0)
    for finding in report.findings if findings is None else findings:
        if finding.weight in counts:
            counts[finding.weight] += 1
    told = [counted(n, w.word) for w, n in counts.items() if n]
    if told:
        return f"Not all right: {' and '.join(told)}."
    if any(s.answer is Answer.OPEN and _main(report, s) for s in sections(report)):
        return "Not judged: see what the test still needs."
    return "All right, as far as this capture shows."


def _main(report: PackReport, section: Section) -> bool:
    """Whether the section is what this kind of test is made for."""
    return {
        PackTest.WARM_UP: "warm-up",
        PackTest.DRIVE: "resistance",
        PackTest.CHARGE: "order at the ends",
        PackTest.REST: "evenness of cells",
    }[report.test] == section.name


def _weighty(report: PackReport, *codes: str) -> bool:
    return any(f.weight > Weight.NOTE and f.code.startswith(codes) for f in report.findings)


def _answer(bad: bool) -> Answer:
    return Answer.NOT_GOOD if bad else Answer.GOOD


def _signals(report: PackReport) -> Section:
    layout = report.layout
    counts = [
        (len(layout.cells), "cells", report.voltage_range),
        (len(layout.sensors), "sensors", report.temperature_range),
    ]
    heard = [f"{n} {what}" for n, what, seen in counts if n and seen is not None]
    absent = [what for n, what, seen in counts if n and seen is None]
    parts = []
    missing = [f for f in report.findings if f.code.endswith("-not-received")]
    if missing:
        parts.append(f"{sum(int(f.figures[0].value) for f in missing)} never heard")
    if report.drop_outs:
        longest = max(report.drop_outs, key=lambda d: d.length_s)
        parts.append(f"{longest.node} silent for {longest.length_s:.1f} s")
    for reading in report.faulty[:2]:
        if reading.kind == "sensor":
            sensor = layout.sensors[reading.index]
            parts.append(f"{sensor.module} sensor {sensor.position} {reading.fault}")
        else:
            parts.append(f"cell {layout.cells[reading.index].number} reading {reading.fault}")
    bad = bool(parts)
    parts += [f"no {what} in this capture" for what in absent]
    whole = f"{' and '.join(heard)} heard{'' if bad else ' throughout'}"
    return Section("signals", _answer(bad), "; ".join([*parts, whole] if bad else [whole, *parts]))


def _limits(report: PackReport) -> Section:
    lasting = [e for e in report.excesses if not e.touch]
    bad = _weighty(report, "cell-voltage-", "temperature-high", "temperature-low", "charging-too")
    if lasting:
        worst = max(lasting, key=lambda e: e.longest_s)
        side = "above" if worst.above else "below"
        unit = "V" if worst.kind == "cell" else "°C"
        text = f"{side} {worst.limit:g} {unit} for {worst.longest_s:.0f} s"
    else:
        ranges = (
            (report.voltage_range, "V", 3),
            (report.temperature_range, "°C", 1),
        )
        text = ", ".join(
            f"{ends[0].value:.{digits}f} to {ends[1].value:.{digits}f} {unit}"
            for ends, unit, digits in ranges
            if ends is not None
        )
        text = f"inside: {text}" if not report.excesses else f"touched for a moment: {text}"
    return Section("limits", _answer(bad), text)


def _warm_up(report: PackReport) -> Section | None:
    warm_up = report.warm_up
    if warm_up is None:
        if report.test is not PackTest.WARM_UP:
            return None
        return Section("warm-up", Answer.OPEN, "the modules neither warm up nor cool down here")
    behind = [
        m for m in warm_up.modules if m.verdict in (ModuleVerdict.SLOW, ModuleVerdict.NO_FLOW)
    ]
    follow = sum(m.verdict in (ModuleVerdict.FOLLOWS, ModuleVerdict.STUCK) for m in warm_up.modules)
    way = "warm-up" if warm_up.heating else "cool-down"
    told = [f"{m.module} {m.verdict} ({m.exchange:.0%} exchange)" for m in behind]
    if warm_up.state is not WarmUpState.JUDGED:
        text = "; ".join([*told, why_open(warm_up)])
        return Section("warm-up", Answer.NOT_GOOD if behind else Answer.OPEN, text)
    span = f"{clock(warm_up.start_s)} to {clock(warm_up.stop_s)}"
    together = f"{follow} of {len(warm_up.modules)} modules come up together in the {way}, {span}"
    text = f"{listed(told)}; {together}" if told else together
    return Section("warm-up", _answer(bool(behind)), text)


def _resistance(report: PackReport) -> Section | None:
    fit = report.resistance
    if fit is None or not fit.judged:
        if report.test is not PackTest.DRIVE:
            return None
        why = "no current is mapped" if fit is None else "the current changes too little"
        return Section("resistance", Answer.OPEN, why)
    raised = fit.raised(report.layout.limits.voltage_spread_v)
    told = [
        f"cell {report.layout.cells[i].number} {fit.value[i] / fit.middle - 1:+.0%}" for i in raised
    ]
    error = float(nan_median(fit.uncertainty)) / fit.middle
    text = f"median cell {fit.middle * 1e3:.3f} mΩ (each fit ± {error:.1%})"
    if told:
        text = f"{listed(told)}; {text}"
    return Section("resistance", _answer(bool(told)), text)


def _ends(report: PackReport) -> Section | None:
    told, bad = [], False
    for order in (report.top, report.bottom):
        if order is not None:
            told.append(_end_text(report, order))
            bad |= order.first is not None
    if told:
        return Section("order at the ends", _answer(bad), "; ".join(told))
    if report.test is not PackTest.CHARGE:
        return None
    return Section("order at the ends", Answer.OPEN, "no cell came near the top of charge")


def _end_text(report: PackReport, order: EndOrder) -> str:
    leaders = [report.layout.cells[i].number for i in order.order[:3]]
    end = "top" if order.top else "bottom"
    lead = float(order.lead_v[order.order[0]]) * 1e3
    followed = ", ".join(f"{n}" for n in leaders[1:])
    return f"cell {leaders[0]} first to the {end}, {lead:.0f} mV ahead; then {followed}"


def _capacity(report: PackReport) -> Section | None:
    capacity = report.capacity
    if capacity is None or not capacity.told.any():
        if capacity is None or report.test is not PackTest.CHARGE:
            return None
        return Section("capacity", Answer.OPEN, capacity.missing or capacity.refused[0])
    told = capacity.relative[capacity.told]
    least = int(np.nanargmin(np.where(capacity.told, capacity.relative, np.nan)))
    number = report.layout.cells[least].number
    text = (
        f"{told.min():.1%} to {told.max():.1%} of the median cell's, least cell {number} with "
        f"{capacity.intervals[least].low:.1%} to {capacity.intervals[least].high:.1%} (95 %), by "
        f"{capacity.window:.0%} of the charge at {capacity.amps:.0f} A"
    )
    refused = int((~capacity.told).sum())
    if refused:
        text = f"{text}; {counted(refused, 'cell')} not told"
    bad = bool(len(capacity.weak))
    shown = all(a is not TheAnswer.NOT_SHOWN for a in capacity.answers)
    return Section("capacity", _answer(bad) if bad or shown else Answer.OPEN, text)


def _self_discharge(report: PackReport) -> Section | None:
    found = report.self_discharge
    name = "self-discharge"
    if found is None:
        if report.test is not PackTest.REST:
            return None
        return Section(name, Answer.OPEN, "three hours without current, recorded, would show it")
    if found.missing:
        return Section(name, Answer.OPEN, found.missing) if report.test is PackTest.REST else None
    told = [
        f"cell {report.layout.cells[i].number} falls by {-found.intervals[i].high:.2g} to "
        f"{-found.intervals[i].low:.2g} mV/h (95 %)"
        for i in found.losing
    ]
    limit = float(nan_median(found.limit_mv_h))
    text = f"{found.hours:.1f} h of rest show a loss of {limit:.2g} mV/h or more against peers"
    if told:
        return Section(name, Answer.NOT_GOOD, f"{listed(told)}; {text}")
    shown = all(a is TheAnswer.GOOD for a in found.answers)
    return Section(name, Answer.GOOD if shown else Answer.OPEN, f"none found; {text}")


def _evenness(report: PackReport, evenness: Evenness) -> Section:
    volts = evenness.kind == "voltage"
    name = "evenness of cells" if volts else "evenness of modules"
    spread = evenness.spread
    known = np.isfinite(spread)
    if not known.any():
        return Section(name, Answer.OPEN, "fewer than two were heard")
    if evenness.missing:
        return Section(name, Answer.OPEN, evenness.missing)
    row = int(np.nanargmax(spread))
    factor, unit, digits = (1e3, "mV", 0) if volts else (1.0, "K", 1)
    middle, most = float(np.median(spread[known])) * factor, float(spread[row]) * factor
    codes = (
        ("voltage-spread", "cell-low", "cell-high", "cell-drift")
        if volts
        else ("temperature-spread", "module-hot", "module-cold", "module-drift")
    )
    at = " without load" if evenness.quiet else " freed of sag" if evenness.freed else ""
    text = (
        f"spread{at} {middle:.{digits}f} {unit} median, {most:.{digits}f} {unit} at most "
        f"({clock(float(evenness.time_s[row]))})"
    )
    if volts:
        text = f"{text}; {_ranking(report, evenness)}"
    return Section(name, _answer(_weighty(report, *codes)), text)


def _ranking(report: PackReport, evenness: Evenness) -> str:
    """The two ends of the ranking by voltage, and how often the last one is the lowest."""
    known = np.flatnonzero(np.isfinite(evenness.deviation))
    order = known[np.argsort(evenness.deviation[known], kind="stable")]
    numbers = [report.layout.cells[i].number for i in order]
    often = int(np.argmax(evenness.lowest_share))
    share = float(evenness.lowest_share[often])
    ends = f"highest {', '.join(map(str, numbers[::-1][:3]))}"
    return f"cell {report.layout.cells[often].number} lowest {share:.0%} of the time, {ends}"


def _electrical(report: PackReport) -> Section | None:
    made = [c for c in report.checks if c.state is not CheckState.NOT_COVERED]
    if not made:
        return None
    bad = [c for c in made if c.state is CheckState.BAD]
    if bad:
        text = "; ".join(f"{c.name}: {c.text}" for c in bad)
    else:
        text = f"in order: {', '.join(c.name for c in made)}"
    return Section("electrical", _answer(bool(bad)), text)
