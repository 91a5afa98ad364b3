"""Fleets: frames a processor second, a second worker, memory, size, questions, 200 captures.

    python tests/benchmarks/bench_many_captures.py speed  a large drive; one worker, two
    python tests/benchmarks/bench_many_captures.py questions  made rows
    python tests/benchmarks/bench_many_captures.py years  three vans, three years
    python tests/benchmarks/bench_many_captures.py   all three

Captures are the demo's drives (invented) through the bus simulation, as plain text logs. ``speed``
wants two idle cores. ``years`` plants a cell whose resistance grows, a plan that tells millivolts
and a corrupt file, kills the run in the middle, and holds what comes out against what was planted.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from measuring import in_own_process, largest_size, rows_printed

from busplan.wording import percent

ROOT = Path(__file__).parents[2]
PLAN = ROOT / "dbc_examples/as_built.toml"
DAYS = 1095
GROWTH = {"van-1": (0.05, 0.60), "van-2": (0.0, 0.10), "van-3": (0.0, 0.0)}
"""Cell 53's resistance over an ordinary cell's, less one, on the first and on the last day."""


def drive(
    path: Path, seconds: float, seed: int, *, cells: int = 1, extra: float = 0.0, day: float = 0.0
) -> int:
    """Write a drive as a text log; how many frames."""
    from busplan.capture.textlog import write_textlog
    from busplan.demo import cells as pack_cells
    from busplan.demo.captures import START_NS, by_channel, demo_vehicle
    from busplan.demo.scenes import on_the_road
    from busplan.demo.traffic import make_traffic

    made = pack_cells.make_cells(0.72, cells)
    ohm = made.resistance.copy()
    ohm[pack_cells.WEAK_CELL - 1] = pack_cells.RESISTANCE_OHM * (1 + extra)
    scene = on_the_road(replace(made, resistance=ohm), seconds, seed)
    vehicle = demo_vehicle()
    frames = make_traffic(vehicle, scene, seed, START_NS + round(day * 86_400e9))
    write_textlog(by_channel(frames, vehicle), path)
    return len(frames)


def one_large(folder: Path) -> None:
    """In a process of its own on one core: one capture, hash to row; prints JSON."""
    from busplan.capture.ahead import work_alone
    from busplan.fleet.catalogue import Fleet
    from busplan.fleet.work import work

    work_alone()
    fleet = Fleet.at(str(folder))
    (task,) = fleet.tasks()
    spent = []
    for _ in range(3):
        outcome = work(fleet.place.url, task)
        assert outcome.row, outcome.error
        spent.append(outcome.cpu_s)
    row = outcome.row
    print(
        json.dumps(
            {
                "frames": row["frames"],
                "cpu_s": spent,
                "mb": largest_size(),
                "frames_mb": row["frames_bytes"] / 1e6,
                "raw_mb": row["bytes"] / 1e6,
            }
        )
    )


def added(folder: Path, logs: list[Path], vehicle: str = "van-1", plan: Path = PLAN) -> None:
    """Add captures to a fleet."""
    call = [
        sys.executable,
        "-m",
        "busplan",
        "fleet",
        "add",
        "--fleet",
        folder,
        "--vehicle",
        vehicle,
    ]
    subprocess.run([*call, "--plan", plan, *logs], check=True, stdout=subprocess.DEVNULL)


def pool(folder: Path, workers: int) -> dict[str, float]:
    """Judge a fleet anew: wall clock without starting workers, processor time, largest worker."""
    import psutil

    from busplan.fleet.catalogue import Fleet
    from busplan.fleet.engine import engine
    from busplan.fleet.run import Coordinator, tasks_to_do

    fleet = Fleet.at(str(folder))
    tasks, run = tasks_to_do(fleet, [], again=True)
    largest = 0.0
    start, start_own = time.monotonic(), time.process_time()
    with engine(fleet.place.url, workers, None) as works:
        begin, own = time.monotonic(), time.process_time()
        start, start_own = begin - start, own - start_own
        run = Coordinator(fleet, works, run, again=True).judge(tasks)
        wall, own = time.monotonic() - begin, time.process_time() - own
        for child in psutil.Process().children(recursive=True):
            for line in Path(f"/proc/{child.pid}/status").read_text().splitlines():
                if line.startswith("VmHWM"):
                    largest = max(largest, int(line.split()[1]) / 1e3)
    assert run.whole, run.failed
    return {
        "wall": wall,
        "own": own,
        "cpu": run.cpu_s,
        "frames": run.frames,
        "mb": largest,
        "start": start,
        "start_own": start_own,
    }


def speed(folder: Path, captures: int, seconds: float) -> None:
    """Frames a processor second, and what a second worker brings."""
    large = folder / "large.log"
    drive(large, 1800.0, 1)
    added(folder / "one", [large])
    from busplan.fleet.engine import SETTINGS

    given = SETTINGS["distributed.nanny.pre-spawn-environ"]
    os.environ.update({name: str(value) for name, value in given.items()})  # as a worker has it
    told = in_own_process(__file__, ["one-large", folder / "one"])
    best = told["frames"] / min(told["cpu_s"]) / 1e6
    print(
        f"one drive of {told['frames']:,} frames, {told['raw_mb']:.0f} MB: hash, read, judge, "
        f"write {min(told['cpu_s']):.2f} processor s = {best:.2f} M frames a processor second; "
        f"largest size {told['mb']:.0f} MB; frames file {told['frames_mb']:.1f} MB = "
        f"{percent(told['frames_mb'] / told['raw_mb'])} of the text"
    )
    logs = [folder / f"{n}.log" for n in range(captures)]
    for number, log in enumerate(logs):
        drive(log, seconds, number)
    added(folder / "many", logs)
    rows, walls = [], {}
    for workers in (1, 2, 1, 2):
        found = pool(folder / "many", workers)
        walls.setdefault(workers, []).append(found["wall"])
        rows.append(
            [
                str(workers),
                f"{found['wall']:.1f}",
                f"{found['cpu']:.1f}",
                f"{found['own']:.2f}",
                percent(found["own"] / found["cpu"], 2),
                f"{found['frames'] / found['cpu'] / 1e6:.2f}",
                f"{found['frames'] / found['wall'] / 1e6:.2f}",
                f"{found['mb']:.0f}",
                f"{found['start']:.1f}",
                f"{found['start_own']:.2f}",
            ]
        )
    print(f"\n{captures} drives of {seconds:g} s, the second of each pair is the fair one:")
    shown = ["workers", "wall s", "worker cpu s", "own cpu s", "own", "M/cpu s", "M/s", "worker MB"]
    rows_printed([*shown, "start s", "start own cpu s"], rows)
    print(f"two workers against one: {min(walls[1]) / min(walls[2]):.2f} times (best of two each)")


def questions(folder: Path, counts: list[int]) -> None:
    """Every ready question over made rows, tidied; opening the tables is part of it.

    One file a vehicle, which is what tidying leaves of many small ones.
    """
    sys.path.insert(0, str(ROOT / "tests"))
    from deltalake import write_deltalake
    from support import made_rows

    from busplan.fleet.catalogue import Fleet
    from busplan.fleet.desk import opened
    from busplan.fleet.questions import Asked, answered

    asked = {
        "cell 53, one vehicle": ("cell", Asked("53", ("van-01",))),
        "module M3, one vehicle": ("module", Asked("M3", ("van-01",))),
        "drift, one vehicle": ("drift", Asked(vehicles=("van-01",))),
        "drift, all vehicles": ("drift", Asked()),
        "baseline, all vehicles": ("baseline", Asked()),
        "finding": ("finding", Asked("cell-resistance-high")),
        "load": ("load", Asked()),
        "limit, one signal": ("limit", Asked("Signal07", above=45.0)),
        "part": ("part", Asked("monitor")),
    }
    rows = []
    for count in counts:
        place = folder / f"made-{count}"
        fleet = Fleet.at(str(place), make=True)
        vehicles = 60
        for number in range(vehicles):
            vehicle = f"van-{number + 1:02}"
            drift = {53: 0.55} if number == 0 else {}
            table = made_rows.judgements(vehicle, count // vehicles, number, drift=drift)
            write_deltalake(fleet.judgements.uri, table, mode="append")
        fleet.signals.add(made_rows.signal_rows())
        fleet.judgements.compact(0)
        fleet.captures.add([made_rows.capture_row(f"van-{n + 1:02}") for n in range(vehicles)])
        size = sum(p.stat().st_size for p in place.rglob("*.parquet")) / 1e6
        for name, (question, how) in asked.items():
            spent = []
            for _ in range(6):
                begin, own = time.monotonic(), time.process_time()
                with opened(fleet) as desk:
                    answered(desk, question, how)
                spent.append((time.monotonic() - begin, time.process_time() - own))
            best, own = (min(each) for each in zip(*spent[1:], strict=True))
            first = spent[0][0]
            rows.append(
                [name, f"{count:,}", f"{best:.3f}", f"{own:.3f}", f"{first:.3f}", f"{size:.0f}"]
            )
    rows_printed(["question", "captures", "best s", "cpu s", "first s", "tables MB"], rows)


def years(folder: Path, captures: int, seconds: float) -> None:
    """Three vans over three years, end to end, killed once; what comes out against truth."""
    from deltalake import DeltaTable

    from busplan.fleet.catalogue import Fleet
    from busplan.fleet.desk import opened
    from busplan.fleet.questions import Asked, answered

    millivolts = folder / "millivolts"
    shutil.copytree(PLAN.parent, millivolts)
    dbc = millivolts / "monitor.dbc"
    dbc.write_text(dbc.read_text().replace('(0.001,0) [0|5] "V"', '(1,0) [0|5000] "mV"'))
    rng, frames = np.random.default_rng(7), 0
    place = folder / "years"
    truth: dict[str, float] = {}
    made: dict[tuple[str, Path], list[Path]] = {}
    for number in range(captures):
        vehicle = f"van-{number % 3 + 1}"
        day = DAYS * number / captures
        first, last = GROWTH[vehicle]
        log = folder / f"{number}.log"
        extra = first + (last - first) * day / DAYS
        truth[str(log)] = extra
        frames += drive(
            log,
            seconds * rng.uniform(0.7, 1.3),
            number,
            cells=1000 + number % 3,
            extra=extra,
            day=day,
        )
        other = vehicle == "van-3" and day > 500
        made.setdefault((vehicle, millivolts / "as_built.toml" if other else PLAN), []).append(log)
    corrupt = folder / "corrupt.log"
    corrupt.write_bytes(rng.integers(0, 256, 100_000, np.uint8).tobytes())
    made["van-1", PLAN].append(corrupt)
    for (vehicle, plan), logs in made.items():
        added(place, logs, vehicle, plan)
    call = [sys.executable, "-m", "busplan", "fleet", "judge", "--json", "--fleet", str(place)]
    begin = time.monotonic()
    process = subprocess.Popen(call, stdout=subprocess.DEVNULL)
    while len(list(place.glob("frames/*/*.parquet"))) < captures // 3:
        time.sleep(0.1)
    process.kill()
    process.wait()
    before = len(DeltaTable(place / "judgements").to_pyarrow_table(columns=["run_key"]))
    told = json.loads(subprocess.run(call, check=True, capture_output=True, text=True).stdout)
    rows = DeltaTable(place / "judgements").to_pyarrow_table().to_pylist()
    print(
        f"{captures} captures and a corrupt one, {frames:,} frames in "
        f"{time.monotonic() - begin:.0f} s; killed with {before} rows; then {told['judged']} more, "
        f"{len(told['refused'])} refused"
    )
    assert len(rows) == captures + 1 == len({r["run_key"] for r in rows})
    assert sum(r["frames"] or 0 for r in rows) == frames
    off = [
        r["cells"]["against_peers"][52] - truth[r["uri"]]
        for r in rows
        if r["state"] == "judged" and r["cells"]["against_peers"][52] is not None
    ]
    print(
        f"cell 53 against truth: {percent(np.sqrt(np.mean(np.square(off))), 3)} rms in "
        f"{len(off)} captures"
    )
    with opened(Fleet.at(str(place))) as desk:
        for line in answered(desk, "drift", Asked()).says:
            print(line)
        top = desk.ask("SELECT max(\"max\") AS v FROM stats WHERE signal LIKE '%CellVoltage%'")
        print(f"highest cell ever, over both plans: {top['v'][0].as_py():.3f} V")


def main() -> None:
    """Run what was asked."""
    if sys.argv[1:2] == ["one-large"]:
        one_large(Path(sys.argv[2]))
        return
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="*", default=["speed", "questions", "years"])
    parser.add_argument("--captures", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--rows", type=int, nargs="*", default=[2_000, 200_000])
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bench-fleet-") as made:
        folder = Path(made)
        os.environ["BUSPLAN_CACHE_DIR"] = str(folder / "cache")
        if "speed" in asked.what:
            speed(folder, asked.captures or 16, asked.seconds)
        if "questions" in asked.what:
            questions(folder, asked.rows)
        if "years" in asked.what:
            years(folder, asked.captures or 200, min(asked.seconds, 150.0))


if __name__ == "__main__":
    main()
