"""More scenes of the demo: a warm-up with a heat gun, a rest, keys turned on.

The van of the first two is asleep (``asleep.toml``): only the pack network is awake, in a slow
rhythm, without any liquid temperature, and the monitors send whole degrees.
"""

from __future__ import annotations

import numpy as np

from busplan.demo import cells as pack_cells
from busplan.demo import contactors, drive_cycle, rest, thermal
from busplan.demo.quantities import (
    HOLDING_BAR,
    STANDSTILL_S,
    STEP_S,
    Series,
    constants,
    grid,
    held_between,
    loop_quantities,
    pack_quantities,
    string_quantities,
    temperature_quantities,
    trip_quantities,
)
from busplan.demo.scenes import Scene, on_the_road

WHOLE_DEGREE_K = 1.0
GUN_FROM_S = 60.0
STANDBY_A = 1.3
"""What the DC-DC converter takes once the contactors are closed."""
KEY_STEP_S = 0.01
REST_STEP_S = 5.0
AGED_OHM, AGED_AH = 0.05, -0.02
"""What 14 months do to every cell: parts of resistance and capacity."""
TIRED = 0.12
LATER = 14
"""Another trip on another day: added to the seed."""
HOT_C = 40.0
HOT_W = 420.0
"""Heat made in one module on a hot day [W]."""
FAN_SOON_S, FAN_LATE_S = 3.0, 40.0
"""From the moment the pack passes its limit to the fan, as it should be and as planted."""


def gun_warm_up(duration_s: float = 2100.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """A heat gun at the radiator, in bursts, and the pump run by hand.

    Unless ``healthy``, C2 has 40 % of its peers' flow until an air pocket clears at minute 20.
    """
    loop = thermal.make_loop(
        seed,
        start_c=thermal.START_C,
        air_c=13.0,
        target_c=0.0,
        lazy=not healthy,
        heat_from_s=GUN_FROM_S,
        gun_w_k=thermal.GUN_W_K,
        clears_s=np.inf if healthy else thermal.AIR_CLEARS_S,
    )
    run = thermal.run_loop(loop, 0.0, duration_s)
    cells = pack_cells.make_cells(0.55, seed)
    time = run.time_s
    left = np.tile(cells.charge, (len(time), 1))
    volts = pack_cells.open_circuit_voltage(left)
    still = contactors.opened(volts.sum(axis=1))
    return Scene(
        duration_s,
        ("pack",),
        {
            **string_quantities(time, np.zeros(len(time)), volts, left, still),
            **temperature_quantities(run, seed, step_k=WHOLE_DEGREE_K),
        },
    )


def resting(duration_s: float = 21_600.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """Six hours after a drive. Unless ``healthy``, cell 71 loses 0.6 mV/h more than its peers."""
    cells = pack_cells.make_cells(0.61, seed)
    time = np.arange(0.0, duration_s + REST_STEP_S, REST_STEP_S)
    leak = np.zeros(pack_cells.CELLS) if healthy else rest.leak_a(cells)
    volts, left = rest.resting(cells, leak, time, seed)
    # Everything drifts together towards the night air; no liquid moves.
    random = np.random.default_rng([seed, 72])
    start = 24.0 + 0.4 * np.clip(random.standard_normal(len(thermal.MODULES)), -2, 2)
    module = start - 3.0 * (1 - np.exp(-time[:, None] / 40_000.0))
    mean = module.mean(axis=1)
    run = thermal.LoopRun(time, module, mean, mean, mean, 0 * mean, 0 * mean)
    return Scene(
        duration_s,
        ("pack",),
        {
            **string_quantities(
                time, np.zeros(len(time)), volts, left, contactors.opened(volts.sum(axis=1))
            ),
            **temperature_quantities(run, seed, step_k=WHOLE_DEGREE_K),
        },
    )


def key_on(
    duration_s: float = 15.0,
    *,
    seed: int = 1,
    healthy: bool = False,
    welded: bool = False,
    early: bool = False,
) -> Scene:
    """The key is turned: pre-charge from 4 s, closed from 7 s, then standing by.

    Unless ``healthy``: ``welded``, the plus contactor conducts all the time; ``early``, it closes
    when the link is at 40 % of the pack's voltage.
    """
    cells = pack_cells.make_cells(0.66, seed)
    time = np.asarray(np.arange(round(duration_s / KEY_STEP_S) + 1) * KEY_STEP_S, np.float64)
    closes = contactors.early_s() if early and not healthy else contactors.CLOSED_FROM_S
    drawn = np.where(time < closes + 1.0, 0.0, STANDBY_A)
    volts = pack_cells.cell_voltages(cells, drawn, KEY_STEP_S)
    left = pack_cells.charge_over_time(cells, drawn, KEY_STEP_S)
    keyed = contactors.key_on(
        time, volts.sum(axis=1), closed_from_s=closes, welded=welded and not healthy
    )
    loop = thermal.make_loop(seed, start_c=19.0, air_c=18.0, target_c=0.0, lazy=False)
    run = thermal.run_loop(loop, 0.0, duration_s)
    series = string_quantities(time, drawn + keyed.current, volts, left, keyed)
    # The link jumps from one sample to the next when the contactor closes.
    held = ("LinkVoltage", "BoxVoltageOutside")
    series |= {name: Series(time, keyed.link, hold=True, noise=0.05) for name in held}
    return Scene(
        duration_s,
        ("pack",),
        {**series, **temperature_quantities(run, seed), **constants({"ContactorReason": 1})},
    )


def key_on_welded(duration_s: float = 15.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """A key turned on with a welded plus contactor, unless ``healthy``."""
    return key_on(duration_s, seed=seed, healthy=healthy, welded=True)


def key_on_early(duration_s: float = 15.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """A key turned on with the contactor closing at 40 % link voltage, unless ``healthy``."""
    return key_on(duration_s, seed=seed, healthy=healthy, early=True)


def second_year(duration_s: float = 600.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """A drive 14 months later: all cells have aged alike.

    Unless ``healthy``, cell 53 has :data:`TIRED` more resistance than that.
    """
    cells = pack_cells.make_cells(0.70, seed)
    older = cells.aged(AGED_OHM, AGED_AH, tired=0.0 if healthy else TIRED)
    return on_the_road(older, duration_s, seed + LATER)


def hot_drive(duration_s: float = 200.0, *, seed: int = 1, healthy: bool = False) -> Scene:
    """A drive on a hot day: the pack passes 40 °C, and the driver selects Drive again at a stop.

    Unless ``healthy``, the fan comes on :data:`FAN_LATE_S` after the pack has passed its limit, and
    Drive is selected at the stop without a foot on the brake.
    """
    cells = pack_cells.make_cells(0.7, seed)
    trip = drive_cycle.drive(
        max(duration_s - STANDSTILL_S, 1.0),
        seed,
        voltage=float(pack_cells.open_circuit_voltage(0.68)) * pack_cells.CELLS,
        resistance=float(cells.resistance.sum() + cells.pair_resistance.sum()),
        step_s=STEP_S,
    )
    time = grid(duration_s)
    current = np.interp(time, trip.time_s + STANDSTILL_S, trip.current)
    current[time < contactors.CLOSED_FROM_S] = 0.0
    loop = thermal.make_loop(seed, start_c=39.0, air_c=34.0, target_c=0.0, lazy=False)
    run = thermal.run_loop(loop, HOT_W, duration_s)
    temperatures = temperature_quantities(run, seed)
    hot = temperatures["PackTemperatureMax"]
    passed_s = float(hot.time_s[np.argmax(hot.value > HOT_C)])
    fan_s = passed_s + (FAN_SOON_S if healthy else FAN_LATE_S)
    stop_s = STANDSTILL_S + drive_cycle.LEG_S * drive_cycle.SHARE_MOVING
    park = np.array([0.0, STANDSTILL_S - 2, stop_s + 4, stop_s + 8])
    trip_series = trip_quantities(trip, time)
    if healthy:
        for name, on in (("BrakePressure", HOLDING_BAR), ("BrakeDemand", 35.0)):
            trip_series[name] = held_between(trip_series[name], stop_s + 3, stop_s + 10, on)
    fan = {
        name: Series(np.array([0.0, fan_s]), np.array([0.0, on]), hold=True)
        for name, on in (
            ("FanState", 1.0),
            ("FanEnable", 1.0),
            ("FanSpeed", 2400.0),
            ("FanRequest", 70.0),
            ("FanCurrent", 8.5),
        )
    }
    return Scene(
        duration_s,
        ("drive", "pack", "charge", "thermal", "cabin", "telemetry"),
        {
            **pack_quantities(cells, current),
            **temperatures,
            **loop_quantities(run, air_c=34.0),
            **trip_series,
            **fan,
            "SelectorPosition": Series(park, np.array([0.0, 3.0, 2.0, 3.0]), hold=True),
            **constants({"CoolantEnable": 1, "ContactorReason": 1}),
        },
    )
