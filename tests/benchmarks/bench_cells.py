"""Do the resistances of cells and the joints keep what is promised? Bars and figures reached.

Run by hand: ``python tests/benchmarks/bench_cells.py [--quick] [--final]``. ``--quick`` takes a
tenth of the packs; ``--final`` the seeds from 900 000 on and the solved cells (Mohtat 2020) that
nothing was tuned on: to be run once.

Truths: free Thevenin cells (``tests/truth/thevenin.py``), cells solved by PyBaMM
(``tests/truth/solved_cells.py``). Unless a row says otherwise: ten minutes, up to 300 A at 100 Ah,
steps of 2 to 18 s, voltages every 0.1 s in steps of 1 mV with 0.4 mV of noise, current every 10 ms,
frames late by 0 to 300 ms, elements scattered by 5 %; 48 cells for intervals, 96 for verdicts, 24
solved ones.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth import cell_packs, solved_cells
from truth.as_series import pack_series
from truth.cell_packs import CellPack

from busplan.pack.resistance import Resistance, fit_resistance

LIMIT_V = 0.05
Make = Callable[[int], CellPack]


def fitted(pack: CellPack) -> Resistance:
    """The judge's own way through, without the rest of the report."""
    series, layout = pack_series(pack)
    module = np.array([layout.modules.index(c.module) for c in layout.cells])
    warm = np.median(pack.temperature, axis=(0, 2))[module]
    return fit_resistance(
        series.cells,
        series.quantities["current"],
        pack.step_v,
        temperature_c=warm,
        module=module,
        at_a=100.0,
    )


class Row:
    """What many packs of one kind gave."""

    def __init__(self, make: Make, seeds: range) -> None:
        self.bias: dict[float, list[float]] = {1.0: [], 10.0: []}
        self.absolute: dict[float, list[float]] = {1.0: [], 10.0: []}
        self.relative: dict[float, list[float]] = {1.0: [], 10.0: []}
        self.width: dict[float, list[float]] = {1.0: [], 10.0: []}
        self.delays: list[float] = []
        self.named: list[list[int]] = []
        self.refused = 0
        for seed in seeds:
            self._add(make(seed))

    def _add(self, pack: CellPack) -> None:
        found = fitted(pack)
        for scale in found.scales:
            if not scale.shown:
                self.refused += 1
                continue
            after, half = scale.after_s, scale.factor
            true, ratio = pack.resistance(after), pack.relative(after)
            self.bias[after].append(float(np.median(scale.value / true) - 1))
            inside = np.abs(scale.value - true) <= half * scale.uncertainty
            self.absolute[after].append(float(inside.mean()))
            inside = np.abs(scale.relative - ratio) <= half * scale.relative_uncertainty
            self.relative[after].append(float(inside.mean()))
            self.width[after].append(half * float(np.median(scale.relative_uncertainty)))
        for delay in found.delays:
            self.delays.append(delay.delay_s - pack.delay_s[delay.cells[0] // pack.per_frame])
        whole = [-1 - m for m in found.raised_modules(LIMIT_V)]
        self.named.append([*whole, *map(int, found.raised(LIMIT_V))])

    def found(self, cell: int) -> float:
        return float(np.mean([cell in named for named in self.named]))

    def false(self, *cells: int) -> int:
        return sum(bool(set(named) - set(cells)) for named in self.named)

    def line(self, name: str) -> str:
        told = []
        for after in (1.0, 10.0):
            if not self.bias[after]:
                told.append("not shown")
                continue
            told.append(
                f"{np.mean(self.bias[after]):+.1%} ± {np.std(self.bias[after]):.1%}, "
                f"{np.mean(self.absolute[after]):.3f}, ± {np.mean(self.width[after]):.1%}, "
                f"{np.mean(self.relative[after]):.3f}"
            )
        late = np.array(self.delays) * 1e3
        off = f"{late.mean():+.0f} ({np.abs(late).max():.0f})"
        return f"| {name} | {len(self.named)} | {' | '.join(told)} | {off} | {self.false()} |"


def intervals(count: int, first: int, final: bool) -> list[str]:
    """Coverage of the intervals and errors of the delays, kind by kind."""
    cells = 48
    kinds: dict[str, Make] = {
        "relaxations 0.5-3, 3-30, 30-200 s": lambda s: cell_packs.drive(s, cells=cells),
        "short stops": lambda s: cell_packs.drive(s, cells=cells, stops=True),
        "1 and 20 s": lambda s: cell_packs.drive(s, cells=cells, tau_s=((1, 1.01), (20, 20.1))),
        "8 and 40 s": lambda s: cell_packs.drive(s, cells=cells, tau_s=((8, 8.1), (40, 40.1))),
        "voltages every 1 s": lambda s: cell_packs.drive(s, cells=cells, period_s=1.0),
        "steps of 5 mV": lambda s: cell_packs.drive(s, cells=cells, step_v=0.005),
        "current every 0.1 s": lambda s: cell_packs.drive(s, cells=cells, current_hz=10.0),
        "up to 60 A": lambda s: cell_packs.drive(s, cells=cells, peak_a=60.0),
        "five minutes": lambda s: cell_packs.drive(s, cells=cells, minutes=5.0),
        "one minute": lambda s: cell_packs.drive(s, cells=cells, minutes=1.0),
        "monitor filter 0.5 s": lambda s: cell_packs.drive(s, cells=cells, filter_s=0.5),
        "solved cells (Chen 2020)": lambda s: solved_cells.drive(s),
        "same, raised 15, 30, 50 %": lambda s: solved_cells.drive(
            s, raised={5: 1.3, 9: 1.5, 14: 1.15}
        ),
        "same, a module 12 K colder": lambda s: solved_cells.drive(s, cold=(1,)),
    }
    if final:
        kinds["solved cells, held out (Mohtat 2020)"] = lambda s: solved_cells.drive(
            s, cell="mohtat"
        )
    print("R at 1 s and 10 s: bias, absolute intervals hold, relative 95 % half-width, hold")
    print("| cells | packs | 1 s | 10 s | delay error, mean (largest) ms | false packs |")
    print("|---|---|---|---|---|---|")
    rows = {}
    for name, make in kinds.items():
        rows[name] = Row(make, range(first, first + count))
        print(rows[name].line(name), flush=True)
    bars = []
    for after in (1.0, 10.0):
        for kind, word in (("relative", "relative"), ("absolute", "absolute")):
            told = {
                "Thevenin": [n for n in rows if "solved" not in n and "same" not in n],
                "solved": [n for n in rows if "solved" in n or "same" in n],
            }
            for truth, names in told.items():
                each = [x for n in names for x in getattr(rows[n], kind)[after]]
                worst = min(
                    float(np.mean(x)) for n in names if (x := getattr(rows[n], kind)[after])
                )
                top = " to 0.999" if kind == "relative" else ""
                bars.append(
                    f"{word} at {after:g} s, {truth}: {np.mean(each):.4f} over all, least kind "
                    f"{worst:.3f} (bar 0.93{top})"
                )
    ordinary = [n for n in rows if "filter" not in n]
    late = np.abs([d for n in ordinary for d in rows[n].delays]) * 1e3
    part = np.mean(late <= 25)
    bars.append(f"delays to ± 25 ms: {part:.4f}, largest error {late.max():.0f} ms")
    return bars


def verdicts(count: int, first: int) -> list[str]:
    """Raised cells found, healthy packs accused."""
    kinds: dict[str, tuple[Make, tuple[int, ...]]] = {
        "+50 %": (lambda s: cell_packs.drive(s, raised={52: 1.5}), (52,)),
        "+30 %": (lambda s: cell_packs.drive(s, raised={52: 1.3}), (52,)),
        "+30 %, a module 12 K colder": (
            lambda s: cell_packs.drive(s, raised={52: 1.3}, cold={3: 12.0}),
            (52,),
        ),
        "healthy, short stops": (lambda s: cell_packs.drive(s, stops=True), ()),
        "healthy, a module 12 K colder": (lambda s: cell_packs.drive(s, cold={3: 12.0}), ()),
        "healthy, a module 20 K colder": (lambda s: cell_packs.drive(s, cold={3: 20.0}), ()),
        "healthy, 12 K from end to end": (lambda s: cell_packs.drive(s, slope_k=12.0), ()),
        "healthy, elements scattered by 8 %": (lambda s: cell_packs.drive(s, scatter=0.08), ()),
    }
    bars = []
    for name, (make, cells) in kinds.items():
        packs = 2 * count if "colder" in name and not cells else count
        row = Row(make, range(first + 500, first + 500 + packs))
        text = f"{name}: false packs {row.false(*cells)} of {packs}"
        if cells:
            text += f", found {row.found(cells[0]):.3f}"
        bars.append(text)
        print(text, flush=True)
    return bars


def speed() -> str:
    """400 cells, 30 minutes at 10 Hz."""
    pack = cell_packs.drive(2, cells=400, minutes=30.0)
    fitted(cell_packs.drive(2, cells=8, minutes=2.0))
    begin = time.perf_counter()
    spent = time.process_time()
    fitted(pack)
    return (
        f"400 cells x 30 min x 10 Hz: {time.perf_counter() - begin:.2f} s, "
        f"{time.process_time() - spent:.2f} s of processor (bar 3 s)"
    )


def main(words: list[str]) -> None:
    quick, final = "--quick" in words, "--final" in words
    first = 900_000 if final else 100
    scale = 0.1 if quick else 1.0
    bars: list[Any] = [speed()]
    print(bars[0], flush=True)
    bars += intervals(max(int(16 * scale), 3), first, final)
    bars += verdicts(max(int(40 * scale), 8), first)
    print("\nBars")
    for bar in bars:
        print(f"* {bar}")


if __name__ == "__main__":
    main(sys.argv[1:])
