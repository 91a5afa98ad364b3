"""Monte-Carlo check of the warm-up test: how often it finds a module with too little flow.

Run by hand: ``python tests/benchmarks/bench_pack.py [trials]``. Prints tables in Markdown.

Each trial is a made pack, independent of the project's own model (closed form, see
``support/packs.py``): one sensor a module, flows scattered by 5 %, each sensor off by its own
0.2 K, noise of 0.1 K, start temperatures scattered by 0.3 K, readings rounded to 0.5 or 1 °C, the
liquid's too. One module gets less flow. *Detected*: it is called slow or without flow. *False
alarm*: in that pack, any other module is (the rate is per test, not per module). At 100 % flow
nothing is wrong with the chosen module either.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.packs import module_temperatures, rounded

from busplan.pack.series import Trace, sample
from busplan.pack.thermal_span import cut_thermal_span
from busplan.pack.warm_up import ModuleVerdict, WarmUp, WarmUpState, judge_warm_up

BAD = (ModuleVerdict.SLOW, ModuleVerdict.NO_FLOW)
PERIOD_S = 2.0


def trial(
    rng: np.random.Generator, modules: int, step: float, minutes: float, flow: float, known: bool
) -> tuple[bool, bool, WarmUpState]:
    """Whether the lame module was found, whether another one was accused, and the state."""
    flows = np.clip(1 + 0.05 * rng.normal(size=modules), 0.85, 1.15)
    lame = int(rng.integers(modules))
    flows[lame] = flow * flows[lame]
    seconds, liquid, ideal = module_temperatures(
        minutes,
        flows,
        sensors=1,
        step=0.0,
        noise=0.1,
        period=PERIOD_S,
        rng=rng,
        start=14.0 + rng.uniform(-0.5, 0.5),
    )
    offsets = 0.2 * rng.normal(size=modules) + 0.3 * rng.normal(size=modules) * np.exp(
        -seconds[:, None] * flows / 900
    )
    values = rounded(ideal + offsets, step)
    traces = [Trace(seconds, v, step) for v in values.T]
    inlet = Trace(seconds, rounded(liquid, step), step) if known else None
    span = cut_thermal_span(sample(traces, seconds), inlet, 0.0, minutes * 60.0)
    names = [str(i) for i in range(modules)]
    result: WarmUp = judge_warm_up(span, names, names, [1] * modules, step)
    bad = [m.verdict in BAD for m in result.modules]
    return bad[lame], any(b for i, b in enumerate(bad) if i != lame), result.state


def rates(
    trials: int, modules: int, step: float, minutes: float, flow: float, known: bool = True
) -> tuple[float, float, float]:
    """Shares of detected, false alarms, and tests that said they allow a judgement."""
    rng = np.random.default_rng([modules, int(step * 10), int(minutes * 10), int(flow * 100)])
    results = [trial(rng, modules, step, minutes, flow, known) for _ in range(trials)]
    found, alarm, judged = (
        sum(r[0] for r in results),
        sum(r[1] for r in results),
        sum(r[2] is WarmUpState.JUDGED for r in results),
    )
    return found / trials, alarm / trials, judged / trials


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    begin = time.perf_counter()
    flows = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
    alarms = 0.0
    tests = 0
    print(f"Detected, {trials} packs of 48 modules each; in brackets: tests that allow a judgement")
    print("| step | minutes | " + " | ".join(f"{f:.0%} flow" for f in flows) + " | false alarms |")
    print("|---|---|" + "---|" * (len(flows) + 1))
    for step in (0.5, 1.0):
        for minutes in (3, 5, 10, 20):
            cells, wrong = [], 0.0
            for flow in flows:
                found, alarm, judged = rates(trials, 48, step, minutes, flow)
                cells.append(f"{found:.0%} ({judged:.0%})")
                wrong += alarm / len(flows)
                alarms += alarm * trials
                tests += trials
            print(
                f"| {step:g} °C | {minutes} | " + " | ".join(cells) + f" | {wrong:.1%} |",
                flush=True,
            )
    print(f"\nAt 40 % flow and 10 minutes, {3 * trials} packs each")
    print(
        "| modules | step | liquid temperature | detected | false alarms |\n|---|---|---|---|---|"
    )
    for modules in (8, 12, 48, 200):
        for step in (0.5, 1.0):
            for known in (True, False):
                found, alarm, _ = rates(3 * trials, modules, step, 10, 0.4, known)
                alarms += alarm * 3 * trials
                tests += 3 * trials
                word = "mapped" if known else "not mapped"
                print(
                    f"| {modules} | {step:g} °C | {word} | {found:.1%} | {alarm:.1%} |", flush=True
                )
    spent = time.perf_counter() - begin
    print(f"\n{alarms:.0f} false alarms in {tests} tests; {spent / tests * 1e3:.0f} ms a test")


if __name__ == "__main__":
    main()
