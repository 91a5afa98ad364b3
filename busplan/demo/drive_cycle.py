"""Ten minutes of the invented van on an invented road: speed, slope, power, pack current.

    P_wheel = v·(m·a + m·g·sin θ + m·g·c_r·cos θ + ½·ρ·c_d·A·v²)        (vehicle dynamics textbook)

Power at the pack is ``P_wheel/η`` when driving and ``P_wheel·η`` when braking electrically, plus
what the auxiliaries draw; the inverter keeps the pack current within −80 A and +380 A, and the
friction brake takes what the pack may not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busplan.frames.columns import F64

MASS_KG = 4_200.0
DRAG_AREA_M2 = 2.8
ROLLING = 0.011
EFFICIENCY = 0.88
GRAVITY = 9.81
AIR_KG_M3 = 1.2
AUXILIARY_W = 1_500.0
WHEEL_RADIUS_M = 0.35
GEAR = 9.0
CURRENT_LOW_A = -80.0
CURRENT_HIGH_A = 380.0
LEG_S = 75.0
"""Length of one leg: pull away, hold speed, brake, stand."""
SHARE_MOVING = 0.82
HILL_TIME_S = 190.0
HILL_SLOPE = 0.085


@dataclass(frozen=True)
class Drive:
    """The drive over time, all ``(n,)``: speed [m/s], slope (rise over run), power at the wheels
    [W], elevation [m], distance [m], current wanted from the pack at ``voltage`` [A].
    """

    time_s: F64
    speed: F64
    acceleration: F64
    slope: F64
    wheel_w: F64
    distance: F64
    elevation: F64
    current: F64

    @property
    def wheel_torque_nm(self) -> F64:
        """Torque at the motor shaft that would give the wheel power [Nm]."""
        turning = np.maximum(self.speed, 1.0) / WHEEL_RADIUS_M * GEAR
        return np.asarray(self.wheel_w / turning, np.float64)

    @property
    def motor_rpm(self) -> F64:
        """Motor speed [1/min]."""
        return np.asarray(self.speed / WHEEL_RADIUS_M * GEAR * 60 / (2 * np.pi), np.float64)


def drive(
    duration_s: float, seed: int, *, voltage: float, resistance: float, step_s: float = 0.1
) -> Drive:
    """Drive for ``duration_s`` with a pack of open-circuit ``voltage`` [V], ``resistance`` [Ω]."""
    n = round(duration_s / step_s) + 1
    time: F64 = np.arange(n) * np.float64(step_s)
    speed = _speed(time, seed)
    acceleration = np.gradient(speed, step_s)
    slope = HILL_SLOPE * np.sin(2 * np.pi * time / HILL_TIME_S) * np.clip(time / 30, 0, 1)
    angle = np.arctan(slope)
    force = (
        MASS_KG * acceleration
        + MASS_KG * GRAVITY * (np.sin(angle) + ROLLING * np.cos(angle))
        + AIR_KG_M3 / 2 * DRAG_AREA_M2 * speed**2
    )
    wheel = np.where(speed > 0.05, force * speed, 0.0)
    electric = np.where(wheel > 0, wheel / EFFICIENCY, wheel * EFFICIENCY) + AUXILIARY_W
    current = current_for_power(electric, voltage, resistance)
    distance = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * step_s)])
    climbed = speed * np.sin(angle) * step_s
    return Drive(
        time_s=time,
        speed=speed,
        acceleration=acceleration,
        slope=slope,
        wheel_w=wheel,
        distance=distance,
        elevation=120.0 + np.cumsum(climbed),
        current=np.clip(current, CURRENT_LOW_A, CURRENT_HIGH_A),
    )


def current_for_power(power_w: F64, voltage: float, resistance: float) -> F64:
    """Current that gives ``power_w`` at the terminals of a source: P = I·(U − I·R), smaller root.

    Beyond the most the source can give (U²/4R) the current at that most is returned.
    """
    under_root = np.maximum(voltage**2 - 4 * resistance * power_w, 0.0)
    return np.asarray((voltage - np.sqrt(under_root)) / (2 * resistance), np.float64)


def _speed(time: F64, seed: int) -> F64:
    """Speed [m/s]: legs that start and end standing, smoothed so that nobody falls over."""
    random = np.random.default_rng([seed, 5])
    legs = int(time[-1] // LEG_S) + 1
    tops = random.uniform(11.0, 19.0, legs)
    # One leg always asks for everything, so that the peak current is in every drive.
    tops[min(1, legs - 1)] = 20.0
    within = time % LEG_S
    top = tops[np.minimum((time // LEG_S).astype(int), legs - 1)]
    moving = LEG_S * SHARE_MOVING
    pull, brake = 1.9, 1.7
    wanted = np.minimum(np.minimum(pull * within, top), brake * np.maximum(moving - within, 0.0))
    width = max(3, round(3.0 / float(time[1] - time[0])) | 1)
    hat = np.hanning(width + 2)[1:-1]
    padded = np.pad(wanted, width // 2, mode="edge")
    return np.asarray(np.convolve(padded, hat / hat.sum(), mode="valid"), np.float64)
