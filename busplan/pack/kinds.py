"""The kinds of test, and what each must show before anybody may say "all right".

The one table of it. A section, check or quantity that is not named for a test is shown where the
capture has it, and missed by nobody where it has not.

What each test is for, and how it is run: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busplan.pack.series import PackSeries, share
from busplan.pack.standing import find_standing
from busplan.pack.thermal_span import find_thermal_span
from busplan.pack.under_load import RUN_V, leaps, runs_by
from busplan.pack.windows import REST_A
from busplan.plan.vehicle import PackLayout

DRIVING_A = 40.0
CHARGING_A = 2.0
MOST_SHARE = 0.5
"""Part of the capture over which a current has to be known to tell what was done."""
KEY_ON_S = 120.0
"""A capture in which the contactors close and that is no longer than this is a key-on."""


class PackTest(StrEnum):
    """What was done while recording; decides which judgements are asked for."""

    WARM_UP = "warm-up"
    DRIVE = "drive"
    CHARGE = "charge"
    REST = "rest"
    KEY_ON = "key-on"


@dataclass(frozen=True, slots=True)
class TestKind:
    """What a test must show: ``sections`` and electrical ``checks`` by name, and ``least_s`` [s].

    ``run`` says how it is run, to tell what to do next.
    """

    __test__ = False  # no test of pytest's

    sections: tuple[str, ...]
    checks: tuple[str, ...]
    least_s: float
    run: str


ALWAYS = ("signals", "limits")
"""What every test must show; a section "recording", of what reading had to tolerate, counts too."""

KINDS: Mapping[PackTest, TestKind] = {
    PackTest.WARM_UP: TestKind(
        (*ALWAYS, "warm-up", "electrical"),
        ("insulation",),
        300.0,
        "start cold, pumps at their usual speed, heat steadily; record pack and loop",
    ),
    PackTest.DRIVE: TestKind(
        (*ALWAYS, "resistance", "evenness of cells", "evenness of modules", "electrical"),
        ("sum of cells", "insulation"),
        30.0,
        "ten minutes of firm accelerations, braking and stops",
    ),
    PackTest.CHARGE: TestKind(
        (*ALWAYS, "order at the ends", "evenness of cells", "evenness of modules", "electrical"),
        ("sum of cells", "insulation", "charger current", "charger and pack"),
        60.0,
        "charge until the charger ends it; record charger and pack",
    ),
    PackTest.REST: TestKind(
        (*ALWAYS, "evenness of cells", "evenness of modules", "electrical"),
        ("insulation",),
        600.0,
        "no current for ten minutes, for self-discharge hours; monitors awake",
    ),
    PackTest.KEY_ON: TestKind(
        (*ALWAYS, "electrical"),
        ("contactors", "link while open", "insulation"),
        5.0,
        "record from before the key is turned until the contactors have closed",
    ),
}
"""What each test must show. A check counts only where the plan maps what it needs."""

ONLY_IN: Mapping[str, frozenset[PackTest]] = {
    "inlet_temperature": frozenset({PackTest.WARM_UP}),
    "outlet_temperature": frozenset({PackTest.WARM_UP}),
    "charger_current": frozenset({PackTest.CHARGE}),
    "charger_current_request": frozenset({PackTest.CHARGE}),
    "dcdc_output_voltage": frozenset({PackTest.DRIVE, PackTest.CHARGE}),
}
"""Mapped quantities that only some tests must have heard; every other one all tests must."""


CHECK_NEEDS: Mapping[str, tuple[str, ...]] = {
    "sum of cells": ("voltage",),
    "insulation": ("insulation",),
    "contactors": ("contactor_state", "link_voltage", "voltage"),
    "link while open": ("contactor_state", "link_voltage", "voltage"),
    "DC-DC output": ("dcdc_output_voltage",),
    "charger current": ("charger_current", "charger_current_request"),
    "charger and pack": ("charger_current", "current"),
}
"""The quantities without which an electrical check cannot be made."""


def makeable(layout: PackLayout, test: PackTest) -> tuple[str, ...]:
    """The electrical checks a test must show and for which the plan maps what they need."""
    return tuple(
        c for c in KINDS[test].checks if all(q in layout.quantities for q in CHECK_NEEDS[c])
    )


def wanted(layout: PackLayout, test: PackTest) -> tuple[str, ...]:
    """The plan's quantities that a test must have heard."""
    return tuple(q for q in layout.quantities if test in ONLY_IN.get(q, frozenset(PackTest)))


def kind_of(series: PackSeries) -> PackTest:
    """What a capture looks like, from its current, contactors and temperatures.

    Where no current is known for most of it, or it stood still while the cells leapt, these tell.
    """
    current = series.quantity("current")
    if any(s.what == "current" for s in find_standing(series)):
        current = None
    if current is not None:
        if float(np.ptp(current.value)) > DRIVING_A and float(current.value.max()) > DRIVING_A / 2:
            return PackTest.DRIVE
        if float(np.median(current.value)) < -CHARGING_A:
            return PackTest.CHARGE
    state = series.quantity("contactor_state")
    if state is not None and series.span_s <= KEY_ON_S and bool(np.ptp(state.value) > 0):
        return PackTest.KEY_ON
    if share(current, series.span_s) < MOST_SHARE:
        cells, run = series.voltage, runs_by(series.voltage)
        if leaps(cells.time_s, cells.value) or run < -RUN_V:
            return PackTest.DRIVE
        if run > RUN_V:
            return PackTest.CHARGE
    steps = [t.step for t in series.sensors if len(t)]
    span = find_thermal_span(series.temperature, max(steps, default=0.5))
    if span is not None:
        return PackTest.WARM_UP
    # A steady load is no rest.
    loaded = current is not None and float(np.median(current.value)) > REST_A
    return PackTest.DRIVE if loaded else PackTest.REST
