"""A fleet, its captures and its tables in an object store: moto's, on 127.0.0.1, not a real one."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support import small_fleet
from support.command import busplan

pytest.importorskip("moto")
pytest.importorskip("s3fs")
from support.object_store import object_store

from busplan.errors import UsageError
from busplan.fleet import upkeep
from busplan.fleet.catalogue import Fleet, add_captures, listed_files
from busplan.fleet.desk import opened
from busplan.fleet.engine import InThisProcess
from busplan.fleet.lease import Leases
from busplan.fleet.place import Place, files_of_store, store_options
from busplan.fleet.plans import read_plan
from busplan.fleet.questions import Asked, answered
from busplan.fleet.run import Coordinator, tasks_to_do

URL = "s3://shop/fleet"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One store for all; the last test takes it away."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BUSPLAN_CACHE_DIR", str(tmp_path_factory.mktemp("cache")))
        with object_store(patch) as process:
            yield process


def judge(fleet: Fleet) -> Any:
    tasks, run = tasks_to_do(fleet, [], again=False)
    return Coordinator(fleet, InThisProcess(fleet.place.url), run).judge(tasks)


def test_a_whole_fleet_lives_in_an_object_store(store: Any, tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    logs.mkdir()
    for number in range(2):
        small_fleet.write_log(logs / f"{number}.log", number)
    files_of_store().put(str(logs), "s3://shop/", recursive=True)
    plan = small_fleet.write_plan(tmp_path / "plan")
    call = ("fleet", "add", "s3://shop/logs/", "--vehicle", "cart-1", "--plan", plan)
    assert "2 new" in busplan(*call, "--fleet", URL).out
    assert "2 known already" in busplan(*call, "--fleet", URL).out
    fleet = Fleet.at(URL)
    run = judge(fleet)
    assert (run.judged, run.failed, run.error) == (2, [], "")
    assert judge(fleet).known == 2
    rows = fleet.judgements.rows().to_pylist()
    assert {r["uri"] for r in rows} == {f"s3://shop/logs/{n}.log" for n in range(2)}
    for row in rows:
        assert fleet.place.entry(row["frames_file"]).size == row["frames_bytes"]
        assert row["frames"] == 200
    with opened(fleet) as desk:
        told = answered(desk, "limit", Asked("Speed", above=0.0)).table
        assert len(told) == 2
    with opened(fleet) as desk:
        top = desk.ask('SELECT max("Speed") AS top FROM "a/wheel_1/Turning"')["top"][0].as_py()
    assert top == pytest.approx(max(small_fleet.speeds(n, 200).max() for n in range(2)) / 100)
    assert upkeep.tidy(fleet, 0).files_after == 3
    assert upkeep.forget(fleet, "1.log").files == 1
    assert upkeep.status(fleet).vehicles[0].judged == 1
    assert not list(fleet.place.files("leases"))


def test_conditional_writes_keep_two_runs_apart(store: Any) -> None:
    place = Place("s3://shop/apart")
    place.prepare()
    assert place.write_new("leases/a", b"1")
    assert not place.write_new("leases/a", b"2")
    assert place.read("leases/a") == b"1"
    first, second = Leases(place), Leases(place)
    first.beat()
    second.beat()
    assert first.take("key")
    assert not second.take("key")
    assert second.others()


def test_workers_in_processes_of_their_own_judge_in_the_store(store: Any, tmp_path: Path) -> None:
    url = "s3://shop/worked"
    fleet = Fleet.at(url, make=True)
    logs = [[str(small_fleet.write_log(tmp_path / f"{n}.log", n))] for n in range(4)]
    plan = read_plan(small_fleet.write_plan(tmp_path / "plan"))
    add_captures(fleet, logs, "cart-1", plan, time.time_ns)
    call = [sys.executable, "-m", "busplan", "fleet", "judge", "--json", "--workers", "2"]
    ran = subprocess.run(
        [*call, "--fleet", url],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    told = json.loads(ran.stdout or "{}")
    assert (ran.returncode, told["judged"], told["failed"], told["frames"]) == (0, 4, [], 800)
    assert told["worker_cpu_seconds"] > 0
    rows = fleet.judgements.rows(["run_key", "frames_file", "frames_bytes"]).to_pylist()
    assert len({r["run_key"] for r in rows}) == len(rows) == 4
    assert {f.path: f.size for f in fleet.place.files("frames")} == {
        r["frames_file"]: r["frames_bytes"] for r in rows
    }
    assert not list(fleet.place.files("leases"))


def test_a_store_that_cannot_refuse_is_refused(store: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def writes_over(self: Place, path: str, data: bytes) -> bool:
        self.write(path, data)
        return True

    with monkeypatch.context() as patch:
        patch.setattr(Place, "write_new", writes_over)
        with pytest.raises(UsageError, match="writes over what is there although told not to"):
            Fleet.at("s3://shop/other", make=True)
    assert not list(Place("s3://shop").files("other"))
    for name, value, words in (
        ("AWS_S3_ALLOW_UNSAFE_RENAME", "true", "could overwrite each other's commits"),
        ("AWS_CONDITIONAL_PUT", "disabled", "conditional writes only"),
        ("AWS_ENDPOINT_URL", "http://store.example", "would travel unencrypted"),
    ):
        with monkeypatch.context() as patch:
            patch.setenv(name, value)
            with pytest.raises(UsageError, match=words):
                Fleet.at("s3://shop/other", make=True)
    assert store_options()["aws_conditional_put"] == "etag"


def test_a_store_that_vanishes_is_an_error_and_no_traceback(store: Any, tmp_path: Path) -> None:
    log = small_fleet.write_log(tmp_path / "0.log", 0)
    url = "s3://shop/vanishes"
    fleet = Fleet.at(url, make=True)
    plan = read_plan(small_fleet.write_plan(tmp_path / "plan"))
    add_captures(fleet, [[uri] for uri in listed_files([str(log)])], "cart-1", plan, time.time_ns)
    tasks, run = tasks_to_do(fleet, [], again=False)
    store.kill()
    store.wait()
    run = Coordinator(fleet, InThisProcess(url), run).judge(tasks)
    assert not run.whole
    assert run.judged == 0
    told = busplan("fleet", "status", "--fleet", url)
    assert told.code == 3
    assert "Traceback" not in told.err
