"""Sense checks around the pack: each is made when the plan maps what it needs, else left out.

* Sum of cells against pack voltage: Kirchhoff's voltage law; ``SUM_SHARE`` covers the accuracy of
  the two measurements (common practice, no source).
* Insulation: at least 100 Ω per volt of working voltage for direct current, 500 Ω/V where
  alternating current shares the circuit (ISO 6469-3 and UN Regulation 100, from memory).
* Pre-charge: the link comes to 90 % of the pack voltage before the main contactor closes (common
  practice, no source).
* DC-DC output about 13 to 15 V in a 12 V system, twice that in a 24 V one (common practice, no
  source).
* Charger current no higher than asked for, and not far below it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.pack.labels import clock, place
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import F64, Mask, longest_run
from busplan.plan.vehicle import PackLayout

SUM_SHARE = 0.01
LASTING_S = 3.0
INSULATION_FAULT = 100.0
INSULATION_CAUTION = 500.0
PRE_CHARGED = 0.90
DCDC_WINDOW_V = (12.8, 15.0)
DCDC_IDLE_V = 5.0
SETTLED_S = 3.0
"""The DC-DC converter is given this long after the contactor closes."""
CHARGER_SHARE = 0.05
CHARGER_LEAST_A = 1.0
BREAKING_A = 20.0
"""Contactors should not open while more than this flows (common practice, no source)."""


class CheckState(StrEnum):
    """What came of one sense check."""

    GOOD = "good"
    BAD = "not good"
    NOT_COVERED = "not covered"


@dataclass(frozen=True, slots=True)
class SenseCheck:
    """One check: its name, what came of it and one sentence with the figures."""

    name: str
    state: CheckState
    text: str


Result = tuple[SenseCheck, list[Finding]]


def check_electrical(
    series: PackSeries, layout: PackLayout
) -> tuple[tuple[SenseCheck, ...], list[Finding]]:
    """All sense checks and what they found."""
    checks: list[SenseCheck] = []
    findings: list[Finding] = []
    each: tuple[Callable[[PackSeries, PackLayout], Result], ...] = (
        _sum_of_cells,
        _insulation,
        _contactors,
        _dcdc,
        _charger,
    )
    for check in each:
        state, found = check(series, layout)
        checks.append(state)
        findings += found
    return tuple(checks), findings


def _not_covered(name: str, layout: PackLayout, *needs: str) -> Result:
    missing = [n for n in needs if n not in layout.quantities]
    text = (
        f"the plan maps no {' and no '.join(missing)}"
        if missing
        else f"{' or '.join(needs)} is not in this capture"
    )
    return SenseCheck(name, CheckState.NOT_COVERED, text), []


def _sum_of_cells(series: PackSeries, layout: PackLayout) -> Result:
    name = "sum of cells"
    pack = series.quantity("voltage")
    if pack is None or not len(series.voltage.time_s):
        return _not_covered(name, layout, "voltage")
    sampled = series.voltage
    total = sampled.value.sum(axis=1)  # NaN as soon as one cell is missing
    measured = pack.at(sampled.time_s)
    amps = series.quantity_at("current", sampled.time_s)
    use = np.isfinite(total) & np.isfinite(measured)
    if amps is not None and use.any():
        # Cells and pack are not measured at one instant: leave out where the current changes.
        change = _change(np.nan_to_num(amps))
        use &= change <= max(2.0, float(np.median(change[use])))
    if not use.any():
        text = "at no moment were all cells heard"
        return SenseCheck(name, CheckState.NOT_COVERED, text), []
    difference = np.where(use, measured - total, 0.0)
    middle = float(np.median(difference[use]))
    share = np.abs(difference) > SUM_SHARE * np.where(use, measured, 1.0)
    start, length = longest_run(sampled.time_s, np.asarray(share & use))
    text = f"pack voltage {middle:+.1f} V from the sum of {len(series.cells)} cells"
    lasting = length >= LASTING_S or (share & use).sum() > 0.5 * use.sum()
    if not lasting:
        return SenseCheck(name, CheckState.GOOD, text), []
    finding = Finding(
        "cells-do-not-add-up",
        Weight.CAUTION,
        place(layout.quantities["voltage"], start),
        f"The pack voltage differs from the sum of its {len(series.cells)} cells by "
        f"{middle:+.1f} V.",
        "A cell is missing, doubled or measured wrongly, or the pack voltage is.",
        "Compare the plan's cells with the pack; measure the pack voltage apart (licensed people).",
        (Figure("difference", middle, "V"), Figure("cells", len(series.cells))),
    )
    return SenseCheck(name, CheckState.BAD, text), [finding]


def _change(amps: F64) -> F64:
    """The greater step to a neighbouring row, shape kept."""
    steps = np.abs(np.diff(amps))
    near = np.maximum(np.append(steps, 0.0), np.concatenate(([0.0], steps)))
    return np.asarray(near, np.float64)


def _insulation(series: PackSeries, layout: PackLayout) -> Result:
    name = "insulation"
    ohms = series.quantity("insulation")
    if ohms is None:
        return _not_covered(name, layout, "insulation")
    working = _working_voltage(series, layout)
    row = int(np.argmin(ohms.value))
    lowest, time = float(ohms.value[row]), float(ohms.time_s[row])
    per_volt = lowest / working
    text = f"lowest {lowest / 1e3:.0f} kΩ, {per_volt:.0f} Ω/V at {working:.0f} V"
    if per_volt >= INSULATION_CAUTION:
        return SenseCheck(name, CheckState.GOOD, text), []
    fault = per_volt < INSULATION_FAULT
    bound = INSULATION_FAULT if fault else INSULATION_CAUTION
    finding = Finding(
        "insulation-low",
        Weight.FAULT if fault else Weight.CAUTION,
        place(layout.quantities["insulation"], time),
        f"Insulation fell to {lowest / 1e3:.0f} kΩ at {clock(time)}: {per_volt:.0f} Ω per volt, "
        f"under {bound:.0f}.",
        "A second fault to the body can then drive a current through a person.",
        "Do not touch; have licensed people find the leak before the pack is used.",
        (Figure("insulation", lowest / 1e3, "kΩ"), Figure("per volt", per_volt, "Ω/V")),
    )
    return SenseCheck(name, CheckState.BAD, text), [finding]


def _working_voltage(series: PackSeries, layout: PackLayout) -> float:
    """The highest voltage the pack may have: its cells at their upper limit."""
    pack = series.quantity("voltage")
    full = layout.limits.cell_high_v * max(len(layout.cells), 1)
    return max(full, float(pack.value.max())) if pack is not None else full


def _contactors(series: PackSeries, layout: PackLayout) -> Result:
    name = "pre-charge and contactors"
    state = series.quantity("contactor_state")
    link = series.quantity("link_voltage")
    pack = series.quantity("voltage")
    if state is None:
        return _not_covered(name, layout, "contactor_state")
    phases = [_phase(state.choices.get(round(v), "")) for v in state.value.tolist()]
    changes = [i for i in range(1, len(phases)) if phases[i] != phases[i - 1]]
    findings: list[Finding] = []
    told: list[str] = []
    where = layout.quantities["contactor_state"]
    for row in changes:
        time = float(state.time_s[row])
        before, now = phases[row - 1], phases[row]
        if now == "closed" and before == "open":
            findings.append(_order_finding(layout, time))
        elif now == "closed" and link is not None and pack is not None:
            reached = _share_at(link, pack, time)
            told.append(f"link at {reached:.0%} of the pack when closing at {clock(time)}")
            if reached < PRE_CHARGED:
                findings.append(_pre_charge_finding(layout, time, reached))
        elif before == "closed":
            findings += _opening(series, layout, time)
        if now == "fault":
            findings.append(
                Finding(
                    "contactor-fault",
                    Weight.FAULT,
                    place(where, time),
                    f"The contactor state reads a fault at {clock(time)}.",
                    "The pack may not switch off when it must.",
                    "Read the contactor box's own fault memory before driving on.",
                )
            )
    if findings:
        return SenseCheck(name, CheckState.BAD, findings[0].summary), findings
    if not changes:
        text = f"no change in this capture (state: {phases[0] if phases else 'none'})"
        return SenseCheck(name, CheckState.NOT_COVERED, text), []
    text = "; ".join(told) or f"{len(changes)} changes in good order"
    return SenseCheck(name, CheckState.GOOD, text), []


def _phase(name: str) -> str:
    """``open``, ``pre-charge``, ``closed``, ``opening``, ``fault`` or the name itself."""
    text = name.lower().replace("_", "-")
    for word in ("fault", "error", "weld"):
        if word in text:
            return "fault"
    if "pre" in text:
        return "pre-charge"
    if "opening" in text:
        return "opening"
    if "open" in text or text == "off":
        return "open"
    if "clos" in text or text in ("on", "main"):
        return "closed"
    return text


def _closed(state: Trace, time_s: F64) -> Mask:
    """Where the main contactor has been closed for a while: the converter then has a supply."""
    words = {raw: _phase(name) == "closed" for raw, name in state.choices.items()}
    closed = np.array([words.get(round(v), False) for v in state.value.tolist()])
    last = np.clip(np.searchsorted(state.time_s, time_s, side="right") - 1, 0, len(state) - 1)
    before = np.searchsorted(state.time_s, time_s - SETTLED_S, side="right") - 1
    return np.asarray(closed[last] & closed[np.maximum(before, 0)] & (before >= 0))


def _share_at(link: Trace, pack: Trace, time_s: float) -> float:
    """Link voltage over pack voltage by the last readings before a moment."""
    at = np.array([time_s])
    voltage = [t.value[max(int(np.searchsorted(t.time_s, at[0])) - 1, 0)] for t in (link, pack)]
    return float(voltage[0] / voltage[1]) if voltage[1] > 0 else float("nan")


def _order_finding(layout: PackLayout, time: float) -> Finding:
    return Finding(
        "contactor-order",
        Weight.FAULT,
        place(layout.quantities["contactor_state"], time),
        f"The main contactor closed at {clock(time)} straight from open, without pre-charge.",
        "The inrush into the link capacitors welds contacts and blows fuses.",
        "Correct the contactor sequence; have the contacts inspected by licensed people.",
    )


def _pre_charge_finding(layout: PackLayout, time: float, reached: float) -> Finding:
    return Finding(
        "pre-charge-incomplete",
        Weight.CAUTION,
        place(layout.quantities["contactor_state"], time),
        f"The main contactor closed at {clock(time)} with the link at {reached:.0%} of the pack "
        f"voltage (wanted {PRE_CHARGED:.0%}).",
        "Each closing then burns its contacts a little.",
        "Lengthen the pre-charge or check its resistor and what draws current from the link.",
        (Figure("link share", 100.0 * reached, "%"),),
    )


def _opening(series: PackSeries, layout: PackLayout, time: float) -> list[Finding]:
    current = series.quantity("current")
    if current is None:
        return []
    row = int(np.clip(np.searchsorted(current.time_s, time) - 1, 0, len(current) - 1))
    amps = float(current.value[row])
    if abs(amps) <= BREAKING_A:
        return []
    return [
        Finding(
            "contactor-opened-loaded",
            Weight.CAUTION,
            place(layout.quantities["contactor_state"], time),
            f"The main contactor opened at {clock(time)} while {amps:.0f} A flowed.",
            "Breaking a direct current wears contacts fast, and can weld them.",
            "Bring the current down before opening; find out why it did not.",
            (Figure("current", amps, "A"),),
        )
    ]


def _dcdc(series: PackSeries, layout: PackLayout) -> Result:
    name = "DC-DC output"
    output = series.quantity("dcdc_output_voltage")
    if output is None:
        return _not_covered(name, layout, "dcdc_output_voltage")
    running = output.value > DCDC_IDLE_V
    contactors = series.quantity("contactor_state")
    if contactors is not None:
        running &= _closed(contactors, output.time_s)
    if not running.any():
        return SenseCheck(name, CheckState.NOT_COVERED, "it did not run"), []
    middle = float(np.median(output.value[running]))
    scale = 2.0 if middle > 20.0 else 1.0
    low, high = (scale * v for v in DCDC_WINDOW_V)
    text = f"median {middle:.2f} V"
    outside = running & ((output.value < low) | (output.value > high))
    start, length = longest_run(output.time_s, np.asarray(outside))
    if length < LASTING_S:
        return SenseCheck(name, CheckState.GOOD, text), []
    worst = output.value[outside]
    extreme = float(worst[np.argmax(np.abs(worst - middle))])
    finding = Finding(
        "dcdc-output",
        Weight.CAUTION,
        place(layout.quantities["dcdc_output_voltage"], start),
        f"The DC-DC output lay outside {low:g} to {high:g} V for {length:.0f} s from "
        f"{clock(start)}, at worst {extreme:.2f} V.",
        "Too low and the 12 V battery runs flat while driving; too high and lamps and units fail.",
        "Check the converter's set point, its ground and the load.",
        (Figure("worst", extreme, "V"), Figure("longest", length, "s")),
    )
    return SenseCheck(name, CheckState.BAD, text), [finding]


def _charger(series: PackSeries, layout: PackLayout) -> Result:
    name = "charger current"
    given, asked = series.quantity("charger_current"), series.quantity("charger_current_request")
    if given is None or asked is None:
        return _not_covered(name, layout, "charger_current", "charger_current_request")
    request = asked.at(given.time_s)
    with np.errstate(invalid="ignore"):
        active = np.isfinite(request) & (request > CHARGER_LEAST_A)
    if not active.any():
        return SenseCheck(name, CheckState.NOT_COVERED, "nothing was asked for"), []
    difference: F64 = np.where(active, given.value - request, 0.0)
    allowed = np.maximum(CHARGER_LEAST_A, CHARGER_SHARE * np.nan_to_num(request))
    above: Mask = np.asarray(difference > allowed)
    middle = float(np.median(difference[active]))
    text = f"median {middle:+.1f} A from the request"
    start, length = longest_run(given.time_s, above)
    if length < LASTING_S:
        return SenseCheck(name, CheckState.GOOD, text), []
    most = float(difference[above].max())
    finding = Finding(
        "charger-over-request",
        Weight.FAULT,
        place(layout.quantities["charger_current"], start),
        f"The charger gave up to {most:.1f} A more than asked for {length:.0f} s from "
        f"{clock(start)}.",
        "The request protects the cells; a charger that ignores it can overcharge them.",
        "Stop charging; check that the charger reads the request and its scaling.",
        (Figure("above request", most, "A"), Figure("longest", length, "s")),
    )
    return SenseCheck(name, CheckState.BAD, text), [finding]
