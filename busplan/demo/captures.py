"""The demo's captures: made by the bus simulation, the same bytes for the same seed.

Full captures are made on first use into the user's cache folder; short cuts of them ship with
busplan. All of it is invented.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from busplan.demo import chapters, scenes
from busplan.demo.files import plan_file
from busplan.demo.scenes import Scene
from busplan.errors import UsageError
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle
from busplan.version import __version__

SEED = 1
START_NS = 1_777_881_600_000_000_000
"""Start of the warm-up, 4 May 2026 08:00 UTC; the other captures follow hour by hour."""
HOUR_NS = 3_600_000_000_000


@dataclass(frozen=True)
class DemoCapture:
    """A capture the demo can make: its scene, its plan and what of it ships as a short cut.

    The cut keeps frames from ``cut_s`` [s], and only messages that match ``cut_messages``; empty
    means all.
    """

    name: str
    title: str
    scene: Callable[..., Scene]
    plan: str
    duration_s: float
    cut_s: tuple[float, float]
    cut_messages: tuple[str, ...] = ()
    has_healthy: bool = True
    """Whether the scene can be had without its planted faults."""
    months: int = 0
    """So long after the others."""


CAPTURES: Mapping[str, DemoCapture] = {
    c.name: c
    for c in (
        DemoCapture(
            "warm-up",
            "Standstill with the heater on, all modules from 14 °C up",
            scenes.warm_up,
            "as_built",
            1200.0,
            (0.0, 1200.0),
            cut_messages=(
                "ModuleTemperatures",
                "LoopTemperatures",
                "PackEnergy",
                "PackInsulation",
                "pack/*/PackTemperatures",
                "pump_1/PumpStatus",
            ),
        ),
        DemoCapture(
            "drive",
            "Hills and stops, pack current −80 to +380 A",
            scenes.drive,
            "as_built",
            600.0,
            (300.0, 335.0),
        ),
        DemoCapture(
            "charge",
            "Constant current, then a taper",
            scenes.charging,
            "as_built",
            600.0,
            (250.0, 365.0),
        ),
        DemoCapture(
            "bench-charger",
            "The charger alone on the bench",
            scenes.bench_charger,
            "as_built",
            60.0,
            (0.0, 60.0),
        ),
        DemoCapture(
            "collision",
            "Two identical pumps on one network",
            scenes.collision,
            "as_bought",
            30.0,
            (0.0, 30.0),
            has_healthy=False,
        ),
        DemoCapture(
            "gun-warm-up",
            "A heat gun at the radiator, sensors of whole degrees, no liquid temperature",
            chapters.gun_warm_up,
            "asleep",
            2100.0,
            (0.0, 2100.0),
        ),
        DemoCapture(
            "gun-warm-up-early",
            "The first four minutes of such a warm-up: nothing can be told yet",
            chapters.gun_warm_up,
            "asleep",
            240.0,
            (0.0, 240.0),
        ),
        DemoCapture(
            "rest",
            "Six hours of rest after a drive",
            chapters.resting,
            "asleep",
            21_600.0,
            (0.0, 21_600.0),
            cut_messages=(
                "CellVoltages*",
                "ModuleTemperatures",
                "PackStatus",
                "PackInsulation",
                "PackEnergy",
            ),
        ),
        DemoCapture(
            "key-on",
            "The key is turned: contactors and pre-charge in order",
            chapters.key_on,
            "as_built",
            15.0,
            (0.0, 15.0),
        ),
        DemoCapture(
            "key-on-welded",
            "The key is turned with a main contactor welded",
            chapters.key_on_welded,
            "as_built",
            15.0,
            (0.0, 15.0),
        ),
        DemoCapture(
            "key-on-early",
            "The key is turned and the main contactor closes too early",
            chapters.key_on_early,
            "as_built",
            15.0,
            (0.0, 15.0),
        ),
        DemoCapture(
            "fan-late",
            "A drive on a hot day: the fan is late, and Drive is taken once without the brake",
            chapters.hot_drive,
            "as_built",
            200.0,
            (0.0, 200.0),
            cut_messages=(
                "ContactorFeedback",
                "pack/*/PackTemperatures",
                "pack/*/PackStatus",
                "FanStatus",
                "FanCommand",
                "pump_1/PumpStatus",
                "SelectorStatus",
                "BrakeStatus",
                "drive/*/VehicleStatus",
                "DcdcOutput",
            ),
        ),
        DemoCapture(
            "second-year",
            "A drive 14 months later: one cell has tired",
            chapters.second_year,
            "as_built",
            600.0,
            (300.0, 340.0),
            cut_messages=("CellVoltages*", "pack/*/PackStatus", "PackEnergy"),
            months=14,
        ),
    )
}


def demo_capture(name: str, *, healthy: bool = False) -> DemoCapture:
    """The capture of that name.

    ``UsageError`` lists the names there are, or says that it has no ``healthy`` variant.
    """
    if name not in CAPTURES:
        raise UsageError(f"the demo has the captures {', '.join(CAPTURES)}; got {name}")
    if healthy and not CAPTURES[name].has_healthy:
        raise UsageError(f"the {name} capture has no healthy variant: the flaw is in its plan")
    return CAPTURES[name]


@cache
def demo_vehicle(plan: str = "as_built") -> Vehicle:
    """The demo vehicle by one of its two plans."""
    from busplan.plan.reader import load_plan

    return load_plan(plan_file(plan))


def make_scene(
    name: str, *, duration_s: float | None = None, seed: int = SEED, healthy: bool = False
) -> Scene:
    """The scene behind a capture; shorter or longer when ``duration_s`` says so."""
    capture = demo_capture(name, healthy=healthy)
    options = {"healthy": True} if healthy else {}
    return capture.scene(duration_s or capture.duration_s, seed=seed, **options)


def make_capture(
    name: str, *, duration_s: float | None = None, seed: int = SEED, healthy: bool = False
) -> FrameTable:
    """The frames of a capture, networks named as in its plan.

    ``healthy`` leaves out every planted fault: the same van on a good day.
    """
    from busplan.demo.traffic import make_traffic

    scene = make_scene(name, duration_s=duration_s, seed=seed, healthy=healthy)
    return make_traffic(demo_vehicle(demo_capture(name).plan), scene, seed, start_ns(name))


def start_ns(name: str) -> int:
    """When a capture begins [ns]."""
    months = round(demo_capture(name).months * 30.44 * 24)
    return START_NS + (list(CAPTURES).index(name) + months) * HOUR_NS


def warm_up(duration_s: float = 1200.0, *, seed: int = SEED, healthy: bool = False) -> FrameTable:
    """The warm-up: C2 lags, the outlet sensor of D1 is stuck."""
    return make_capture("warm-up", duration_s=duration_s, seed=seed, healthy=healthy)


def drive(duration_s: float = 600.0, *, seed: int = SEED, healthy: bool = False) -> FrameTable:
    """The drive: cell 53 sags, monitor B drops out for 3 s, a pump frame is late at times."""
    return make_capture("drive", duration_s=duration_s, seed=seed, healthy=healthy)


def charge(duration_s: float = 600.0, *, seed: int = SEED, healthy: bool = False) -> FrameTable:
    """The charge: cell 17 reaches the top first."""
    return make_capture("charge", duration_s=duration_s, seed=seed, healthy=healthy)


def bench_charger(
    duration_s: float = 60.0, *, seed: int = SEED, healthy: bool = False
) -> FrameTable:
    """The charger on the bench with its four faults."""
    return make_capture("bench-charger", duration_s=duration_s, seed=seed, healthy=healthy)


def collision(duration_s: float = 30.0, *, seed: int = SEED) -> FrameTable:
    """Both pumps sending under the same identifiers."""
    return make_capture("collision", duration_s=duration_s, seed=seed)


def capture_name(name: str, *, short: bool = False) -> str:
    """File name of a capture, or of its short cut."""
    return f"{name.replace('-', '_')}{'_short' if short else ''}.log.gz"


def by_channel(frames: FrameTable, vehicle: Vehicle) -> FrameTable:
    """Networks replaced by the first channel that the plan gives them, as an adapter names them."""
    channels = {n.name: n.channels[0] for n in vehicle.networks.values() if n.channels}
    return frames.relabel(channels)


def write_capture(
    name: str,
    path: Path,
    *,
    seed: int = SEED,
    healthy: bool = False,
    short: bool = False,
    later_h: int = 0,
) -> FrameTable:
    """Make a capture, write it as a gzipped text log, and return what was written.

    ``later_h``: so many hours after its usual time.
    """
    from busplan.capture.textlog import write_textlog

    vehicle = demo_vehicle(demo_capture(name).plan)
    frames = make_capture(name, seed=seed, healthy=healthy)
    if short:
        frames = cut(name, frames, vehicle)
    frames = replace(frames, time_ns=frames.time_ns + later_h * HOUR_NS)
    write_textlog(by_channel(frames, vehicle), path)
    return frames


def cut(name: str, frames: FrameTable, vehicle: Vehicle) -> FrameTable:
    """The part of a full capture that ships with busplan."""
    from busplan.plan.select import select_streams

    capture = demo_capture(name)
    time = frames.time_ns - start_ns(name)
    first, last = capture.cut_s
    keep = (time >= first * 1e9) & (time < last * 1e9)
    if capture.cut_messages:
        keys = {s.key for s in select_streams(vehicle, capture.cut_messages)}
        rows = [frames.rows_of(k) for k in keys]
        chosen = np.zeros(len(frames), np.bool_)
        chosen[np.concatenate(rows)] = True
        keep &= chosen
    return frames.take(keep)


def demo_folder() -> Path:
    """Where full captures are kept, by version of busplan."""
    from busplan.capture.store import cache_root

    return cache_root() / "demo"


def remove_made(keep: Path | None = None) -> None:
    """Remove the full captures in the user's cache folder, but not those of version ``keep``."""
    for version in {folder.parent for folder in demo_folder().glob("*/seed-*")} - {keep}:
        for folder in version.glob("seed-*"):
            shutil.rmtree(folder, ignore_errors=True)
        with suppress(OSError):
            version.rmdir()


def cached_capture(
    name: str, *, seed: int = SEED, healthy: bool = False, make: bool = True
) -> Path:
    """The file of a full capture in the user's cache folder, made on first use.

    The folder is keyed by busplan's version, so a new version makes its captures anew; those of
    other versions are removed then.
    """
    demo_capture(name, healthy=healthy)
    mine = demo_folder() / __version__
    folder = mine / f"seed-{seed}"
    path = folder / capture_name(f"{name}-healthy" if healthy else name)
    if make and not path.exists():
        remove_made(keep=mine)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            write_capture(name, path, seed=seed, healthy=healthy)
        except OSError as error:
            raise UsageError(
                f"cannot keep the demo capture in {folder}: {error.strerror}; "
                "`busplan demo --to FOLDER` writes it elsewhere"
            ) from error
    return path
