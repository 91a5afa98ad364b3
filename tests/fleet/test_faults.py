"""Real processes, killed and starved: nothing is lost and nothing stands twice."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pyarrow.parquet as pq
import pytest
from deltalake import DeltaTable
from support import small_fleet
from support.killer import work_that_kills

from busplan.fleet import upkeep
from busplan.fleet.catalogue import Fleet
from busplan.fleet.engine import InThisProcess, engine
from busplan.fleet.run import Coordinator, Run, tasks_to_do
from busplan.fleet.work import Outcome, Task

CAPTURES, FRAMES = 16, 2000
HUNG_S = 900
"""Nothing is timed: only what hangs for good takes so long, on however slow a machine."""


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return small_fleet.make(tmp_path, CAPTURES, FRAMES)


def started(fleet: Fleet, *words: str) -> subprocess.Popen[str]:
    call = [sys.executable, "-m", "busplan", "fleet", "judge", "--json", *words]
    return subprocess.Popen(
        call,
        env=os.environ
        | {"BUSPLAN_FLEET": fleet.place.url, "PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def ended(process: subprocess.Popen[str]) -> tuple[int, dict[str, Any], str]:
    out, err = process.communicate(timeout=HUNG_S)
    assert "Traceback" not in err
    return process.returncode, json.loads(out or "{}"), err


def until(true: Callable[[], object], running: subprocess.Popen[str] | None = None) -> None:
    """Wait until it is true, as long as a run goes on; without an end only a hang would be."""
    give_up = time.monotonic() + HUNG_S
    while not true():
        assert running is None or running.poll() is None, running.communicate()
        assert time.monotonic() < give_up
        time.sleep(0.02)


def written(fleet: Fleet) -> list[Path]:
    return list(Path(fleet.place.url).glob("frames/*/*.parquet"))


def check_all_once(fleet: Fleet) -> None:
    """Every capture has one row, its frames are as many as were made, and no file is left over."""
    rows = DeltaTable(f"{fleet.place.url}/judgements").to_pyarrow_table().to_pylist()
    assert len(rows) == CAPTURES == len({r["run_key"] for r in rows})
    assert {r["frames"] for r in rows} == {FRAMES}
    named = {Path(fleet.place.url, r["frames_file"]) for r in rows}
    assert set(written(fleet)) == named
    assert all(pq.read_metadata(p).num_rows == FRAMES for p in named)
    assert not list(Path(fleet.place.url, "leases").iterdir())
    # Whoever is killed while writing leaves a part of a file: tidying sweeps it, once it is old.
    Path(fleet.place.url, "frames", "vehicle=cart-1", ".left.parquet.made.part").touch()
    for part in Path(fleet.place.url).rglob("*.part"):
        os.utime(part, (1e9, 1e9))
    upkeep.tidy(fleet)
    assert not list(Path(fleet.place.url).rglob("*.part"))
    assert set(written(fleet)) == named


def workers_of(process: subprocess.Popen[str]) -> list[psutil.Process]:
    return psutil.Process(process.pid).children(recursive=True)


def test_a_killed_and_a_stopped_run_go_on_and_two_runs_share_what_is_left(fleet: Fleet) -> None:
    process = started(fleet, "--workers", "2")
    until(lambda: written(fleet), process)
    helpers = workers_of(process)
    process.kill()
    process.communicate()
    until(lambda: not any(p.is_running() and p.status() != "zombie" for p in helpers))
    left_over = len(written(fleet))
    assert left_over < CAPTURES

    process = started(fleet, "--workers", "1")
    until(lambda: len(written(fleet)) > max(left_over, 2), process)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all of them
    out, err = process.communicate(timeout=HUNG_S)
    assert (process.returncode, out, err.strip()) == (130, "", "busplan: stopped")
    known = fleet.judgements.rows(["run_key"]).num_rows
    assert 2 <= known < CAPTURES

    both = [started(fleet, "--workers", "1") for _ in range(2)]
    told = [ended(each) for each in both]
    assert [code for code, _, _ in told] == [0, 0]
    assert [t["error"] for _, t, _ in told] == ["", ""]
    assert sum(t["judged"] for _, t, _ in told) == CAPTURES - known
    # Shared, not done twice: a run counts the frames of whatever it has worked on.
    assert sum(t["frames"] for _, t, _ in told) == (CAPTURES - known) * FRAMES
    check_all_once(fleet)


def test_a_killed_worker_is_replaced_and_only_a_capture_that_kills_them_all_is_named(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("busplan.fleet.engine.work_as_worker", work_that_kills)
    tasks, run = tasks_to_do(fleet, [], again=False)
    with engine(fleet.place.url, 2, None) as works:
        Coordinator(fleet, works, run).judge(sorted(tasks, key=lambda t: t.name))
    (((name, why),), error) = run.failed, run.error
    assert (Path(name).name, error) == ("0.log", "")
    assert why == "every worker that judged it died (3 of them); look at its size"
    assert run.judged == CAPTURES - 1
    assert not run.whole
    assert capfd.readouterr().err == ""
    assert in_process(fleet, InThisProcess(fleet.place.url)).judged == 1
    check_all_once(fleet)


@contextmanager
def small_disk(place: Path, size: str) -> Iterator[None]:
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", place],
        capture_output=True,
        check=False,
    )
    if made.returncode:
        pytest.skip("a small disk needs root")
    try:
        yield
    finally:
        subprocess.run(["umount", place], check=False)


def test_a_full_disk_costs_nothing_but_time(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    disk = tmp_path / "disk"
    with small_disk(disk, "50m"):
        fleet = small_fleet.make(tmp_path, CAPTURES, FRAMES, disk / "fleet")
        used = psutil.disk_usage(str(disk)).used // 1024
        judged = []
        for room in (8, 60, 120, 200, 204, 208, 216):
            # Less room than frames and a commit need: what does not fit is not there at all.
            subprocess.run(["mount", "-o", f"remount,size={used + room}k", disk], check=True)
            run = in_process(fleet, InThisProcess(fleet.place.url))
            assert "pace" in (run.error or run.failed[0][1])
            judged.append(len(fleet.judgements.rows(["run_key"])))
        assert judged == sorted(judged)
        subprocess.run(["mount", "-o", "remount,size=50m", disk], check=True)
        assert in_process(fleet, InThisProcess(fleet.place.url)).whole
        check_all_once(fleet)
    assert "panicked" not in capfd.readouterr().err


def in_process(fleet: Fleet, engine: InThisProcess) -> Run:
    tasks, run = tasks_to_do(fleet, [], again=False)
    return Coordinator(fleet, engine, run).judge(tasks)


def test_a_store_that_vanishes_is_an_error_and_all_is_there_when_it_is_back(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = Path(fleet.place.url)
    away = here.with_name("away")

    class Unplugged(InThisProcess):
        """Loses the disk after some captures; an empty folder stays in its place."""

        left = 5

        def finished(self, wait_s: float) -> list[tuple[Task, Outcome]]:
            self.left -= 1
            if not self.left:
                here.rename(away)
                here.mkdir()
            return super().finished(wait_s)

    run = in_process(fleet, Unplugged(fleet.place.url))
    assert "not there any more" in run.error
    assert not list(here.iterdir())
    here.rmdir()
    away.rename(here)
    monkeypatch.setattr("busplan.fleet.lease.STALE_NS", -1)  # this process, the first run's, lives
    assert in_process(fleet, InThisProcess(fleet.place.url)).whole
    check_all_once(fleet)


def test_a_cluster_works_by_the_address_of_its_scheduler(fleet: Fleet) -> None:
    from distributed import LocalCluster

    cluster = LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=None
    )
    with cluster, engine(fleet.place.url, 0, cluster.scheduler_address) as works:
        tasks, run = tasks_to_do(fleet, [], again=False)
        assert Coordinator(fleet, works, run).judge(tasks).judged == CAPTURES
    check_all_once(fleet)
