"""Monte-Carlo check of the electrical sense checks: quiet on healthy packs, planted faults named.

Run by hand: ``python tests/benchmarks/bench_sense.py [--quick] [--final]``. Prints a table in
Markdown. Truths: closed forms of ``tests/truth/electrical.py`` with the faults of
``electrical_cases.py``; ``--final`` takes the seeds from 910000 on, which nothing was set by.

A fault counts as found when its own code is told and no other; *good* is how often the check that
should tell it says good: never wanted. Buses: all messages at 10 Hz without delay ("even"), or each
with a period of 20 to 500 ms, late by up to 0.5 s, 0 to 10 % lost ("uneven").
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.sense import GOOD, Sensed, at_once, sense
from truth.electrical import Bus, Charge, key_on, random_bus, random_wiring
from truth.electrical_cases import AROUND, CHARGES, KEY_ON, Sent, charging_cells

from busplan.wording import percent

QUICK, FINAL = "--quick" in sys.argv, "--final" in sys.argv
FIRST = 910_000 if FINAL else 1_000
KEY_ON_CHECKS = ("contactors", "link while open", "link while closed", "opening without load")
TELLS = {
    "pre-charge-incomplete": "contactors",
    "contactor-order": "contactors",
    "contactor-welded": "link while open",
    "link-not-at-pack": "link while closed",
    "contactor-opened-loaded": "opening without load",
}
CHARGE_CHECKS = ("charger current", "charger voltage", "end of charge", "first full cell")


def row(what: str, bar: str, reached: str, met: bool) -> None:
    print(f"| {what} | {bar} | {reached} | {'met' if met else '**missed**'} |", flush=True)


def told(codes: Counter[str]) -> str:
    return ", ".join(f"{n} {code}" for code, n in codes.items()) or "none"


def healthy(what: str, each: Iterable[tuple[Sensed, tuple[str, ...]]]) -> None:
    """Findings of healthy packs, and how many of the checks that could were good."""
    packs = accused = good = asked = 0
    codes: Counter[str] = Counter()
    for result, checks in each:
        packs += 1
        accused += bool(result.codes)
        codes.update(result.codes)
        good += sum(result[c].answer is GOOD for c in checks)
        asked += len(checks)
    row(f"healthy: {what}", "no finding", f"{accused} of {packs} packs: {told(codes)}; "
        f"{percent(good / asked, 0)} of the answers good", not accused)  # fmt: skip


def planted(
    what: str, code: str, each: Iterable[tuple[Sensed, tuple[str, ...]]], share: float
) -> None:
    """How often a planted fault was named, alone, and how often its check said good."""
    packs = found = good = 0
    others: Counter[str] = Counter()
    for result, checks in each:
        packs += 1
        found += code in result.codes
        others.update(c for c in result.codes if c != code)
        good += code not in result.codes and any(result[c].answer is GOOD for c in checks)
    row(f"planted: {what}", f"found {percent(share, 0)}, never good" if share else "never good",
        f"{found} of {packs} found, {good} good; besides: {told(others)}",
        found >= share * packs and not good and not others)  # fmt: skip


def of(sent: Sent) -> Sensed:
    return sense(sent.traces, cells=sent.cells, sensors=sent.sensors, **sent.plan)


def key_ons(count: int) -> None:
    seeds = range(FIRST, FIRST + count)
    held: list[bool] = []

    def sound() -> Iterable[tuple[Sensed, tuple[str, ...]]]:
        for seed in seeds:
            bus = random_bus(seed) if seed % 2 else None
            made = key_on(seed, random_wiring(seed), bus, singles=seed % 4 < 2)
            result = sense(made.traces)
            for figure in result["contactors"].figures:
                true = 100 * made.share if "share" in figure.name else made.tau_s
                held.append(true in figure.interval)
            yield result, KEY_ON_CHECKS[1:] + (("contactor feedback",) if seed % 4 < 2 else ())

    healthy("keys turned on", sound())
    row("share at closing and time constant", "hold 93 %",
        f"{percent(np.mean(held))} of {len(held)}",
        float(np.mean(held)) >= 0.93)  # fmt: skip
    for what, plant, code, _ in KEY_ON:
        check = TELLS[code]
        for uneven in (False, True):
            made = (
                key_on(s, replace(random_wiring(s), tau_s=0.5, **plant),
                       random_bus(s) if uneven else None)
                for s in seeds[: count // 4]
            )  # fmt: skip
            results = ((sense(m.traces if uneven else at_once(m.traces)), (check,)) for m in made)
            # Messages that come rarely cannot show all of it; they must not call it good.
            planted(f"{what}, {'uneven' if uneven else 'even'} bus", code, results,
                    0.0 if uneven else 1.0)  # fmt: skip


def charges(count: int) -> None:
    seeds = range(FIRST, FIRST + count)

    def bus_of(seed: int) -> Bus:
        rng = np.random.default_rng([seed, 5])
        return Bus(
            period_s=float(rng.choice([0.1, 0.2, 0.5])),
            delay_s=float(rng.uniform(0, 0.5)),
            lost=float(rng.choice([0.0, 0.02, 0.05])),
            noise=0.1,
            step=0.1,
            jitter_s=0.004,
        )

    def sound() -> Iterable[tuple[Sensed, tuple[str, ...]]]:
        for seed in seeds:
            rng = np.random.default_rng([seed, 7])
            how = Charge(
                asked_a=float(rng.uniform(10.0, 120.0)),
                reacts_s=float(rng.uniform(0.1, 1.0)),
                gain=float(rng.uniform(0.5, 1.0)),
            )
            yield of(charging_cells(seed, how, bus_of(seed))), CHARGE_CHECKS

    healthy("charges", sound())
    for what, how, code, check in CHARGES:
        results = ((of(charging_cells(s, how, bus_of(s))), (check,)) for s in seeds[: count // 4])
        planted(what, code, results, 1.0)


def around(count: int) -> None:
    seeds = range(FIRST, FIRST + count)
    twins = {}
    for case in AROUND:
        twins[case.check] = case
    for case in twins.values():
        healthy(case.check, ((of(case.make(s, False)), (case.check,)) for s in seeds))
    for case in AROUND:
        results = ((of(case.make(s, True)), (case.check,)) for s in seeds[: count // 4])
        planted(case.name, case.code, results, 1.0)


def main() -> None:
    began = time.time()
    count = 24 if QUICK else 200
    print(f"Seeds from {FIRST}.\n\n| what | bar | reached | |\n|---|---|---|---|")
    key_ons(count)
    charges(count)
    around(count)
    print(f"\n{time.time() - began:.0f} s")


if __name__ == "__main__":
    main()
