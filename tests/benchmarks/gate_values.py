"""The critical values of the gate over peers, by simulation; prints the table ``GATES`` anew.

Run by hand: ``python tests/benchmarks/gate_values.py [packs]``. Each made pack has normal values
whose scatter σ is spread as the prior of ``deviates`` says, σ² = 8 σ₀² / χ²(8), σ₀ the usual one.
Beside each value: the rate at which it is passed when every pack's scatter is exactly the usual
one, one and a half times and half of it, and how often six times the usual scatter is found.
"""

from __future__ import annotations

import sys

import numpy as np

from busplan.pack.statistics import FALSE_ALARM, PRIOR_WEIGHT, others_of
from busplan.wording import percent

COUNTS = (3, 4, 6, 8, 12, 16, 24, 48, 96, 200, 400)


def furthest(values: np.ndarray, one: bool = False) -> np.ndarray:
    """The largest distance in each pack, or the first cell's."""
    rows = max(400_000 // values.shape[1] ** 2, 1)
    far = []
    for start in range(0, len(values), rows):
        part = values[start : start + rows]
        centre, scatter = others_of(part, 1.0)
        away = np.abs(part - centre) / scatter
        far.append(away[:, 0] if one else away.max(axis=1))
    return np.concatenate(far)


def main() -> None:
    packs = int(sys.argv[1]) if len(sys.argv) > 1 else 40_000
    print("| peers | value | rate at σ₀ | at 1.5 σ₀ | at σ₀ / 2 | 6 σ₀ found |")
    print("|---|---|---|---|---|---|")
    for count in COUNTS:
        rng = np.random.default_rng([count, 7])
        sets = max(packs // max(count // 24, 1), 4000)
        normal = rng.normal(size=(sets, count))
        scatter = np.sqrt(PRIOR_WEIGHT / rng.chisquare(PRIOR_WEIGHT, size=sets))
        value = float(np.quantile(furthest(normal * scatter[:, None]), 1.0 - FALSE_ALARM))
        part = normal[:4000]
        rates = [(furthest(part * size) > value).mean() for size in (1.0, 1.5, 0.5)]
        part = part.copy()
        part[:, 0] += 6.0
        found = (furthest(part, one=True) > value).mean()
        shown = " | ".join(percent(rate, 2) for rate in rates)
        print(f"| {count} | {value:.2f} | {shown} | {percent(found, 0)} |", flush=True)


if __name__ == "__main__":
    main()
