"""Physical quantities over time, by the name of the signal that shows them.

A :class:`Series` is one quantity; the functions here turn a run of the pack, the liquid loop or a
trip into the series of all signals that show it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from busplan.demo import cells as pack_cells
from busplan.demo import contactors, drive_cycle, thermal
from busplan.frames.columns import F64

STEP_S = 0.1
"""Grid of everything electrical."""
CELLS_PER_MONITOR = 24
SENSORS_PER_MONITOR = 6
CELL_NOISE_V = 0.0003
SENSOR_NOISE_K = 0.04
SENSOR_STEP_K = 0.5
STANDSTILL_S = 20.0
HOLDING_BAR = 22.0
"""Brake pressure with a foot on the pedal of a standing van."""
"""How long the van stands at the start of each scene before anything is asked of the pack."""


@dataclass(frozen=True)
class Series:
    """A quantity over time; ``hold`` keeps the last value instead of drawing a straight line.

    ``noise`` is the standard deviation of what the measuring device adds to each reading.
    """

    time_s: F64
    value: F64
    hold: bool = False
    noise: float = 0.0

    def at(self, time_s: F64) -> F64:
        """Values at the given times; before the first and after the last point they stay."""
        if self.hold:
            index = np.searchsorted(self.time_s, time_s, side="right") - 1
            return np.asarray(self.value[np.clip(index, 0, len(self.value) - 1)], np.float64)
        return np.asarray(np.interp(time_s, self.time_s, self.value), np.float64)


def grid(duration_s: float) -> F64:
    """Times of the electrical grid [s], from 0 to ``duration_s``."""
    return np.asarray(np.arange(round(duration_s / STEP_S) + 1) * STEP_S, np.float64)


def constants(values: Mapping[str, float]) -> dict[str, Series]:
    """Quantities that do not change."""
    zero = np.zeros(1)
    return {name: Series(zero, np.array([float(v)]), hold=True) for name, v in values.items()}


def pack_quantities(cells: pack_cells.Cells, current: F64) -> dict[str, Series]:
    """Current, voltages, contactors and pre-charge; ``current`` [A] discharges when positive."""
    time = grid((len(current) - 1) * STEP_S)
    volts = pack_cells.cell_voltages(cells, current, STEP_S)
    left = pack_cells.charge_over_time(cells, current, STEP_S)
    keyed = contactors.key_on(time, volts.sum(axis=1))
    return string_quantities(time, current, volts, left, keyed)


def string_quantities(
    time: F64, current: F64, volts: F64, left: F64, keyed: contactors.Keyed
) -> dict[str, Series]:
    """What shows the string: current [A] ``(n,)``, cells' voltage [V] and charge ``(n, 96)``."""
    total, link, state = volts.sum(axis=1), keyed.link, keyed.state
    hours = np.gradient(time) / 3600
    energy = np.cumsum(total * current * hours)
    series = {
        "PackCurrent": Series(time, current, noise=0.05),
        "SensorCurrent": Series(time, current, noise=0.05),
        "PackVoltage": Series(time, total, noise=0.05),
        "BoxVoltageInside": Series(time, total, noise=0.05),
        "DcdcInputVoltage": Series(time, link, noise=0.05),
        "HeaterVoltage": Series(time, link, noise=0.05),
        "LinkVoltage": Series(time, link, noise=0.05),
        "LinkVoltageMotor": Series(time, link, noise=0.05),
        "BoxVoltageOutside": Series(time, link, noise=0.05),
        "ContactorState": _steps(time, state),
        "ContactorDemand": _steps(time, state > 0),
        "MinusContactor": _steps(time, state > 0),
        "MinusCommand": _steps(time, state > 0),
        "PreChargeContactor": _steps(time, state == 1),
        "PreChargeCommand": _steps(time, state == 1),
        "PlusContactor": _steps(time, keyed.plus),
        "PlusCommand": _steps(time, state == 2),
        "CoilCurrent": Series(time, 0.9 * (state > 0) + 0.9 * (state == 2)),
        "StateOfCharge": Series(time, 100 * left.mean(axis=1)),
        "InsulationResistance": Series(time, 2540 + 25 * np.sin(time / 37), noise=4.0),
        "ChargeThroughput": Series(time, 18_340.0 + np.cumsum(np.abs(current) * hours)),
        "EnergyLeft": Series(time, 42.0 * left.mean(axis=1)),
        "CellVoltageMin": Series(time, volts.min(axis=1)),
        "CellVoltageMax": Series(time, volts.max(axis=1)),
        "LowestCell": _steps(time, volts.argmin(axis=1) + 1),
        "HighestCell": _steps(time, volts.argmax(axis=1) + 1),
        "EnergyUsed": Series(time, np.maximum.accumulate(np.maximum(energy, 0))),
        "EnergyReturned": Series(time, np.cumsum(np.maximum(-total * current, 0) * hours)),
    }
    for number in range(pack_cells.CELLS):
        monitor, place = divmod(number, CELLS_PER_MONITOR)
        name = f"monitor_{'abcd'[monitor]}/CellVoltage{place + 1:02}"
        series[name] = Series(time, volts[:, number], noise=CELL_NOISE_V)
    return series | constants(
        {
            "StateOfHealth": 93,
            "InsulationState": 0,
            "DischargeCurrentLimit": pack_cells.PEAK_CURRENT_A + 20,
            "ChargeCurrentLimit": 90,
            "PackVoltageMax": 4.2 * pack_cells.CELLS,
            "PackVoltageMin": 3.0 * pack_cells.CELLS,
            "MonitorState": 1,
            "BalanceCellsA": 0,
            "BalanceCellsB": 0,
            "BalanceCellsC": 0,
            "BalanceCellsD": 0,
            "BalancingCells": 0,
        }
    )


def temperature_quantities(
    run: thermal.LoopRun, seed: int, *, stuck: bool = False, step_k: float = SENSOR_STEP_K
) -> dict[str, Series]:
    """The 24 sensors and what the battery master makes of them; ``stuck`` holds one of D1.

    Monitors that send coarser steps than their signal could round before they send.
    """
    time, sensors = run.time_s, thermal.sensor_temperatures(run, seed)
    noise = np.full(sensors.shape[1:], SENSOR_NOISE_K)
    if stuck:
        place = thermal.MODULES.index(thermal.STUCK_MODULE), thermal.STUCK_POSITION - 1
        sensors[:, *place] = thermal.START_C
        noise[place] = 0.0
    series = {}
    for index in range(noise.size):
        module, side = divmod(index, 2)
        monitor, place_in = divmod(index, SENSORS_PER_MONITOR)
        name = f"monitor_{'abcd'[monitor]}/Temperature{place_in + 1}"
        series[name] = Series(time, sensors[:, module, side], noise=float(noise[module, side]))
        if step_k > SENSOR_STEP_K:
            random = np.random.default_rng([seed, 25, index])
            seen = sensors[:, module, side] + noise[module, side] * random.standard_normal(
                len(time)
            )
            series[name] = _steps(time, np.round(seen / step_k) * step_k)
    read = np.round(sensors / step_k) * step_k
    low, high = read.min(axis=(1, 2)), read.max(axis=(1, 2))
    return series | {
        "PackTemperatureMax": _steps(time, high),
        "PackTemperatureMin": _steps(time, low),
        "PackTemperatureMean": Series(time, read.mean(axis=(1, 2))),
        "TemperatureSpread": _steps(time, high - low),
        "HottestModule": _steps(time, read.max(axis=2).argmax(axis=1)),
        "ColdestModule": _steps(time, read.min(axis=2).argmin(axis=1)),
        **{
            f"ModuleTemperature{name}": Series(time, sensors[:, i].mean(axis=1))
            for i, name in enumerate(thermal.MODULES)
        },
    }


def loop_quantities(run: thermal.LoopRun, *, air_c: float) -> dict[str, Series]:
    """Pumps, heater, valve and fan of a run of the loop."""
    time = run.time_s
    on = np.clip((time - 2.0) / 6.0, 0, 1)
    cooling = np.clip(run.radiator / 1500, 0, 1)
    pumps: dict[str, Series] = {}
    for node, full, flow in (("pump_1", 4200.0, 18.2), ("pump_2", 2600.0, 9.4)):
        wobble = 1 + 0.004 * np.sin(time / (7.0 if node == "pump_1" else 9.0))
        pumps |= {
            f"{node}/PumpSpeed": Series(time, full * on * wobble, noise=4.0),
            f"{node}/PumpFlow": Series(time, flow * on * wobble, noise=0.02),
            f"{node}/PumpPressure": Series(time, 0.9 + 0.7 * on * full / 4200),
            f"{node}/PumpCurrent": Series(time, 0.3 + full / 900 * on**3, noise=0.02),
            f"{node}/PumpState": _steps(time, np.where(on <= 0, 0, np.where(on < 1, 1, 2))),
        }
    heating = run.heater > 1
    return pumps | {
        "PackPumpSpeed": pumps["pump_1/PumpSpeed"],
        "DrivePumpSpeed": pumps["pump_2/PumpSpeed"],
        "PackPumpRequest": Series(time, 88.0 * on),
        "DrivePumpRequest": Series(time, 55.0 * on),
        "LoopInletTemperature": Series(time, run.inlet, noise=0.03),
        "LoopOutletTemperature": Series(time, run.outlet, noise=0.03),
        "LoopPressure": Series(time, 1.1 + 0.5 * on + (run.liquid - 14) * 0.004),
        "HeaterPower": Series(time, run.heater / 1000, noise=0.004),
        "HeaterCoreTemperature": Series(time, run.inlet + run.heater / 320),
        "HeaterState": _steps(time, np.where(heating, np.where(run.heater > 4990, 1, 2), 0)),
        "HeaterEnable": _steps(time, heating),
        "FanEnable": _steps(time, cooling > 0.02),
        "HeaterTarget": Series(time, np.full(len(time), 38.0)),
        "HeaterPowerLimit": Series(time, np.full(len(time), 5.0)),
        "ValvePosition": Series(time, 8 + 84 * cooling),
        "ValveRequest": Series(time, 8 + 84 * cooling),
        "FanRequest": Series(time, 70 * cooling),
        "FanSpeed": Series(time, np.maximum(2900 * cooling, 0)),
        "FanCurrent": Series(time, 11.0 * cooling**3),
        "FanState": _steps(time, cooling > 0.02),
        "AirTemperature": Series(time, np.full(len(time), air_c + 1)),
        "OutsideTemperature": Series(time, np.full(len(time), air_c)),
    }


def trip_quantities(trip: drive_cycle.Drive, time: F64) -> dict[str, Series]:
    """Motor, pedals, brakes, steering and the driver's figures of a drive."""
    at = trip.time_s + STANDSTILL_S
    speed_kmh = trip.speed * 3.6
    torque = np.clip(trip.wheel_torque_nm, -110, 380)
    torque[0] = 0.0  # standing until then
    pull = np.clip(torque / 380, 0, 1)
    braking = np.clip(-trip.acceleration / 3.5, 0, 1) * (trip.speed > 0.1)
    moving = trip.speed > 0.05
    angle = 60 * np.sin(at / 11) * np.exp(-trip.speed / 9)
    warm = 1 - np.exp(-np.maximum(at - STANDSTILL_S, 0) / 260)
    motor = {
        "TorqueRequest": Series(at, torque),
        "MotorTorque": Series(at, torque, noise=0.3),
        "MotorSpeed": Series(at, trip.motor_rpm, noise=1.0),
        "InverterCurrent": Series(at, trip.current - 4.2, noise=0.2),
        "PhaseCurrent": Series(at, np.abs(torque) * 1.35, noise=0.5),
        "Modulation": Series(at, np.clip(trip.motor_rpm / 60 + 8 * pull, 0, 98)),
        "MotorTemperature": Series(at, 24 + 44 * warm + 6 * pull),
        "StageTemperatureU": Series(at, 25 + 24 * warm + 9 * pull),
        "StageTemperatureV": Series(at, 25 + 23 * warm + 9 * pull),
        "StageTemperatureW": Series(at, 25 + 25 * warm + 9 * pull),
        "InverterCoolant": Series(at, 23 + 11 * warm),
    }
    cabin = {
        "VehicleSpeed": Series(at, speed_kmh),
        "DisplaySpeed": Series(at, speed_kmh),
        "DrivePower": Series(at, trip.current * 0.35),
        "Odometer": Series(at, 48_213.4 + trip.distance / 1000),
        "TripDistance": Series(at, trip.distance),
        "RangeLeft": Series(at, 118.0 - trip.distance / 1000 * 1.2),
        "Slope": Series(at, 100 * trip.slope),
        "Elevation": Series(at, trip.elevation),
        "InverterState": Series(at, np.where(moving, 3.0, 2.0), hold=True),
        "RecorderFrames": Series(np.array([0.0, 3600.0]), np.array([4.1e6, 11.0e6])),
        "RecorderSpace": Series(np.array([0.0, 3600.0]), np.array([7.4e6, 7.1e6])),
        "DriveState": Series(at, np.where(moving, 3.0, 2.0), hold=True),
        "ParkingBrake": Series(np.array([0.0, STANDSTILL_S]), np.array([1.0, 0.0]), hold=True),
        "SelectorPosition": Series(
            np.array([0.0, STANDSTILL_S - 2]), np.array([0.0, 3.0]), hold=True
        ),
    }
    feet = {
        "PedalTravel": Series(at, 92 * pull),
        "PedalTravelSecond": Series(at, 92 * pull),
        "BrakePressure": _foot_on(at, 70 * braking**1.5, 1.0, HOLDING_BAR),
        "BrakeDemand": _foot_on(at, 90 * braking, 0.0, 35.0),
        "BoosterState": _foot_on(at, np.where(braking > 0.02, 2.0, 1.0), 1.0, 2.0, hold=True),
        "BoosterCurrent": Series(at, 1.2 + 18 * braking),
        "SteeringAngle": Series(at, angle),
        "SteeringPressure": Series(at, 6 + 0.9 * np.abs(angle)),
    }
    return motor | cabin | feet | constants({"DriveEnable": 1, "DirectionRequest": 1})


def held_between(series: Series, first_s: float, last_s: float, value: float) -> Series:
    """The series with one value from one time to another, over a tenth of a second at each end."""
    ends = np.array([first_s - 0.1, first_s, last_s, last_s + 0.1])
    outside = (series.time_s < ends[0]) | (series.time_s > ends[-1])
    time = np.concatenate([series.time_s[outside], ends])
    edge = series.at(ends[[0, 3]])
    values = np.concatenate([series.value[outside], [edge[0], value, value, edge[1]]])
    order = np.argsort(time, kind="stable")
    return Series(time[order], values[order], series.hold, series.noise)


def _foot_on(at: F64, value: F64, off: float, on: float, *, hold: bool = False) -> Series:
    """Brake figures of a trip: the foot is on it while the selector leaves Park."""
    foot = STANDSTILL_S - np.array([5.1, 5.0, 0.1])
    before = np.concatenate([[0.0], foot]), np.array([off, off, on, on])
    return Series(np.concatenate([before[0], at]), np.concatenate([before[1], value]), hold=hold)


def _steps(time: F64, value: npt.ArrayLike) -> Series:
    return Series(time, np.asarray(value, np.float64), hold=True)
