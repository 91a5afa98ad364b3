"""Runs over a small fleet: every capture has one answer, however often runs are stopped."""

import gzip
import itertools
import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from support import small_fleet
from support.command import busplan
from support.small_fleet import add, write_log, write_plan

from busplan.errors import UsageError
from busplan.fleet import upkeep
from busplan.fleet.catalogue import Fleet, HowToRead, check_vehicle, listed_files
from busplan.fleet.engine import InThisProcess
from busplan.fleet.lease import Leases
from busplan.fleet.run import Coordinator, Run, tasks_to_do
from busplan.fleet.work import Outcome, Task


def judge(fleet: Fleet, *, again: bool = False, engine: Any = None) -> Run:
    tasks, run = tasks_to_do(fleet, [], again=again)
    engine = engine or InThisProcess(fleet.place.url)
    return Coordinator(fleet, engine, run, again=again).judge(tasks)


def rows_of(fleet: Fleet) -> dict[str, dict[str, Any]]:
    """All judgements by key; each key once, its file there with its size and frames."""
    rows = fleet.judgements.rows().to_pylist()
    assert len({r["run_key"] for r in rows}) == len(rows)
    for row in rows:
        if row["state"] == "judged":
            path = Path(fleet.place.uri(row["frames_file"]))
            assert path.stat().st_size == row["frames_bytes"]
            assert pq.read_metadata(path).num_rows == row["decoded_frames"] == row["frames"]
        del row["judged_ns"]
    return {r["run_key"]: r for r in rows}


class Stopping(InThisProcess):
    """Is stopped, as by Ctrl-C, after so many captures."""

    def __init__(self, url: str, after: int) -> None:
        super().__init__(url)
        self.after = after

    def finished(self, wait_s: float) -> list[tuple[Task, Outcome]]:
        if not self.after:
            raise KeyboardInterrupt
        self.after -= 1
        return super().finished(wait_s)


def test_any_sequence_of_stops_ends_with_the_rows_of_one_run(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=4, frames=30)
    assert judge(fleet).judged == 4
    wanted = rows_of(fleet)
    assert len(wanted) == 4
    for stops in itertools.product((0, 1), (1, 2)):
        shutil.rmtree(fleet.place.uri("judgements"))
        shutil.rmtree(fleet.place.uri("frames"))
        fleet = Fleet.at(fleet.place.url, make=True)
        for after in stops:
            with pytest.raises(KeyboardInterrupt):
                judge(fleet, engine=Stopping(fleet.place.url, after))
        assert judge(fleet).whole
        assert rows_of(fleet) == wanted
        assert not list(fleet.place.files("leases"))


def test_bad_captures_are_answers_and_do_not_end_a_run(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=2)
    whole = gzip.compress((tmp_path / "0.log").read_bytes())
    made = {
        "random.log": bytes(range(256)) * 20,
        "empty.log": b"",
        "cut.log.gz": whole[: len(whole) // 2],
        "copy.log": (tmp_path / "0.log").read_bytes(),
    }
    for name, data in made.items():
        (tmp_path / name).write_bytes(data)
    plan = tmp_path / "plan/cart.toml"
    told = add(fleet, [tmp_path / name for name in made], "cart-1", plan)
    assert [len(told.new), len(told.known)] == [3, 1]
    run = judge(fleet)
    assert run.whole
    refused = {Path(n).name: why for n, why in run.refused}
    assert refused.keys() == {"random.log", "empty.log"}
    assert "empty" in refused["empty.log"]
    (cut,) = [r for r in rows_of(fleet).values() if r["uri"].endswith("cut.log.gz")]
    assert 0 < cut["frames"] < 200
    assert "capture-ends-early" in cut["findings"]["code"]
    assert judge(fleet).known == 5
    assert {Path(n).name for n, _ in judge(fleet, again=True).refused} == refused.keys()


def test_a_file_changed_or_gone_since_is_a_failure_and_named(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=3)
    write_log(tmp_path / "1.log", 99)
    (tmp_path / "2.log").unlink()
    run = judge(fleet)
    assert run.judged == 1
    failed = {Path(n).name: why for n, why in run.failed}
    assert "has changed since it was added" in failed["1.log"]
    assert "not there any more" in failed["2.log"]
    ended = busplan("fleet", "judge", "--workers", "0", "--fleet", fleet.place.url)
    assert ended.code == 1
    assert "run it again to go on" in ended.err


def test_a_date_in_the_header_is_used_and_none_is_invented(tmp_path: Path) -> None:
    """One log as two ASC files whose times count from their start: one header states a date."""
    import can

    plan, fleet = write_plan(tmp_path / "plan"), Fleet.at(str(tmp_path / "fleet"), make=True)
    files = []
    for name, header in (("told", "date Mon Nov 30 08:15:00.000 2026\n"), ("untold", "")):
        lines = ["base hex  timestamps absolute", "no internal events logged"]
        with can.LogReader(write_log(tmp_path / f"{name}.log", len(name))) as log:
            frames = list(log)
        begin = frames[0].timestamp - 2.0
        lines += [
            f"{m.timestamp - begin:.6f} 1  123             Rx   d 8 {m.data.hex(' ').upper()}"
            for m in frames
        ]
        path = tmp_path / f"{name}.asc"
        path.write_text(header + "\n".join([*lines, ""]))
        files.append(path)
    add(fleet, files, "cart-1", plan)
    judge(fleet)
    rows = {Path(r["uri"]).stem: r for r in rows_of(fleet).values()}
    began = round(datetime(2026, 11, 30, 8, 15, 2, tzinfo=UTC).timestamp() * 1e9)
    assert (rows["told"]["dated"], rows["told"]["start_ns"]) == (True, began)
    assert (rows["untold"]["dated"], rows["untold"]["start_ns"]) == (False, 2 * 10**9)
    highest = rows["told"]["stats"]["max_at_ns"]
    assert all(began <= t <= began + 3 * 10**9 for t in highest if t is not None)
    told = rows["told"]["loads"]["peak_at_ns"]
    assert all(began <= t <= began + 3 * 10**9 for t in told)


def test_another_plan_is_another_judgement_in_the_same_units(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=2)
    judge(fleet)
    told = add(fleet, [tmp_path / "1.log"], "cart-2", write_plan(tmp_path / "mv", millivolts=True))
    assert len(told.changed) == 1
    assert judge(fleet).judged == 1
    both = [r for r in rows_of(fleet).values() if r["uri"].endswith("1.log")]
    assert len({r["plan_id"] for r in both}) == 2
    volts = [
        r["stats"]["max"][r["stats"]["signal"].index("a/wheel_1/Turning/Voltage")] for r in both
    ]
    assert volts == [pytest.approx(12.01)] * 2
    assert upkeep.status(fleet).older == 1
    back = add(fleet, [tmp_path / "1.log"], "cart-2", tmp_path / "plan/cart.toml")
    assert len(back.changed) == 1
    assert judge(fleet).known == 2


def test_files_that_belong_together_are_one_capture(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=0)
    parts = [write_log(tmp_path / f"{n}.log", n) for n in (0, 1)]
    plan, url = tmp_path / "plan/cart.toml", fleet.place.url
    call = ("fleet", "add", *parts, "--vehicle", "cart-1", "--plan", plan, "--fleet", url)
    told = busplan(*call, "--together", "--offset", "1.log=-86390")
    assert "1 capture of cart-1 (invented): 1 new" in told.out
    judge(fleet)
    (row,) = rows_of(fleet).values()
    assert row["frames"] == 400
    assert row["span_s"] == pytest.approx(10 + 1.99)
    other = add(fleet, parts[:1], "cart-2", plan, HowToRead())
    assert other.new  # alone it is another capture
    assert add(fleet, parts[:1], "cart-1", plan).elsewhere[0][1] == "cart-2"


def test_two_runs_share_the_work(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=4, frames=30)
    worked: list[str] = []

    class Beside(InThisProcess):
        """Lets a second run work whenever the first one has done a capture."""

        def finished(self, wait_s: float) -> list[tuple[Task, Outcome]]:
            done = super().finished(wait_s)
            worked.extend(f"first {t.run_key}" for t, _ in done)
            next(other, None)
            return done

    def second() -> Iterator[None]:
        tasks, _ = tasks_to_do(fleet, [], again=False)
        leases = Leases(fleet.place)
        leases.beat()
        for task in tasks:
            if leases.take(task.run_key) and not fleet.judgements.known([task.run_key]):
                worked.append(f"second {task.run_key}")
                outcome = InThisProcess(fleet.place.url)
                outcome.submit(task)
                ((_, done),) = outcome.finished(0)
                assert done.row
                yield
                fleet.judgements.add([done.row | {"judged_ns": 0}])
                leases.give_back(task.run_key)
        leases.end()

    other = second()
    run = judge(fleet, engine=Beside(fleet.place.url))
    for _ in other:
        pass
    assert run.whole
    assert len(rows_of(fleet)) == 4
    assert sorted(w.split()[1] for w in worked) == sorted(rows_of(fleet))
    assert {w.split()[0] for w in worked} == {"first", "second"}


def test_a_lease_of_a_run_that_is_gone_is_taken_over(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=2)
    first, second = Leases(fleet.place), Leases(fleet.place)
    first.beat()
    second.beat()
    assert first.take("a")
    assert not second.take("a")
    assert second.others()
    sign = Path(fleet.place.uri(f"leases/run-{first.run}"))
    sign.write_text(sign.read_text().replace('"born": ', '"born": 1'))
    second.beat()
    assert second.take("a")
    assert not second.others()
    second.end()


def test_tidy_and_forget(tmp_path: Path) -> None:
    fleet = small_fleet.make(tmp_path, captures=3, frames=30)
    judge(fleet)
    left = tmp_path / "fleet/frames/vehicle=cart-1/left.parquet"
    left.write_bytes(b"x")
    assert upkeep.tidy(fleet).swept == 0
    os.utime(left, (0, 0))
    assert upkeep.tidy(fleet, 0).swept == 1
    assert not left.exists()
    assert rows_of(fleet)
    told = upkeep.forget(fleet, "1.log")
    assert (told.captures, told.judgements, told.files) == (1, 1, 1)
    assert len(rows_of(fleet)) == 2
    assert upkeep.forget(fleet, "cart-2").captures == 1
    with pytest.raises(UsageError, match="no vehicle and no capture"):
        upkeep.forget(fleet, "cart-2")
    assert (tmp_path / "1.log").exists()


def test_what_is_given_is_checked(tmp_path: Path) -> None:
    for name in ("", "../x", "a/b", "a" * 65, ".hidden", "a\x1b[31m", "x\n"):
        with pytest.raises(UsageError, match="cannot name a vehicle"):
            check_vehicle(name)
    assert check_vehicle("Magpie 1 ü") == "Magpie 1 ü"
    with pytest.raises(UsageError, match="there is no fleet"):
        Fleet.at(str(tmp_path))
    with pytest.raises(UsageError, match="no capture below"):
        listed_files([str(tmp_path)])
    with pytest.raises(UsageError, match="a folder or under s3://"):
        Fleet.at("ftp://x/y")
