"""Planted faults of the sense checks, each with the code that names it, and healthy twins.

A case is what ``truth.electrical`` makes with one thing wrong; tests and benchmark take the same.
All sizes invented; what each bound is: common practice, no source, unless the check names one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from busplan.pack.series import Trace
from truth.electrical import STATES, Bus, Charge, Leak, charge, counted, insulation

Traces = dict[str, Trace]
ON_OFF = {0: "Off", 1: "On"}

KEY_ON: tuple[tuple[str, Mapping[str, Any], str, str], ...] = (
    ("closes at 40 %", {"share": 0.4}, "pre-charge-incomplete", "fault"),
    ("closes at 90 %", {"share": 0.9}, "pre-charge-incomplete", "caution"),
    ("load holds the link down", {"share": 0.9, "end_share": 0.91}, "pre-charge-incomplete",
     "caution"),
    ("resistor broken: closes at 0 %", {"dead_pre": True}, "pre-charge-incomplete", "fault"),
    ("no pre-charge", {"straight": True}, "contactor-order", "fault"),
    ("welded", {"welded": True, "after_s": 12.0}, "contactor-welded", "fault"),
    ("never discharged", {"discharge_s": 1e5, "after_s": 20.0}, "contactor-welded", "fault"),
    ("does not connect", {"dead": True, "dead_pre": True}, "link-not-at-pack", "fault"),
    ("opened under load", {"load_at_opening_a": 90.0}, "contactor-opened-loaded", "caution"),
)  # fmt: skip
"""What is wrong with the wiring, how, and the code and weight of the one finding.

A weld shows once the link should have fallen: at 90 V that takes ten seconds.
"""

CHARGES: tuple[tuple[str, Charge, str, str], ...] = (
    ("goes on", Charge(goes_on_s=20.0), "charger-goes-on", "end of charge"),
    ("over-delivers", Charge(gain=1.15), "charger-over-request", "charger current"),
    ("ignores the taper", Charge(ignores_taper=True), "charger-over-request", "charger current"),
    ("gives far too little", Charge(asked_a=100.0, gain=0.04), "charger-under-request",
     "charger current"),
    ("too high a voltage", Charge(volts_over=4.0), "charger-over-voltage", "charger voltage"),
    ("ignores the full cell", Charge(top_over_v=0.015), "charge-past-full-cell",
     "first full cell"),
)  # fmt: skip
"""What is wrong with the charger, how, the code, and the check that tells it."""


@dataclass(frozen=True)
class Sent:
    """What arrives: quantities, cells, sensors of temperature; and what the plan states."""

    traces: Traces
    cells: Sequence[Trace] = ()
    sensors: Sequence[Trace] = ()
    plan: Mapping[str, float] = field(default_factory=dict)


Make = Callable[[int, bool], Sent]


@dataclass(frozen=True)
class Case:
    """``make(seed, planted)`` gives what arrives with the fault, or of its healthy twin.

    ``code`` names the planted fault, ``check`` is the check that tells it.
    """

    name: str
    make: Make
    code: str
    check: str


def charging_cells(seed: int, how: Charge, bus: Bus | None = None) -> Sent:
    """A charge with its cells; the charger is told on throughout."""
    traces, time, volts = charge(seed, how, bus)
    ticks = np.arange(0.05, how.span_s, 1.0)
    traces["charger_enable"] = Trace(ticks, np.ones(len(ticks)), 1.0, choices=ON_OFF)
    return Sent(traces, [Trace(time, v, 0.001, 0.0, 6.5) for v in volts.T])


def _resting_cells(span_s: float) -> list[Trace]:
    """24 cells of 3.7 V: 100.8 V at their limit of 4.2 V."""
    time = np.arange(0.0, span_s, 1.0)
    return [Trace(time, np.full(len(time), 3.7), 0.001)] * 24


def _leak(faulty: Leak) -> Make:
    def make(seed: int, planted: bool) -> Sent:
        how = faulty if planted else _some_leak(np.random.default_rng([seed, 61]))
        return Sent({"insulation": insulation(seed, how)}, _resting_cells(how.span_s))

    return make


def _some_leak(rng: np.random.Generator) -> Leak:
    return Leak(
        kiloohm=float(np.exp(rng.uniform(np.log(300.0), np.log(20_000.0)))),
        zeros_s=float(rng.choice([0.0, 5.0, 30.0, 55.0])),
        test_every_s=float(rng.choice([0.0, 47.0, 131.0])),
        test_s=float(rng.uniform(1.0, 8.0)),
    )


def _state_of_charge(**wrong: float) -> Make:
    def make(seed: int, planted: bool) -> Sent:
        rng = np.random.default_rng([seed, 67])
        bus = Bus(delay_s=float(rng.uniform(0, 0.3)), lost=float(rng.choice([0, 0.05])),
                  noise=0.2, step=0.1)  # fmt: skip
        mean = float(rng.uniform(60.0, 200.0))
        told = wrong if planted else {"told_ah": float(rng.uniform(92.0, 110.0))}
        return Sent(counted(seed, mean_a=mean, bus=bus, **told)[0], plan={"capacity_ah": 100.0})

    return make


def _converter(fault: Callable[[Any, Any], Any]) -> Make:
    """A 12 V or 24 V output of 13.2 to 14.6 V with ripple, dips of a second or two by a load."""

    def make(seed: int, planted: bool) -> Sent:
        rng = np.random.default_rng([seed, 71])
        scale = float(rng.choice([1.0, 2.0]))
        level = float(rng.uniform(13.2, 14.6))
        dips = np.array([20.0, 55.0, 90.0]) + rng.uniform(0.0, 20.0, 3)
        long = rng.uniform(0.5, 2.0, 3)

        def volts(t: Any) -> Any:
            low = np.zeros(len(t), bool)
            for start, length in zip(dips, long, strict=True):
                low |= (t >= start) & (t < start + length)
            value = np.where(low, 12.2, level)
            return scale * (fault(t, value) if planted else value)

        bus = Bus(noise=0.05, step=0.1)
        drawn = bus.carry(lambda t: np.where(t % 20 < 5, 60.0, 0.0), 120.0, rng)
        return Sent({"dcdc_output_voltage": bus.carry(volts, 120.0, rng), "current": drawn})

    return make


def _open_zero(seed: int, planted: bool) -> Sent:
    rng = np.random.default_rng([seed, 73])
    zero = float(rng.choice([-1, 1]) * (rng.uniform(1.3, 6.0) if planted else rng.uniform(0, 0.8)))
    still = Bus(noise=0.15, step=0.1)
    state = Bus().carry(lambda t: np.zeros(len(t)), 60.0, rng, STATES)
    current = still.carry(lambda t: np.full(len(t), zero), 60.0, rng)
    return Sent({"current": current, "contactor_state": state})


def _sum(seed: int, planted: bool) -> Sent:
    """96 cells that sag; the pack's sensor is 0.6 % off at most, or a cell is not counted."""
    rng = np.random.default_rng([seed, 79])
    time = np.arange(0.0, 60.0, 0.1)
    sag = 0.08 * np.sin(time / 7.0) ** 2
    own = 3.7 + 0.01 * rng.standard_normal(96)
    cells = [Trace(time, np.round(v - sag, 3), 0.001, 0.0, 6.5) for v in own]
    gain = 1 + (0.0 if planted else float(rng.uniform(-0.006, 0.006)))
    missing = own[0] + own[1] if planted else 0.0
    total = own.sum() - missing - 96 * sag
    return Sent({"voltage": Trace(time, np.round(gain * total, 1), 0.1)}, cells)


def loop(seed: int, planted: bool) -> Sent:
    """Modules that warm up or cool down, liquid that comes out between inlet and modules.

    Planted: inlet and outlet swapped, in a loop in which the liquid gives off half of its lead.
    """
    rng = np.random.default_rng([seed, 83])
    time = np.arange(0.0, 900.0, 1.0)
    apart = float(rng.choice([-1, 1]) * rng.uniform(12.0, 18.0))
    body = 20.0 + np.sign(apart) * rng.uniform(4.0, 10.0) * -np.expm1(-time / 600.0)
    inlet = body + apart
    outlet = body + float(rng.uniform(0.3, 0.6)) * apart
    if planted:
        inlet, outlet = outlet, inlet
    sensors = [Trace(time, np.round(2 * (body + k)) / 2, 0.5) for k in (-0.5, 0.5)]

    def told(values: Any) -> Trace:
        return Trace(time, np.round(values + 0.1 * rng.standard_normal(len(time)), 1), 0.1)

    return Sent({"inlet_temperature": told(inlet), "outlet_temperature": told(outlet)}, (), sensors)


AROUND = (
    Case("insulation low", _leak(Leak(kiloohm=30.0)), "insulation-low", "insulation"),
    Case("insulation lost on the way", _leak(Leak(falls_at_s=300.0, falls_to=5.0)),
         "insulation-low", "insulation"),
    Case("insulation falling", _leak(Leak(kiloohm=800.0, halves_in_s=200.0)),
         "insulation-falling", "insulation"),
    Case("charge counts the wrong way", _state_of_charge(sign=-1.0), "state-of-charge-off",
         "state of charge"),
    Case("charge counts too fast", _state_of_charge(told_ah=50.0), "state-of-charge-off",
         "state of charge"),
    Case("DC-DC off", _converter(lambda t, v: 0 * v + 12.3), "dcdc-off", "DC-DC output"),
    Case("DC-DC too high", _converter(lambda t, v: v + 1.9 * (t > 60)), "dcdc-output",
         "DC-DC output"),
    Case("DC-DC low for long", _converter(lambda t, v: np.where((t > 50) & (t < 60), 12.3, v)),
         "dcdc-output", "DC-DC output"),
    Case("DC-DC sags", _converter(lambda t, v: np.where((t > 50) & (t < 51), 9.8, v)), "dcdc-sag",
         "DC-DC output"),
    Case("current not zero while open", _open_zero, "current-offset", "current at zero"),
    Case("two cells not counted", _sum, "cells-do-not-add-up", "sum of cells"),
    Case("inlet and outlet swapped", loop, "outlet-implausible", "outlet temperature"),
)  # fmt: skip
"""Every other check with its planted fault; each healthy twin is made by the same function."""
