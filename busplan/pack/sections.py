"""All topics of the judgement, collected: each judge's own sentence and answer, none of it anew.

A section that a test must show and that is *not shown* keeps the whole from being good
(:mod:`busplan.pack.whole`); which those are stands in :mod:`busplan.pack.kinds`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busplan.answers import Answer, together
from busplan.findings import Weight
from busplan.frames.columns import Mask
from busplan.pack.capacity import Capacity
from busplan.pack.evenness import Evenness
from busplan.pack.heard import LEAST_SHARE, modules_heard, signals_section
from busplan.pack.joints import joints_section
from busplan.pack.kinds import KINDS, PackTest, makeable
from busplan.pack.labels import clock, listed
from busplan.pack.limits_told import doubt_words, limits_section, weighty
from busplan.pack.order import EndOrder
from busplan.pack.report import PackReport
from busplan.pack.resistance_told import resistance_section
from busplan.pack.section import Section, answers_of, not_shown
from busplan.pack.statistics import nan_median
from busplan.wording import counted, listing, percent, plain, plural

ODD = {
    "current-sign-wrong": "the current has the wrong sign",
    "current-scale-wrong": "the current has the wrong scale",
    "cell-scale-wrong": "all cells have the wrong scale",
    "cells-same-reading": "several cells send one reading",
}
"""Findings that say of a signal as a whole that it cannot be so."""
LEAST_ROWS = 10
"""Moments that evenness is told of at least."""


def sections(report: PackReport) -> tuple[Section, ...]:
    """All topics, in the order a technician asks; what a capture is not for is left out."""
    each: tuple[Callable[[PackReport], Section | None], ...] = (
        _recording,
        _signals,
        limits_section,
        _warm_up,
        _resistance,
        lambda r: joints_section(r.joints),
        _ends,
        _capacity,
        _self_discharge,
        lambda r: _evenness(r, r.voltage),
        lambda r: _evenness(r, r.temperature),
        _electrical,
        _drift,
    )
    return tuple(s for make in each if (s := make(report)) is not None)


def _recording(report: PackReport) -> Section | None:
    """What reading the capture and its definitions had to tolerate; nothing to say if nothing."""
    told = [f for f in report.tolerated if f.weight > Weight.NOTE]
    if report.one_clock:
        told = [f for f in told if f.code != "time-steps-back"]
    text = "; ".join(filter(None, (report.one_clock, report.paused)))
    if told:
        summaries = listing([f.summary.rstrip(".") for f in told], 2)
        text = f"{text}; " if text else ""
        text += f"{counted(len(told), 'caution')} of reading it: {summaries}"
    return not_shown("recording", text, "record again, or mend what is named") if text else None


def _signals(report: PackReport) -> Section:
    codes = {f.code for f in report.findings}
    odd = [words for code, words in ODD.items() if code in codes]
    still = [s.what for s in report.standing]
    return signals_section(
        report.heard,
        report.layout,
        report.faulty,
        report.drop_outs,
        odd=odd + [f"{what} read one value while what drives them moves" for what in still],
        unbelieved=report.unbelieved,
        still=still,
        unmoved=report.unmoved.words if report.unmoved else "",
    )


def _warm_up(report: PackReport) -> Section | None:
    warm_up = report.warm_up
    name = "warm-up"
    if warm_up is None:
        if report.test is not PackTest.WARM_UP:
            return None
        return not_shown(name, "the modules neither warm up nor cool down here", _run(report))
    modules = report.layout.modules
    of = {m.module: m.answer for m in warm_up.modules}
    answers = tuple(of.get(m, Answer.NOT_SHOWN) for m in modules)
    answer = together(answers)
    missing = ""
    if answer is Answer.NOT_SHOWN:
        bare = [m for m in modules if m not in of]
        bare_told = f"no sensor in {listed(bare)}" if bare else ""
        missing = "; ".join(filter(None, (warm_up.missing, bare_told)))
    return Section(name, answer, warm_up.told, missing, (), answers)


def _run(report: PackReport) -> str:
    return KINDS[report.test].run


def _resistance(report: PackReport) -> Section | None:
    asked = report.test is PackTest.DRIVE
    return resistance_section(report.resistance, report.layout, asked=asked, run=_run(report))


def _ends(report: PackReport) -> Section | None:
    name = "order at the ends"
    told: list[str] = []
    first: set[int] = set()
    shown = np.zeros(len(report.layout.cells), np.bool_)
    for order in (report.top, report.bottom):
        if order is not None:
            told.append(_end_text(report, order))
            first |= set() if order.first is None else {order.first}
            shown |= np.isfinite(order.lead_v)
    if told:
        answers = answers_of(len(shown), first, shown.tolist())
        rest = int((~shown).sum())
        missing = f"{counted(rest, 'cell')} not heard there" if rest else ""
        answer = Answer.BAD if first else Answer.NOT_SHOWN if rest else Answer.GOOD
        return Section(name, answer, "; ".join(told), missing, answers)
    if report.test is not PackTest.CHARGE:
        return None
    return not_shown(name, "no cell came near the top of charge", _run(report))


def _end_text(report: PackReport, order: EndOrder) -> str:
    leaders = [report.layout.cells[i].number for i in order.order[:3]]
    end = "top" if order.top else "bottom"
    lead = float(order.lead_v[order.order[0]]) * 1e3
    followed = ", ".join(f"{n}" for n in leaders[1:])
    return f"cell {leaders[0]} first to the {end}, {lead:.0f} mV ahead; then {followed}"


def _capacity(report: PackReport) -> Section | None:
    capacity = report.capacity
    name = "capacity"
    if capacity is None or not capacity.told.any():
        if capacity is None or report.test is not PackTest.CHARGE:
            return None
        return not_shown(name, "", capacity.missing or capacity.refused[0])
    told = capacity.relative[capacity.told]
    least = int(np.nanargmin(np.where(capacity.told, capacity.relative, np.nan)))
    number, interval = report.layout.cells[least].number, capacity.intervals[least]
    text = (
        f"{percent(told.min())} to {percent(told.max())} of the median cell's, least cell {number} "
        f"with {percent(interval.low)} to {percent(interval.high)} (95 %), by "
        f"{percent(capacity.window, 0)} of the charge at {capacity.amps:.0f} A"
    )
    answers = capacity.answers
    rest = sum(a is Answer.NOT_SHOWN for a in answers)
    missing = f"{counted(rest, 'cell')} not told" if rest else ""
    text = f"{text}; {_balance(report, capacity)}"
    return Section(name, together(answers), text, missing, answers)


def _balance(report: PackReport, capacity: Capacity) -> str:
    """How far the fullest and the emptiest cell are apart, and how long balancing takes."""
    charge, amps = capacity.to_balance_ah, report.layout.balancing_current_a
    text = (
        f"fullest and emptiest cell {plain(charge.low, 2)} to {plain(charge.high, 2)} Ah "
        f"apart (95 %)"
    )
    if amps is None:
        return f"{text}; balancing_current_a in [pack] tells how long balancing takes"
    hours = capacity.hours_to_balance(amps)
    return f"{text}: {plain(hours.low, 2)} to {plain(hours.high, 2)} h of balancing at {amps:g} A"


def _self_discharge(report: PackReport) -> Section | None:
    found = report.self_discharge
    name = "self-discharge"
    if found is None or found.missing:
        if report.test is not PackTest.REST:
            return None
        why = found.missing if found else "three hours without current, recorded, would show it"
        return not_shown(name, "", why)
    told = [
        f"cell {report.layout.cells[i].number} falls by {plain(-found.intervals[i].high, 2)} to "
        f"{plain(-found.intervals[i].low, 2)} mV/h (95 %)"
        for i in found.losing
    ]
    shown = float(nan_median(found.shows_mv_h))
    text = (
        f"{found.hours:.1f} h of rest show a loss of {plain(shown, 2)} mV/h or more against peers"
    )
    answers = found.answers
    rest = sum(a is Answer.NOT_SHOWN for a in answers)
    missing = f"{counted(rest, 'cell')} not told: rest longer" if rest else ""
    return Section(
        name, together(answers), f"{listed(told) or 'none found'}; {text}", missing, answers
    )


def _evenness(report: PackReport, evenness: Evenness) -> Section | None:
    volts = evenness.kind == "voltage"
    name = "evenness of cells" if volts else "evenness of modules"
    one = "cell" if volts else "sensor"
    layout = report.layout
    peers = len(layout.cells) if volts else len({s.module for s in layout.sensors})
    if peers < 2:  # nobody to compare with, in this or any other capture
        return None
    spread = evenness.spread
    known = np.isfinite(spread)
    if known.sum() < LEAST_ROWS or evenness.missing:
        if name not in KINDS[report.test].sections:
            return None
        why = evenness.missing if known.any() else ""
        return not_shown(
            name,
            why or f"too few were heard together{doubt_words(report, one)}",
            "record all monitors at rest",
        )
    row = int(np.nanargmax(spread))
    factor, unit, digits = (1e3, "mV", 0) if volts else (1.0, "K", 1)
    middle, most = float(np.median(spread[known])) * factor, float(spread[row]) * factor
    codes = (
        ("voltage-spread", "cell-low", "cell-high")
        if volts
        else ("temperature-spread", "module-hot", "module-cold")
    )
    at = " without load" if evenness.quiet else " freed of sag" if evenness.freed else ""
    text = (
        f"spread{at} {middle:.{digits}f} {unit} median, {most:.{digits}f} {unit} at most "
        f"({clock(float(evenness.time_s[row]))})"
    )
    if volts:
        text = f"{text}; {_ranking(report, evenness)}"
    limit = layout.limits.voltage_spread_v if volts else layout.limits.temperature_spread_k
    out = [int(i) for i in evenness.standing_out(limit / 2)]
    missing, shown, lacks = _left_open(report, evenness, most)
    answers = answers_of(len(shown), out, shown.tolist())
    # Who stands out is not even, whatever else has named it already.
    bad = weighty(report, *codes) or bool(out)
    if out:
        names = [str(layout.cells[i].number) if volts else layout.modules[i] for i in out]
        what = plural(len(out), "cell ", "cells ") if volts else ""
        text += f"; {what}{listing(names, 5)} {plural(len(out), 'stands', 'stand')} out"
    answer = Answer.BAD if bad else Answer.NOT_SHOWN if missing else Answer.GOOD
    cells, modules = (answers, ()) if volts else ((), answers)
    return Section(name, answer, text, missing, cells, modules, lacks)


def _left_open(
    report: PackReport, evenness: Evenness, most: float
) -> tuple[str, Mask, tuple[str, ...]]:
    """Why not all peers can be called even, those (m,) that can, and what a headline names."""
    volts = evenness.kind == "voltage"
    many = "cells" if volts else "temperatures"
    layout, heard = report.layout, report.heard
    seen = np.isfinite(evenness.deviation)
    throughout = np.array(
        (heard.cells >= LEAST_SHARE) if volts else modules_heard(heard, layout), np.bool_
    )
    nobody = np.zeros(len(seen), np.bool_)
    one = "cell" if volts else "module"
    if not seen.all():
        doubt = doubt_words(report, "cell" if volts else "sensor")
        unheard = counted(int((~seen).sum()), one)
        return f"{unheard} not heard{doubt}", seen & throughout, ()
    if report.stood_still(many):
        return f"the {many} stood still", nobody, ()
    if volts and len(seen) > 1 and most == 0.0:
        # Peers of one voltage to the last bit, always: the step hides them, or one is sent for all.
        step = f"{evenness.step * 1e3:g} mV"
        return f"all cells read the very same at a step of {step}", nobody, ()
    if not throughout.all():
        partly = counted(int((~throughout).sum()), one)
        return f"{partly} heard only in part", throughout, heard.lacking(many)
    if evenness.hidden:
        names = listing([layout.modules[i] for i in evenness.hidden], 5)
        of = plural(len(evenness.hidden), f"module {names}", f"modules {names}")
        throughout[list(evenness.hidden)] = False
        return f"the sensors of {of} disagree", throughout, ()
    return "", throughout, ()


def _drift(report: PackReport) -> Section | None:
    if report.drift is None:
        return None
    name = "drift"
    if not report.drift:
        return not_shown(name, "", "both captures must show the same figures: repeat the same test")
    cells: list[list[Answer]] = [[] for _ in report.layout.cells]
    modules: list[list[Answer]] = [[] for _ in report.layout.modules]
    pack: list[list[Answer]] = [[]]
    open_ = []
    for drift in report.drift:
        items = pack if drift.topic.of_pack else cells if drift.topic.of_cells else modules
        for item, answer in zip(items, drift.answers, strict=True):
            item.append(answer)
        if Answer.NOT_SHOWN in drift.answers:
            open_.append(drift.topic.value)
    topics = listing([d.topic.value for d in report.drift], 9)
    moved = listing(
        [
            counted(count, one)
            for one, each in (("cell", cells), ("module", modules), ("figure of the pack", pack))
            if (count := sum(Answer.BAD in told for told in each))
        ]
    )
    text = f"{moved or 'none'} moved since then, of {topics}"
    missing = f"not told of all: {listing(open_, 9)}" if open_ else ""
    told = [together(a) for a in cells if a], [together(a) for a in modules if a]
    answer = together([*told[0], *told[1], *pack[0]])
    return Section(name, answer, text, missing, tuple(told[0]), tuple(told[1]))


def _ranking(report: PackReport, evenness: Evenness) -> str:
    """The two ends of the ranking by voltage, and how often the last one is the lowest."""
    known = np.flatnonzero(np.isfinite(evenness.deviation))
    order = known[np.argsort(evenness.deviation[known], kind="stable")]
    numbers = [report.layout.cells[i].number for i in order]
    often = int(np.argmax(evenness.lowest_share))
    share = float(evenness.lowest_share[often])
    ends = f"highest {', '.join(map(str, numbers[::-1][:3]))}"
    return (
        f"cell {report.layout.cells[often].number} lowest {percent(share, 0)} of the time, {ends}"
    )


def _electrical(report: PackReport) -> Section | None:
    name = "electrical"
    asked = makeable(report.layout, report.test)
    open_ = [c for c in report.checks if c.answer is Answer.NOT_SHOWN and c.name in asked]
    made = [c for c in report.checks if c.answer is not Answer.NOT_SHOWN]
    if not made and not open_:
        return None
    bad = [c for c in made if c.answer is Answer.BAD]
    if bad:
        text = "; ".join(f"{c.name}: {c.text.rstrip('.')}" for c in bad)
    elif made:
        text = f"in order: {', '.join(c.name for c in made)}"
    else:
        text = ""
    missing = "; ".join(f"{c.name}: {c.text}; {c.missing}" for c in open_)
    answer = Answer.BAD if bad else Answer.NOT_SHOWN if open_ else Answer.GOOD
    return Section(name, answer, text, missing)
