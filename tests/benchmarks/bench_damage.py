"""Damaged captures and killed first openings: nothing breaks, nothing is lost without a word.

    PYTHONPATH=tests python tests/benchmarks/bench_damage.py [--quick]

1,000 damaged files of all formats through ``busplan measure``, and 40 first openings killed at
random moments, after each of which the capture opens as if nothing had been. Exit code 1 when a bar
is missed. Seeds are fixed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

import numpy as np
from capture.test_formats import rows_for, write
from support.damage import damaged, untold

from busplan.capture import read
from busplan.capture.formats import FORMATS
from busplan.capture.read import read_capture

OPEN = """
import sys
from busplan.capture import read
read.KEPT_FROM = 0
read.read_capture(sys.argv[1])
"""


def damages(count: int, folder: Path) -> int:
    """Damaged files of every format in turn; how many were taken wrongly."""
    rng = np.random.default_rng(2026)
    whole = {}
    for kind in FORMATS:
        path = write(folder / f"whole{kind.suffix}", rows_for(kind))
        whole[kind.suffix] = path.read_bytes(), len(read_capture(path, cache=False).frames)
    wrong: Counter[str] = Counter()
    for number in range(count):
        suffix = FORMATS[number % len(FORMATS)].suffix
        data, frames = whole[suffix]
        path = folder / f"bad{suffix}"
        path.write_bytes(damaged(data, rng))
        if what := untold(path, frames):
            wrong[f"{suffix}: {what}"] += 1
            (folder / f"kept{number}{suffix}").write_bytes(path.read_bytes())
    print(
        f"{count} damaged files of {len(FORMATS)} formats: {wrong.total()} taken wrongly (bar: 0)"
    )
    for what, often in wrong.items():
        print(f"  {often} × {what}")
    return wrong.total()


def kills(count: int, folder: Path) -> int:
    """First openings killed at random moments; how many left something that is not right."""
    path = folder / "x.log"
    lines = (f"({i / 1000:.6f}) can{i % 3} {0x100 + i % 50:03X}#{i:016X}\n" for i in range(400_000))
    path.write_text("".join(lines))
    expected = read_capture(path, cache=False).frames
    rng = np.random.default_rng(40)
    wrong = 0
    for number in range(count):
        cache = folder / f"cache{number}"
        os.environ["BUSPLAN_CACHE_DIR"] = str(cache)
        process = subprocess.Popen([sys.executable, "-c", OPEN, str(path)])
        time.sleep(float(rng.uniform(0.2, 2.5)))
        process.kill()
        process.wait()
        read.KEPT_FROM = 0
        for _ in range(2):  # the second time from what was kept
            found = read_capture(path)
            same = all(
                np.array_equal(getattr(found.frames, n), getattr(expected, n))
                for n in ("time_ns", "identifier", "payload")
            )
            wrong += not same or any(f.code.startswith("capture-cache") for f in found.findings)
    print(f"{count} first openings killed: {wrong} left something wrong (bar: 0)")
    return wrong


def main() -> None:
    """Print every bar with the figure reached."""
    warnings.simplefilter("ignore")
    quick = "--quick" in sys.argv
    with tempfile.TemporaryDirectory() as place:
        bad = damages(70 if quick else 1_000, Path(place))
        bad += kills(3 if quick else 40, Path(place))
    sys.exit(int(bool(bad)))


if __name__ == "__main__":
    main()
