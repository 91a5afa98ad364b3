"""Monte-Carlo bars of the warm-up test, on truths that share no code with the judge.

Run by hand: ``python tests/benchmarks/bench_warm_up.py [--quick|--quarter] [--final]``. ``--final``
takes the seeds from 960000 on, which nothing was tuned on; ``--quick`` a tenth of the packs and
``--quarter`` a quarter. Prints each bar with the figure reached.

*Loop*: the random population of ``truth/loop_cases.py`` (6 to 32 modules, tau 117 to 540 s, heater
or heat gun, 10 to 40 min, steps of 0.5 and 1 K, 1 or 2 sensors a module). *Plates*: that of
``truth/channel_cases.py`` (plug flow, thermostat, pump steps, draught, two kinds, slow messages).
One module of each pack gets less flow; its exchange is relative to the healthy ones. Where the
pump changes its speed during the test the true exchange lies between those at both speeds: an
interval holds when it reaches into that (and by itself: when it holds the one at full speed).
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth import channel_cases, loop_cases
from truth.as_series import channel_series, warm_up_series

from busplan.pack import warm_up as door
from busplan.pack.thermal_span import widest_move
from busplan.pack.warm_up_result import ModuleVerdict, WarmUp
from busplan.wording import percent

ACCUSED = (ModuleVerdict.SLOW, ModuleVerdict.NO_FLOW, ModuleVerdict.STILL)
BANDS = ((0.0, 0.45), (0.45, 0.55), (0.55, 0.65), (0.65, 0.75), (0.75, 0.9), (0.9, 9.0))


def judge(test: Any) -> WarmUp:
    """As the command does, less what the test would have shown."""
    if hasattr(test, "plates"):
        kinds = {f"M{i + 1}": f"kind {k}" for i, k in enumerate(test.plates.kind)}
        series, layout = channel_series(test, kind=kinds)
        step = test.step_k
    else:
        series, layout = warm_up_series(test)
        step = test.sensors.step_k
    span = widest_move(series.temperature, step)
    assert span is not None
    return door.judge_warm_up(series, layout, span, step)


def rows(make: Callable[..., Any], seeds: range, **how: Any) -> np.ndarray:
    """A row a module: seed, bad, true exchange, low, high, accused, with the others, changed, and
    the true exchange at the pump's lowest speed."""
    found = []
    for seed in seeds:
        test = make(seed, **how)
        slowest = getattr(test, "exchange_slow", test.exchange)
        for index, (true, other, module) in enumerate(
            zip(test.exchange, slowest, judge(test).modules, strict=True)
        ):
            found.append(
                (
                    seed,
                    index in test.bad,
                    true,
                    module.interval.low,
                    module.interval.high,
                    module.verdict in ACCUSED,
                    module.verdict is ModuleVerdict.FOLLOWS,
                    module.verdict in (ModuleVerdict.CHANGED, ModuleVerdict.DISAGREE),
                    other,
                )
            )
    return np.array(found, float)


def bar(name: str, reached: float, bound: float, *, most: bool = False, count: int = 0) -> None:
    """One line: the figure and whether the bar holds."""
    good = reached <= bound if most else reached >= bound
    sign = "at most" if most else "at least"
    share = percent(reached)
    print(f"| {name} | {share} of {count} | {sign} {100 * bound:g} % | {'yes' if good else 'NO'} |")


def share(mask: np.ndarray, values: np.ndarray) -> tuple[float, int]:
    """Mean of ``values`` where ``mask``, and of how many."""
    count = int(mask.sum())
    return (float(values[mask].mean()) if count else float("nan")), count


def bars(title: str, r: np.ndarray, found: tuple[float, float] | None) -> None:
    """All bars of one population."""
    bad, true = r[:, 1] > 0, r[:, 2]
    slow, fine, odd = r[:, 5] > 0, r[:, 6] > 0, r[:, 7] > 0
    known = np.isfinite(r[:, 3])
    holds = (true >= r[:, 3]) & (true <= r[:, 4])
    reaches = (np.maximum(true, r[:, 8]) >= r[:, 3]) & (np.minimum(true, r[:, 8]) <= r[:, 4])
    print(f"\n### {title}: {len(set(r[:, 0]))} packs, {len(r)} modules\n", flush=True)
    print("| exchange of the bad module | found | with the others |\n|---|---|---|")
    for low, high in BANDS if bad.any() else ():
        mask = bad & (true >= low) & (true < high)
        if mask.any():
            print(f"| {low:g} to {high:g} ({int(mask.sum())}) | {percent(slow[mask].mean(), 0)} | "
                  f"{percent(fine[mask].mean(), 0)} |")  # fmt: skip
    print("\n| bar | reached | wanted | holds |\n|---|---|---|---|")
    if found is not None:
        for (low, high), least in zip(BANDS[:2], found, strict=True):
            reached, count = share(bad & (true >= low) & (true < high), slow)
            bar(f"found, exchange {low:g} to {high:g}", reached, least, count=count)
    reached, count = share(true < 0.65, fine)
    if count:
        bar("below 0.65 called with the others", reached, 0.01, most=True, count=count)
    packs = np.unique(r[:, 0])
    accused = np.unique(r[(slow | odd) & ~bad & (true >= 0.75), 0])
    bar("packs with a healthy module accused", len(accused) / len(packs), 0.005, most=True,
        count=len(packs))  # fmt: skip
    for name, mask in (("slow", bad & known), ("healthy", ~bad & known)):
        reached, count = share(mask, reaches)
        if count:
            bar(f"intervals hold, {name}", reached, 0.95, count=count)
            if (holds != reaches).any():
                print(f"| (at full pump speed: {percent(share(mask, holds)[0])}) | | | |")
    reached, count = share(~bad, fine)
    print(f"\nHealthy modules shown to come with the others: {percent(reached, 0)} of {count}.")


def offsets(first: int, count: int) -> None:
    """Offsets of up to 3 K on one healthy module, with and without a liquid temperature."""
    accused = total = 0
    for k, offset in enumerate((-3.0, -1.0, -0.5, 0.5, 1.0, 3.0)):
        for seed in range(count):
            for liquid in (False, True):
                test = loop_cases.case(
                    "offset", first + 100 * k + seed, offset_k=offset, liquid=liquid
                )
                accused += any(m.verdict in ACCUSED for m in judge(test).modules)
                total += 1
    print("\n### Offsets to 3 K\n\n| bar | reached | wanted | holds |\n|---|---|---|---|")
    print(f"| packs that accuse anybody | {accused} of {total} | 0 | "
          f"{'yes' if not accused else 'NO'} |")  # fmt: skip


def speed() -> None:
    """200 modules for 40 minutes at 1 Hz, with what the test would have shown."""
    test = loop_cases.case("many modules", 1, minutes=40.0)
    series, layout = warm_up_series(test)
    span = widest_move(series.temperature, 0.5)
    assert span is not None
    least = {}
    for name, without in (("with power", False), ("alone", True)):
        kept = door._foresee
        if without:
            door._foresee = lambda *_: ((), None)
        times = []
        for _ in range(4):
            begin = time.process_time()
            door.judge_warm_up(series, layout, span, 0.5)
            times.append(time.process_time() - begin)
        door._foresee = kept
        least[name] = min(times)
    print("\n### 200 modules, 40 min, 1 Hz (processor time, best of 4)\n")
    print(f"Judged: {least['alone']:.2f} s; with what it would have shown and the minutes it "
          f"lacks: {least['with power']:.2f} s (wanted: 1 s).")  # fmt: skip


def main() -> None:
    final = "--final" in sys.argv
    first = 960_000 if final else 500_000
    sizes = (600, 400, 400, 24)
    for option, part in (("--quick", 10), ("--quarter", 4)):
        if option in sys.argv:
            sizes = tuple(size // part for size in sizes)
    speed()
    door._foresee = lambda *_: ((), None)
    seeds = [range(first, first + n) for n in sizes[:3]]
    loop, plate = loop_cases.population, channel_cases.population
    bars("Plates, liquid unknown", rows(plate, seeds[2], liquid=False), None)
    bars("Loop, liquid known", rows(loop, seeds[1], liquid=True), (0.98, 0.90))
    bars("Loop, liquid unknown", rows(loop, seeds[0], liquid=False), (0.95, 0.75))
    offsets(first + 20_000, sizes[3])
    healthy = rows(loop, range(first + 10_000, first + 10_000 + sizes[2]), healthy=True)
    bars("Loop, healthy packs", healthy, None)


if __name__ == "__main__":
    main()
