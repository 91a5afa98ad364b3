"""123 ways of losing, freezing, swapping, scaling and delaying data: none makes a verdict better.

Run by hand: ``python tests/benchmarks/bench_alterations.py [--quick]``. Each way is tried on the
healthy and on the faulty capture of the demo, with the test stated and without; then the eight
ways that do no harm, which may not make it worse.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.alterations import alterations, betterment, harmless, judged

from busplan.answers import Answer
from busplan.demo.captures import demo_vehicle, make_capture
from busplan.pack.kinds import PackTest
from busplan.pack.pull import pull_series
from busplan.pack.series import PackSeries
from busplan.pack.whole import Whole
from busplan.plan.vehicle import PackLayout

LENGTHS = {"drive": 120.0, "charge": 600.0, "warm-up": 1200.0}


def harms(
    series: PackSeries, layout: PackLayout, test: PackTest, before: tuple[Whole, int], kind: str
) -> int:
    """How many of the harmless ways make the verdict worse."""
    count = 0
    for way in harmless():
        told = betterment(judged(way.alter(series, layout), layout, test), before)
        count += bool(told)
        if told:
            print(f"{kind}, harmless: {way.name}: without it {told}", flush=True)
    return count


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="every fifth way")
    step = 5 if parser.parse_args().quick else 1
    vehicle = demo_vehicle()
    layout = vehicle.pack
    assert layout is not None
    tried = worse = better = right = harmed = 0
    begin = time.perf_counter()
    for name, length in LENGTHS.items():
        test = PackTest(name)
        for healthy in (True, False):
            frames = make_capture(name, healthy=healthy, duration_s=length)
            series = pull_series(frames, vehicle)
            kind = f"{name} {'healthy' if healthy else 'faulty'}"
            before = {t: judged(series, layout, t) for t in (test, None)}
            for way in list(alterations(name))[::step]:
                altered = way.alter(series, layout)
                after = {t: judged(altered, layout, t) for t in (test, None)}
                told = betterment(before[test], after[test])
                whole = after[None][0].answer
                if before[None][0].answer is not Answer.GOOD and whole is Answer.GOOD:
                    told = told or "the whole is good, the test not stated"
                tried += 1
                better += bool(told)
                worse += after[test][0].answer is not Answer.GOOD
                still = way.way == "losing" and Answer.GOOD in (whole, after[test][0].answer)
                right += still
                if told or still:
                    words = told or "still all right"
                    print(f"{kind}, {way.way}: {way.name}: {words}", flush=True)
            harmed += harms(series, layout, test, before[test], kind)
    spent = time.perf_counter() - begin
    print(
        f"{tried} alterations in {spent:.0f} s: {better} better (bar 0), "
        f"{right} with data lost and still all right (bar 0), {worse} not all right; "
        f"{harmed} harmless ones made it worse (bar 0)"
    )
    return int(bool(better or right or harmed))


if __name__ == "__main__":
    sys.exit(main())
