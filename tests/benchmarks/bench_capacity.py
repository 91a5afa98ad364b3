"""Monte-Carlo check of capacity, self-discharge and the quiet on healthy drives with short stops.

Run by hand: ``python tests/benchmarks/bench_capacity.py [--quick] [--final]``. Prints a table in
Markdown, every bar with the figure that was reached. Packs come from ``tests/truth``: circuits
(free Thevenin cells) and solved cells. ``--final`` takes the seeds from 920000 on and a kind of
cell (Mohtat2020) by which nothing was set. A run before, from 900000 on, had shown that such cells
which lost 5 % of their lithium were not refused; the limit was then set by the other kind.

Held for: voltage steps of 1 mV, noise of 0.4 mV, a value a second (charges), every 10 s (rests) or
every 0.1 s (drives), frames 0 to 300 ms late; 24 cells (solved rests 12, drives 96) that scatter by
0.8 % (solved: 1.5 %) in capacity and 5 % in resistance; charges of 0.4C with a taper.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth import cell_packs, solved_cells
from truth.as_series import pack_series
from truth.thevenin import make_cells

from busplan.answers import Answer
from busplan.pack.capacity import WEAK, Capacity, fit_capacity
from busplan.pack.report import evaluate_pack
from busplan.pack.self_discharge import fit_self_discharge
from busplan.wording import percent

QUICK, FINAL = "--quick" in sys.argv, "--final" in sys.argv
FIRST = 920_000 if FINAL else 1_000
KIND = "mohtat" if FINAL else "chen"
NONE: frozenset[tuple[str, int]] = frozenset()
ODD = 3
"""The cell that differs, in every pack that has one."""
WINDOWS: dict[str, dict[str, Any]] = {
    "4 to 100 %": {"from_charge": 0.04},
    "22 to 100 %": {},
    "22 to 70 %": {"to_charge": 0.7},
}


def row(what: str, bar: str, reached: str, met: bool) -> None:
    print(f"| {what} | {bar} | {reached} | {'met' if met else '**missed**'} |", flush=True)


def capacity_of(pack: Any, chemistry: str = "NMC") -> Capacity:
    series, layout = pack_series(pack, chemistry=chemistry)
    found = fit_capacity(series, NONE, layout, pack.step_v)
    assert found is not None
    return found


def circuits(seed: int, weak: float | None, window: dict[str, Any]) -> Any:
    side = "top" if seed % 2 or "from_charge" in window else "bottom"
    cells = None
    if weak:
        # The cell ends at this part of the middle one's capacity, whatever its own scatter.
        own = make_cells(seed, 24).capacity_ah
        cells = {ODD: weak * float(np.median(own)) / float(own[ODD])}
    return cell_packs.charging(seed, weak=cells, weak_aligned=side, **window)


def solved(seed: int, weak: float | None, window: dict[str, Any]) -> Any:
    top = "from_charge" not in window and (weak == 0.8 or seed % 2 == 0)
    side = "top" if top else "bottom"
    cells = {ODD: weak} if weak else None
    return solved_cells.charging(seed, cell=KIND, weak=cells, aligned=side, **window)


def capacities(packs: int) -> None:
    for make in (circuits, solved):
        for name, window in WINDOWS.items():
            for weak in (None, 0.95, 0.9, 0.8):
                if weak == 0.8 and (make is circuits or "from_charge" in window):
                    continue  # the solved pool has such cells for charges from 22 % alone
                held, found, accused, good, errors, widths, spans = [], [], 0, 0, [], [], []
                praised = 0
                for seed in range(FIRST, FIRST + packs):
                    pack = make(seed, weak, window)
                    told = capacity_of(pack)
                    true = pack.capacity_ah / np.median(pack.capacity_ah)
                    known = told.told
                    inside = np.array(
                        [t in i for t, i in zip(true, told.intervals, strict=True)], np.bool_
                    )
                    held += inside[known].tolist()
                    errors += (told.relative - true)[known].tolist()
                    widths += told.uncertainty[known].tolist()
                    spans.append(told.window)
                    accused += sum(true[i] >= WEAK for i in told.weak)
                    good += sum(
                        a is Answer.GOOD and not known[i] for i, a in enumerate(told.answers)
                    )
                    if weak:
                        found.append(told.answers[ODD] is Answer.BAD)
                        praised += told.answers[ODD] is Answer.GOOD
                what = f"capacity, {make.__name__}, {name} ({percent(np.median(spans), 0)} used)"
                share, rms = float(np.mean(held)), 100 * float(np.sqrt(np.mean(np.square(errors))))
                tail = f"error {rms:.2f} %, u {percent(float(np.median(widths)), 2)}"
                if weak == 0.8:
                    # So far away it is often refused for its shape; it must not be called good.
                    reached = (
                        f"{percent(np.mean(found), 0)} found, {praised} called good, "
                        f"{percent(share)} hold"
                    )
                    row(
                        f"{what}, {percent(weak - 1, 0, sign=True)}",
                        "never good",
                        reached,
                        not praised,
                    )
                elif weak:
                    rate = float(np.mean(found))
                    bar = "found 95 %, hold 93 %"
                    reached = (
                        f"{percent(rate, 0)} found, {percent(share)} hold, {accused} others; {tail}"
                    )
                    met = rate >= 0.95 and share >= 0.93 and not good
                    row(f"{what}, {percent(weak - 1, 0, sign=True)}", bar, reached, met)
                else:
                    reached = f"{percent(share)} hold, {accused} accused in {packs} packs; {tail}"
                    row(f"{what}, healthy", "hold 93 %", reached, share >= 0.93)


def refusals(packs: int) -> None:
    cases: list[tuple[str, Callable[[int], Any], str, bool]] = [
        ("5 mV steps", lambda s: cell_packs.charging(s, step_v=0.005), "NMC", True),
        ("LFP", lambda s: solved_cells.charging(s, cell="prada"), "own", True),
        (
            "30 to 50 %",
            lambda s: cell_packs.charging(s, from_charge=0.3, to_charge=0.5),
            "NMC",
            True,
        ),
    ]
    for lost in (0.05, 0.1):
        for name in ("22 to 100 %", "22 to 70 %"):
            cases.append(
                (
                    f"lithium lost {percent(lost, 0)}, {name}",
                    lambda s, lost=lost, name=name: solved_cells.charging(
                        s, cell=KIND, lithium_lost={ODD: lost}, **WINDOWS[name]
                    ),
                    "NMC",
                    False,
                )
            )
    for name, make, chemistry, whole in cases:
        refused = good = 0
        for seed in range(FIRST, FIRST + packs):
            answers = capacity_of(make(seed), chemistry).answers
            these = answers if whole else answers[ODD : ODD + 1]
            refused += all(a is Answer.NOT_SHOWN for a in these)
            good += any(a is Answer.GOOD for a in these)
        row(f"refused: {name}", "all, none good", f"{refused} of {packs}, {good} good",
            refused == packs)  # fmt: skip


def rests(packs: int) -> None:
    # At least what is promised: 0.57 and 0.62 mV/h (Chen, Mohtat) in 3 h, 0.57 and 0.36 in 6 h.
    solved_loss = {3.0: 100.0 if FINAL else 60.0, 6.0: 60.0}
    for hours, loss in ((3.0, 0.5), (6.0, 0.3)):
        makes: list[tuple[str, Callable[[int, bool], Any]]] = [
            (
                f"circuits, {loss} mV/h",
                lambda s, odd, h=hours, x=loss: cell_packs.rest(
                    s, hours=h, loses_mv_h={ODD: x} if odd else None
                ),
            ),
            (
                f"solved, {solved_loss[hours]:.0f} mA",
                lambda s, odd, h=hours: solved_cells.rest(
                    s, cell=KIND, hours=h, leak_ma={ODD: solved_loss[h]} if odd else None
                ),
            ),
        ]
        for name, make in makes:
            found, held, accused, limit = [], [], 0, []
            for seed in range(FIRST, FIRST + packs):
                for odd in (False, True):
                    if odd and seed >= FIRST + packs // 3:
                        continue
                    pack = make(seed, odd)
                    told = fit_self_discharge(pack_series(pack)[0], NONE, pack.step_v)
                    assert told is not None
                    true = np.median(pack.leak_mv_h) - pack.leak_mv_h
                    held += [t in i for t, i in zip(true, told.intervals, strict=True)]
                    losing = set(told.losing.tolist())
                    accused += bool(losing - ({ODD} if odd else set()))
                    limit.append(float(np.median(told.limit_mv_h)))
                    if odd:
                        found.append(ODD in losing)
            share, rate = float(np.mean(held)), float(np.mean(found))
            row(
                f"self-discharge, {name} in {hours:.0f} h",
                "found, none false, hold 93 %",
                f"{percent(rate, 0)} of {packs // 3} found, {accused} false packs in "
                f"{packs + packs // 3}, {percent(share)} hold; limit {np.median(limit):.2f} mV/h",
                rate >= 0.95 and accused == 0 and share >= 0.93,
            )


def drives(packs: int) -> None:
    codes: Counter[str] = Counter()
    accused = 0
    for seed in range(FIRST, FIRST + packs):
        pack = cell_packs.drive(seed, stops=True, rest_s=60.0 if seed % 2 else 0.0)
        findings = evaluate_pack(*pack_series(pack)).findings
        accused += bool(findings)
        codes.update(f.code for f in findings)
    told = ", ".join(f"{n} {code}" for code, n in codes.items()) or "no finding"
    row("healthy drives with short stops", "no finding of any kind in 60",
        f"{accused} of {packs} packs: {told}", not accused)  # fmt: skip


def main() -> None:
    began = time.time()
    many = (4, 4, 9, 8) if QUICK else (20, 12, 78, 60)
    print(
        f"Seeds from {FIRST}, solved cells {KIND}.\n\n| what | bar | reached | |\n|---|---|---|---|"
    )
    capacities(many[0])
    refusals(many[1])
    rests(many[2])
    drives(many[3])
    print(f"\n{time.time() - began:.0f} s")


if __name__ == "__main__":
    main()
