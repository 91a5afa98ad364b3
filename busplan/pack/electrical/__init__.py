"""Sense checks around the pack, one topic a file; each has an answer, even unmade.

Good needs the event: a closing that was not recorded is *not shown*, never good. Every check says
what is missing and which test would show it; figures carry their interval and conditions.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from busplan.findings import Finding
from busplan.pack.electrical.charge_end import end_of_charge, full_cell
from busplan.pack.electrical.charger import charger_current, charger_voltage
from busplan.pack.electrical.check import Result, SenseCheck, SenseFigure, not_shown
from busplan.pack.electrical.contactors import contactors, opening
from busplan.pack.electrical.counting import current_zero, energy, state_of_charge
from busplan.pack.electrical.dcdc import dcdc
from busplan.pack.electrical.feedback import feedback
from busplan.pack.electrical.insulation import insulation
from busplan.pack.electrical.kirchhoff import charger_and_pack, pack_scale_off, sum_of_cells
from busplan.pack.electrical.link import link_while_closed, link_while_open
from busplan.pack.electrical.liquid import outlet
from busplan.pack.plausible import cell_scale_off, current_sense
from busplan.pack.series import PackSeries
from busplan.plan.vehicle import PackLayout

__all__ = ["SenseCheck", "SenseFigure", "check_electrical"]

NO_CHANNELS: frozenset[tuple[str, int]] = frozenset()


def check_electrical(
    series: PackSeries,
    layout: PackLayout,
    *,
    faulty: frozenset[tuple[str, int]] = NO_CHANNELS,
    rest: bool = False,
    still: Collection[str] = (),
) -> tuple[tuple[SenseCheck, ...], list[Finding]]:
    """All sense checks and what they found.

    ``faulty`` are channels (kind, index) that are not believed; ``rest`` says that the user stated
    the pack to be at rest. ``still`` names what stood still while it must have moved ("current").
    """
    cells, current, pack, modules = _unbelievable(series, layout, still)
    made = (
        cells("sum of cells") or sum_of_cells(series, layout, faulty),
        insulation(series, layout),
        pack("contactors") or contactors(series, layout),
        pack("link while open") or link_while_open(series, layout),
        pack("link while closed") or link_while_closed(series, layout),
        feedback(series, layout),
        opening(series, layout),
        dcdc(series, layout),
        charger_current(series, layout, faulty),
        charger_voltage(series, layout),
        current("charger and pack") or charger_and_pack(series, layout),
        end_of_charge(series, layout),
        cells("first full cell") or current("first full cell") or full_cell(series, layout, faulty),
        current("current at zero") or current_zero(series, layout, rest=rest),
        current("state of charge") or state_of_charge(series, layout),
        current("charge and energy") or pack("charge and energy") or energy(series, layout),
        modules("outlet temperature") or outlet(series, layout, faulty),
    )
    return tuple(check for check, _ in made), [f for _, found in made for f in found]


def _unbelievable(
    series: PackSeries, layout: PackLayout, still: Collection[str]
) -> tuple[Callable[[str], Result | None], ...]:
    """What stands in for checks by cells, by the current, by the pack's voltage and by the modules'
    temperatures that cannot be believed as a whole.

    A wrong sign or scale and a reading that stood still are told once (:mod:`busplan.pack`'s
    ``plausible`` and ``standing``), not again by their effects.
    """
    sense = current_sense(series.cells, series.quantity("current"))
    off = sense.scale_off(layout.capacity_ah) is not None
    amps = "sign" if sense.sign_wrong else "scale" if off else ""
    amps = "course" if "current" in still else amps
    volts = "scale" if cell_scale_off(series.cells) is not None else ""
    volts = "course" if "cells" in still else volts

    def stand_in(what: str, wrong: str) -> Callable[[str], Result | None]:
        if not wrong:
            return lambda name: None
        text = f"the {wrong} of the {what} cannot be right"
        return lambda name: not_shown(name, text, "correct it in plan or definition, judge again")

    degrees = "course" if "temperatures" in still else ""
    sums = "scale" if not volts and pack_scale_off(series) is not None else ""
    odd = (("cells", volts), ("current", amps), ("pack voltage", sums), ("temperatures", degrees))
    return tuple(stand_in(what, wrong) for what, wrong in odd)
