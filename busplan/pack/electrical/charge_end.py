"""How a charge ends: the charger stops with its request, and at the cell that is full first."""

from __future__ import annotations

import numpy as np

from busplan.findings import Figure, Finding, Weight
from busplan.pack.electrical.charger import LASTING_S, LEAST_A, REACTS_S, asked_of
from busplan.pack.electrical.check import Result, judged, not_shown, unheard
from busplan.pack.electrical.highest import highest_cell
from busplan.pack.labels import cell_label, clock, place, sentence
from busplan.pack.series import PackSeries, Trace
from busplan.pack.statistics import longest_run
from busplan.pack.windows import REST_A
from busplan.plan.vehicle import PackLayout
from busplan.wording import counted

PAST_V = 0.005
"""So far beyond its limit a cell is full, whatever its monitor's accuracy."""
PAST_S = 5.0
NEAR_V = 0.02
"""So near its limit a cell must have come to show that the charge minds it."""
LOWERED_SHARE = 0.5


def end_of_charge(series: PackSeries, layout: PackLayout) -> Result:
    """Whether the charger stopped when its request did."""
    name = "end of charge"
    missing = unheard(name, series, layout, "charger_current", "charger_current_request")
    if missing is not None:
        return missing
    given = series.quantities["charger_current"]
    request = series.quantities["charger_current_request"]
    asked = asked_of(request, given.time_s, series.quantity("charger_enable"))
    with np.errstate(invalid="ignore"):
        ended = asked.most <= LEAST_A
        on = ended & (given.value > LEAST_A)
    start, length = longest_run(given.time_s, np.asarray(on))
    if length >= LASTING_S:
        amps = float(np.median(given.value[on]))
        finding = Finding(
            "charger-goes-on",
            Weight.FAULT,
            place(layout.quantities["charger_current"], start),
            f"The charger gave {amps:.1f} A for {length:.0f} s from {clock(start)} although "
            f"nothing was asked for since {REACTS_S:.0f} s or more.",
            "A charger that does not stop overcharges the cells; they can burn.",
            "Unplug; find out why the charger ignores the end of its request first.",
            (Figure("current", amps, "A"), Figure("longest", length, "s")),
        )
        return judged(name, finding.summary, [finding])
    flowing = given.value > LEAST_A
    deaf = np.isnan(asked.now) & flowing & (given.time_s > float(request.time_s[0]))
    start, length = longest_run(given.time_s, np.asarray(deaf))
    if length >= REACTS_S + LASTING_S:
        return not_shown(
            name,
            f"the charger gave current for {length:.0f} s from {clock(start)} while no request was "
            "heard",
            "record both without gaps; a charger must stop when its request stays away",
        )
    # Seen to the end: it had given, was asked for no more, and then gave nothing for a while.
    first = int(np.argmax(flowing)) if flowing.any() else len(given)
    quiet = np.asarray(ended & ~flowing)
    quiet[:first] = False
    start, length = longest_run(given.time_s, quiet)
    if length < LASTING_S:
        return not_shown(
            name,
            "no end of a charge seen",
            f"record until the request has ended, and {REACTS_S + LASTING_S:.0f} s more",
        )
    begin = int(np.searchsorted(given.time_s, start))
    last = int(np.flatnonzero(flowing[:begin])[-1])
    if float(np.diff(given.time_s[last : begin + 1]).max()) > given.stale_s:
        return not_shown(
            name,
            f"the charger was not heard from {clock(float(given.time_s[last]))} on, when its "
            "request ended",
            "record its current without gaps",
        )
    return judged(name, f"the charger stopped with its request, by {clock(start)}")


def full_cell(series: PackSeries, layout: PackLayout, faulty: frozenset[tuple[str, int]]) -> Result:
    """Whether the charge minds the cell that is full first."""
    name = "first full cell"
    amps = _charging(series)
    if amps is None:
        return not_shown(
            name, "no charging current is heard", "map and record the pack's or charger's current"
        )
    highest = highest_cell(series, amps.time_s, faulty)
    if highest is None:
        return not_shown(name, "no cell is heard", "record the cell monitors while charging")
    limit = layout.limits.cell_high_v
    charging = amps.value > REST_A
    with np.errstate(invalid="ignore"):
        past = charging & (highest.volts > limit + PAST_V)
    start, length = longest_run(amps.time_s, np.asarray(past))
    if length >= PAST_S:
        rows = np.flatnonzero(past)
        worst = int(rows[np.argmax(highest.volts[rows])])
        cell = layout.cells[int(highest.cell[worst])]
        flowed = float(np.median(amps.value[past]))
        finding = Finding(
            "charge-past-full-cell",
            Weight.FAULT,
            place(cell.address, start),
            f"{sentence(cell_label(cell))} was full, yet {flowed:.1f} A went on for "
            f"{length:.0f} s from {clock(start)}, up to {highest.volts[worst]:.3f} V (limit "
            f"{limit:g} V).",
            "Who ends the charge by the pack's voltage alone overcharges the cell that is full "
            "first.",
            "Stop charging; the highest cell must lower the request. Balance the pack.",
            (
                Figure("highest", float(highest.volts[worst]), "V"),
                Figure("current", flowed, "A"),
                Figure("longest", length, "s"),
            ),
        )
        return judged(name, finding.summary, [finding])
    if not charging.any():
        return not_shown(name, "nothing was charged", "record a charge to its end")
    with np.errstate(invalid="ignore"):
        near = highest.volts >= limit - NEAR_V
    most = float(amps.value.max())
    if not (near & charging).any():
        known = highest.volts[charging & np.isfinite(highest.volts)]
        top = f"highest cell {known.max():.3f} V" if len(known) else "no cell known"
        return not_shown(
            name,
            f"{top} while charging, limit {limit:g} V",
            "record the charge until a cell is full",
        )
    after = amps.value[int(np.argmax(near)) :]
    least = float(after.min())
    if least > LOWERED_SHARE * most:
        return not_shown(
            name,
            f"a cell is near full and {least:.1f} A still flow",
            "record on until the charge ends",
        )
    text = f"current lowered from {most:.1f} to {max(least, 0.0):.1f} A at the first full cell"
    unknown = sum(not len(t) or ("cell", i) in faulty for i, t in enumerate(series.cells))
    if unknown:
        text += f" of {len(series.cells) - unknown} that are heard and believed"
        return not_shown(name, text, f"{counted(unknown, 'cell')} may have been full before")
    return judged(name, text)


def _charging(series: PackSeries) -> Trace | None:
    """The current into the pack [A]: the pack's own, else the charger's."""
    pack = series.quantity("current")
    if pack is not None:
        return Trace(pack.time_s, -pack.value, pack.step, allowed_s=pack.stale_s)
    return series.quantity("charger_current")
