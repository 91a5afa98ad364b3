"""More scenes of the demo: a warm-up with a heat gun, a rest, keys turned on.

The van of the first two is asleep (``asleep.toml``): only the pack network is awake, in a slow
rhythm, without any liquid temperature, and the monitors send whole degrees.
"""

from __future__ import annotations

import numpy as np

from busplan.demo import cells as pack_cells
from busplan.demo import contactors, rest, thermal
from busplan.demo.quantities import (
    Series,
    constants,
    string_quantities,
    temperature_quantities,
)
from busplan.demo.scenes import Scene

WHOLE_DEGREE_K = 1.0
GUN_FROM_S = 60.0
STANDBY_A = 1.3
"""What the DC-DC converter takes once the contactors are closed."""
KEY_STEP_S = 0.01
REST_STEP_S = 5.0


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
