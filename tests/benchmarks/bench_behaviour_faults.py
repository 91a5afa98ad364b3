"""Behaviours on the demo vehicle: planted faults found, false alarms on healthy captures.

    python tests/benchmarks/bench_behaviour_faults.py [SEEDS]

Ten seeds by default, each with its own cells, trip and noise. A planted fault must fail the
behaviour it breaks, and no other one but those that it breaks, too. Run it niced.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from busplan.behaviour.judge import judge_behaviours
from busplan.demo import chapters, scenes
from busplan.demo.captures import START_NS, demo_vehicle
from busplan.demo.quantities import Series
from busplan.demo.scenes import Scene
from busplan.demo.traffic import make_traffic

SEEDS = 10
Plant = Callable[[Scene], Scene]


class Fault(NamedTuple):
    """What is planted, in which scene, and which behaviours it breaks."""

    name: str
    scene: str
    plant: Plant
    breaks: frozenset[str]


SCENES: Mapping[str, Callable[..., Scene]] = {
    "drive": lambda seed: scenes.drive(150.0, seed=seed, healthy=True),
    "hot drive": lambda seed: chapters.hot_drive(200.0, seed=seed, healthy=True),
    "charge": lambda seed: scenes.charging(150.0, seed=seed, healthy=True),
    "key-on": lambda seed: chapters.key_on(15.0, seed=seed, healthy=True),
    "hot drive, as planted": lambda seed: chapters.hot_drive(200.0, seed=seed),
    "key-on, too early": lambda seed: chapters.key_on_early(15.0, seed=seed),
}
HEALTHY = ("drive", "hot drive", "charge", "key-on")


def always(name: str, value: float) -> Plant:
    """A signal that shows one value throughout."""
    return lambda scene: replace(
        scene, series={**scene.series, name: Series(np.array([0.0]), np.array([value]), hold=True)}
    )


def more(name: str, by: float, from_s: float) -> Plant:
    """A signal that shows so much more from a moment on."""

    def planted(scene: Scene) -> Scene:
        old = scene.series[name]
        value = old.value + by * (old.time_s >= from_s)
        return replace(scene, series={**scene.series, name: replace(old, value=value)})

    return planted


def after(wait_s: float, plant: Plant) -> Plant:
    """The same, recorded from so much earlier on."""

    def planted(scene: Scene) -> Scene:
        moved = {
            name: replace(one, time_s=np.where(one.time_s > 0, one.time_s + wait_s, one.time_s))
            for name, one in scene.series.items()
        }
        return plant(replace(scene, duration_s=scene.duration_s + wait_s, series=moved))

    return planted


def as_it_is(scene: Scene) -> Scene:
    """What the demo itself plants."""
    return scene


FAULTS = (
    Fault(
        "fan late, no brake",
        "hot drive, as planted",
        as_it_is,
        frozenset({"fan-when-hot", "drive-needs-brake"}),
    ),
    Fault(
        "contactor too early",
        "key-on, too early",
        as_it_is,
        frozenset({"link-full-before-main"}),
    ),
    Fault(
        "no pre-charge",
        "key-on",
        # What is wanted within 10 s before is only known when they were recorded.
        after(8.0, always("PreChargeContactor", 0.0)),
        frozenset({"pre-charge-before-main"}),
    ),
    Fault(
        "one contactor open under torque",
        "drive",
        always("MinusContactor", 0.0),
        frozenset({"both-closed-before-torque"}),
    ),
    Fault(
        "DC-DC converter off",
        "drive",
        always("DcdcOutputVoltage", 12.2),
        frozenset({"dcdc-when-driving"}),
    ),
    Fault(
        "fan never",
        "hot drive",
        always("FanState", 0.0),
        frozenset({"fan-when-hot"}),
    ),
    Fault(
        "charger above the request",
        "charge",
        more("ChargerCurrent", 6.0, 60.0),
        frozenset({"charger-within-request", "charger-within-pack-limit"}),
    ),
)


def failed(scene: Scene, seed: int) -> set[str]:
    """The behaviours that fail in a scene's traffic."""
    vehicle = demo_vehicle()
    report = judge_behaviours(make_traffic(vehicle, scene, seed, START_NS), vehicle)
    return {v.behaviour.name for v in report.verdicts if v.failed}


def main(seeds: int) -> None:
    begin = time.process_time()
    print(f"{'healthy':<34}{'captures':>9}{'false alarms':>14}")
    for name in HEALTHY:
        alarms = [failed(SCENES[name](seed), seed) for seed in range(1, seeds + 1)]
        print(f"{name:<34}{seeds:>9}{sum(map(len, alarms)):>14}", *set().union(*alarms))
    print(f"\n{'planted':<34}{'captures':>9}{'found':>9}{'others':>9}")
    for fault in FAULTS:
        found, others = 0, set()
        for seed in range(1, seeds + 1):
            told = failed(fault.plant(SCENES[fault.scene](seed)), seed)
            found += fault.breaks <= told
            others |= told - fault.breaks
        print(f"{fault.name:<34}{seeds:>9}{found:>9}{len(others):>9}", *others)
    print(f"\n{time.process_time() - begin:.0f} s of processor")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS)
