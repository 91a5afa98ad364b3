"""How soon a bench test is certain, and how often wrongly: 200 made nodes of each kind.

Run: ``python tests/benchmarks/bench_early.py [KIND...]``; the table stands in README.md beside it.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from support.bench_nodes import (
    BENCH,
    MS,
    SECOND,
    START,
    STATUS,
    UNIT,
    Bench,
    Row,
    good_unit,
    table_of,
)

from busplan.bench.early import look
from busplan.bench.node_report import BenchLimits
from busplan.bench.run import BenchTest

RUNS = 200
SECONDS = 30


def rows_of(kind: str, rng: np.random.Generator) -> list[Row]:
    """Frames of one made node of a kind."""
    bench = Bench(good_unit(1.0))
    rows = bench.rows(SECONDS, int(rng.integers(1 << 30)))
    status = STATUS.identifier
    if kind == "right":
        return rows
    if kind.startswith("slow"):
        by = 1 + float(kind.split()[1]) / 100
        at = np.cumsum(by * 100 * MS + rng.normal(0, 3 * MS, 400))
        mine = [r for r in rows if r.identifier == status]
        moved = [replace(r, time_ns=int(t)) for r, t in zip(mine, at, strict=False)]
        return [r for r in rows if r.identifier != status] + moved
    if kind == "1 % wrong checksums":
        return [
            replace(r, data=r.data[:-1] + bytes([r.data[-1] ^ 0x5A]))
            if r.identifier == status and rng.random() < 0.01
            else r
            for r in rows
        ]
    if kind == "short payload":
        return [replace(r, data=r.data[:-1]) if r.identifier == status else r for r in rows]
    if kind == "one message missing":
        return [r for r in rows if r.identifier != status]
    if kind == "29 bits for 11":
        return [replace(r, flags=r.flags | 1) for r in rows]
    raise ValueError(kind)


KINDS = (
    ("right", None),
    ("slow 10", None),
    ("slow 12", "cycle-time-off"),
    ("slow 15", "cycle-time-off"),
    ("1 % wrong checksums", "checksum-wrong"),
    ("short payload", "payload-short"),
    ("one message missing", "message-missing"),
    ("29 bits for 11", "identifier-width-differs"),
)


def main() -> None:
    """Print one line of the table for each kind."""
    print(f"{'node':24}{'told':>6}{'of':>5}{'median s':>10}{'95 % s':>8}{'worst s':>9}")
    for kind, code in [k for k in KINDS if k[0] in sys.argv[1:]] or KINDS:
        rng = np.random.default_rng(14)
        times = []
        for _ in range(RUNS):
            rows = rows_of(kind, rng)
            test = BenchTest.of(Bench(good_unit()).vehicle(), UNIT, BENCH, BenchLimits())
            whole = table_of(r for r in rows if 0 <= r.time_ns < SECONDS * 1e9)
            for number in range(1, SECONDS + 1):
                upto = int(np.searchsorted(whole.time_ns, START + number * SECOND))
                table = whole.take(slice(upto))
                seen = look(test, table, elapsed_s=number, seconds=SECONDS, number=number)
                if any(code is None or f.code == code for f in seen.certain):
                    times.append(number)
                    break
        shown = (
            f"{np.median(times):10.0f}{np.percentile(times, 95):8.0f}{max(times):9.0f}"
            if times
            else f"{'-':>10}{'-':>8}{'-':>9}"
        )
        print(f"{kind:24}{len(times):6}{RUNS:5}{shown}", flush=True)


if __name__ == "__main__":
    main()
