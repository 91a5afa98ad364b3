"""A small fleet: two vehicles of one cart, a capture of a few seconds each, made in no time.

The wheel's speed of each frame is known, so that what a fleet says can be held against it.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from busplan.fleet.catalogue import Added, Fleet, HowToRead, add_captures
from busplan.fleet.plans import read_plan

DBC = """VERSION ""
NS_ :
BS_:
BU_: WHEEL
BO_ 291 Turning: 8 WHEEL
 SG_ Speed : 0|16@1+ (0.01,0) [0|600] "km/h" Vector__XXX
 SG_ Voltage : 16|16@1+ (SCALE,0) [0|65] "UNIT" Vector__XXX
 SG_ Warmth : 32|8@1+ (1,-40) [0|0] "degF" Vector__XXX
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 291 10;
"""
PLAN = """
[vehicle]
name = "Cart"
invented = true
[network.a]
bit_rate = 500_000
channels = ["can0"]
[part.wheel]
definitions = "wheel.dbc"
sender = "WHEEL"
[node.wheel_1]
part = "wheel"
on = ["a"]
"""
START_NS = 1_700_000_000_000_000_000
DAY_NS = 86_400_000_000_000


def write_plan(folder: Path, *, millivolts: bool = False) -> Path:
    """A plan; with ``millivolts`` the same voltages, told in mV."""
    folder.mkdir(parents=True, exist_ok=True)
    scale, unit = ("10", "mV") if millivolts else ("0.01", "V")
    (folder / "wheel.dbc").write_text(DBC.replace("SCALE", scale).replace("UNIT", unit))
    plan = folder / "cart.toml"
    plan.write_text(PLAN)
    return plan


def speeds(number: int, frames: int) -> np.ndarray:
    """Raw speeds of a capture."""
    return np.random.default_rng(number).integers(0, 60_000, frames)


def write_log(path: Path, number: int, frames: int = 200) -> Path:
    """A text log: a frame each 10 ms, begun ``number`` days after the first."""
    begin = START_NS + number * DAY_NS
    lines = [
        f"({(begin + i * 10_000_000) / 1e9:.6f}) can0 123#"
        f"{int(v).to_bytes(2, 'little').hex()}{(1200 + number).to_bytes(2, 'little').hex()}"
        f"90000000"
        for i, v in enumerate(speeds(number, frames).tolist())
    ]
    path.write_text("\n".join([*lines, ""]))
    return path


def add(
    fleet: Fleet, files: list[Path], vehicle: str, plan: Path, how: HowToRead = HowToRead()
) -> Added:
    """Add captures of one file each."""
    groups = [[str(f)] for f in files]
    return add_captures(fleet, groups, vehicle, read_plan(plan), time.time_ns, how)


def make(
    folder: Path, captures: int = 4, frames: int = 200, place: str | Path | None = None
) -> Fleet:
    """A fleet in ``folder/fleet``, its captures half of ``cart-1`` and half of ``cart-2``."""
    fleet = Fleet.at(str(place or folder / "fleet"), make=True)
    logs = [write_log(folder / f"{n}.log", n, frames) for n in range(captures)]
    plan = write_plan(folder / "plan")
    add(fleet, logs[: captures // 2], "cart-1", plan)
    add(fleet, logs[captures // 2 :], "cart-2", plan)
    return fleet
