"""The scenes of the demo: what happens in the invented van while a capture runs.

A :class:`Scene` holds the physical quantities over time, by the name of the signal that shows them,
and what is planted in the traffic. ``traffic`` turns it into frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from busplan.demo import cells as pack_cells
from busplan.demo import charge, drive_cycle, thermal
from busplan.demo.contactors import CLOSED_FROM_S
from busplan.demo.quantities import (
    STANDSTILL_S,
    STEP_S,
    Series,
    constants,
    grid,
    loop_quantities,
    pack_quantities,
    temperature_quantities,
    trip_quantities,
)


@dataclass(frozen=True)
class Planted:
    """Faults of the traffic itself. Messages are named ``network/node/message``; times [s]."""

    silent: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Nodes (``network/node``) that send nothing in this span."""
    late: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Messages that are late at times: every so many seconds, by so many seconds."""
    cycle_ms: Mapping[str, float] = field(default_factory=dict)
    """Messages sent with another period than their definition states."""
    short: Mapping[str, int] = field(default_factory=dict)
    """Messages sent with fewer bytes than their definition states."""
    skips: Mapping[str, int] = field(default_factory=dict)
    """Messages whose counter leaves out a value every so many frames."""
    unknown: tuple[tuple[str, str, int, float], ...] = ()
    """Frames no definition knows: network, node, 29-bit identifier, period [ms]."""


@dataclass(frozen=True)
class Scene:
    """One scene: who is on the air, for how long, and what happens.

    ``series`` maps a signal name, or ``node/signal`` where several nodes share the name, to its
    values. ``nodes`` limits the traffic to these nodes; empty means all on ``networks``.
    """

    duration_s: float
    networks: tuple[str, ...]
    series: Mapping[str, Series]
    planted: Planted = field(default_factory=Planted)
    nodes: tuple[str, ...] = ()
    messages: tuple[str, ...] = ()
    """Selectors of the messages sent; empty means all."""


def warm_up(duration_s: float = 1200.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """Standing still with the heater on: all modules start at 14 °C and come up together.

    Unless ``healthy``, C2 lags (air in its branch) and the outlet sensor of D1 is stuck.
    """
    loop = thermal.make_loop(
        seed, start_c=thermal.START_C, air_c=12.0, target_c=38.0, lazy=not healthy, heat_from_s=30.0
    )
    run = thermal.run_loop(loop, 1.0, duration_s)
    cells = pack_cells.make_cells(0.64, seed)
    time = grid(duration_s)
    wanted = np.where(
        time < CLOSED_FROM_S, 0.0, (np.interp(time, run.time_s, run.heater) + 450.0) / 358.0
    )
    return Scene(
        duration_s,
        ("pack", "thermal"),
        {
            **pack_quantities(cells, wanted),
            **temperature_quantities(run, seed, stuck=not healthy),
            **loop_quantities(run, air_c=12.0),
            **constants({"DriveState": 2, "CoolantEnable": 1}),
        },
    )


def drive(duration_s: float = 600.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """Hills and stops with −80 to +380 A.

    Unless ``healthy``, cell 53 sags 60 mV more than its peers at the peak, cell monitor B is silent
    for 3 s, and PumpStatus of pump 1 is late at times.
    """
    cells = pack_cells.make_cells(0.72, seed)
    planted = Planted(
        silent={"pack/monitor_b": (0.52 * duration_s, 0.52 * duration_s + 3.0)},
        late={"thermal/pump_1/PumpStatus": (47.0, 0.085)},
    )
    if healthy:
        return on_the_road(cells, duration_s, seed)
    return on_the_road(cells.with_weak_cell(), duration_s, seed, planted)


def on_the_road(
    cells: pack_cells.Cells, duration_s: float, seed: int, planted: Planted | None = None
) -> Scene:
    """A drive over hills with stops, all networks awake."""
    ohm = float(cells.resistance.sum() + cells.pair_resistance.sum())
    trip = drive_cycle.drive(
        max(duration_s - STANDSTILL_S, 1.0),
        seed,
        voltage=float(pack_cells.open_circuit_voltage(0.68)) * pack_cells.CELLS,
        resistance=ohm,
        step_s=STEP_S,
    )
    time = grid(duration_s)
    current = np.interp(time, trip.time_s + STANDSTILL_S, trip.current)
    current[time < CLOSED_FROM_S] = 0.0
    loop = thermal.make_loop(
        seed, start_c=23.0, air_c=18.0, target_c=0.0, lazy=False, radiator_w_k=140.0
    )
    loop_time = np.arange(round(duration_s / 0.5) + 1) * 0.5
    per_module = pack_cells.CELLS / len(thermal.MODULES)
    ohm_module = per_module * (pack_cells.RESISTANCE_OHM + pack_cells.PAIR_RESISTANCE_OHM)
    run = thermal.run_loop(loop, ohm_module * np.interp(loop_time, time, current) ** 2, duration_s)
    return Scene(
        duration_s,
        ("drive", "pack", "charge", "thermal", "cabin", "telemetry"),
        {
            **pack_quantities(cells, current),
            **temperature_quantities(run, seed),
            **loop_quantities(run, air_c=18.0),
            **trip_quantities(trip, time),
            **constants({"CoolantEnable": 1, "ContactorReason": 1}),
        },
        planted or Planted(),
    )


def charging(duration_s: float = 600.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """Constant current, then a taper. Unless ``healthy``, cell 17 reaches the top first."""
    cells = pack_cells.make_cells(0.91, seed)
    if not healthy:
        cells = cells.with_full_cell()
    into = charge.charge_current(cells, duration_s, STANDSTILL_S, STEP_S)
    time = grid(duration_s)
    loop = thermal.make_loop(seed, start_c=22.0, air_c=19.0, target_c=0.0, lazy=False)
    run = thermal.run_loop(loop, 17.0, duration_s)
    pack = pack_quantities(cells, -into)
    volts = pack["PackVoltage"].value
    highest = pack["CellVoltageMax"].value
    holding = highest > charge.HOLD_VOLTAGE_V - 0.0015
    state = np.where(into <= 0, 1, np.where(holding & (into < charge.CHARGE_CURRENT_A), 3, 2))
    power = volts * into
    mains = power / 0.94 / (3 * 230.0)
    return Scene(
        duration_s,
        ("pack", "charge"),
        {
            **pack,
            **temperature_quantities(run, seed),
            "ChargerVoltage": Series(time, volts),
            "ChargerCurrent": Series(time, into, noise=0.03),
            "ChargeCurrentRequest": Series(time, np.round(into, 1)),
            "ChargerPower": Series(time, power / 1000),
            "MainsVoltage": Series(time, 231.0 - 0.05 * mains, noise=0.3),
            "MainsCurrent": Series(time, mains),
            "ChargerState": Series(time, state.astype(np.float64), hold=True),
            "ChargerEnergy": Series(time, np.cumsum(power) * STEP_S / 3.6e6),
            "ChargerStageTemperature": Series(time, 28 + 20 * (1 - np.exp(-time / 240))),
            "ChargerCoilTemperature": Series(time, 27 + 16 * (1 - np.exp(-time / 300))),
            "InletTemperatureL1": Series(time, 21 + 9 * (1 - np.exp(-time / 400))),
            "InletTemperatureL2": Series(time, 21 + 8 * (1 - np.exp(-time / 400))),
            "ChargeTimeLeft": Series(time, np.maximum(38.0 - time / 60, 0)),
            **constants(
                {
                    "ChargeVoltageRequest": charge.HOLD_VOLTAGE_V * pack_cells.CELLS,
                    "ChargeEnable": 1,
                    "ChargeCurrentLimit": charge.CHARGE_CURRENT_A,
                    "PlugState": 2,
                    "PilotDuty": 53,
                    "CableCurrentLimit": 32,
                    "MainsFrequency": 50,
                    "ChargerCoolantIn": 22.5,
                    "ChargerCoolantOut": 24.0,
                    "DriveState": 4,
                    "DcdcEnable": 1,
                }
            ),
        },
    )


def bench_charger(duration_s: float = 60.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """The charger alone on the bench, powered from 12 V.

    Unless ``healthy``: ChargerOutput every 125 ms instead of 100, ChargerTemperatures with 6 bytes
    instead of 8, an identifier no definition knows, and a counter of ChargerStatus that skips.
    """
    del seed
    planted = Planted(
        cycle_ms={"charge/charger/ChargerOutput": 125.0},
        short={"charge/charger/ChargerTemperatures": 6},
        skips={"charge/charger/ChargerStatus": 37},
        unknown=(("charge", "charger", 0x18FFA3E5, 250.0),),
    )
    time = grid(duration_s)
    warming = 1 - np.exp(-time / 40)
    return Scene(
        duration_s,
        ("charge",),
        {
            "ChargerStageTemperature": Series(time, 21 + 4 * warming),
            "ChargerCoilTemperature": Series(time, 21 + 2 * warming),
            "ChargerFanSpeed": Series(time, 900 + 30 * np.sin(time / 3)),
            "MainsVoltage": Series(time, np.full(len(time), 230.6), noise=0.4),
            "ChargerVoltage": Series(time, np.full(len(time), 1.2), noise=0.3),
            **constants(
                {
                    "ChargerState": 1,
                    "ChargerCurrent": 0,
                    "ChargerPower": 0,
                    "ChargerEnergy": 0,
                    "MainsCurrent": 0.31,
                    "MainsFrequency": 50,
                    "ChargerCoolantIn": 21.0,
                    "ChargerCoolantOut": 21.1,
                }
            ),
        },
        Planted() if healthy else planted,
        nodes=("charger",),
    )


def collision(duration_s: float = 30.0, *, seed: int = 1) -> Scene:
    """The thermal nodes of the van as bought: both pumps send under the same identifiers."""
    loop = thermal.make_loop(seed, start_c=20.0, air_c=18.0, target_c=25.0, lazy=False)
    run = thermal.run_loop(loop, 1.0, duration_s)
    return Scene(
        duration_s,
        ("body",),
        {**loop_quantities(run, air_c=18.0), **constants({"CoolantEnable": 1})},
        nodes=("supervisor", "pump_1", "pump_2", "fan", "heater", "valve"),
        messages=(
            "supervisor/CoolantCommand",
            "supervisor/HeaterCommand",
            "supervisor/FanCommand",
            "pump_*/*",
            "fan/*",
            "heater/*",
            "valve/*",
        ),
    )
