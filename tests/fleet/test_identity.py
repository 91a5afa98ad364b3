"""Captures, plans and runs are known by their content, whatever they are called."""

import hashlib
import subprocess
from pathlib import Path

import pytest
from support.small_fleet import write_log, write_plan

from busplan.fleet.identity import FileIdentity, capture_id, plan_id, run_key
from busplan.fleet.place import Place
from busplan.fleet.plans import keep_plan, opened_plan, read_plan


def test_a_file_is_known_by_what_sha256sum_prints(tmp_path: Path) -> None:
    # coreutils' sha256sum (FIPS 180-4) is the reference.
    log = write_log(tmp_path / "a.log", 1)
    told = subprocess.run(["sha256sum", log], capture_output=True, text=True, check=True).stdout
    digest = hashlib.sha256(log.read_bytes()).hexdigest()
    assert capture_id([FileIdentity(digest)]) == told.split()[0]


def test_whatever_changes_what_is_read_makes_another_capture() -> None:
    a, b = "a" * 64, "b" * 64
    variants = [
        capture_id([FileIdentity(a)]),
        capture_id([FileIdentity(b)]),
        capture_id([FileIdentity(a), FileIdentity(b)]),
        capture_id([FileIdentity(b), FileIdentity(a)]),
        capture_id([FileIdentity(a, 0), FileIdentity(b)]),
        capture_id([FileIdentity(a, 5)]),
        capture_id([FileIdentity(a)], {"can0": "x"}),
        capture_id([FileIdentity(a)], {}, "time=T"),
    ]
    assert len(set(variants)) == len(variants)


def test_a_run_is_its_capture_plan_version_and_options() -> None:
    keys = [
        run_key("c", "p", {}),
        run_key("d", "p", {}),
        run_key("c", "q", {}),
        run_key("c", "p", {"test": "drive"}),
        run_key("c", "p", {}, version=999),
    ]
    assert len(set(keys)) == len(keys)
    assert run_key("c", "p", {}) == keys[0]


def test_a_plan_is_its_text_and_its_definitions_wherever_it_lies(tmp_path: Path) -> None:
    first, second = write_plan(tmp_path / "one"), write_plan(tmp_path / "two")
    assert read_plan(first).id == read_plan(second).id
    dbc = second.with_name("wheel.dbc")
    dbc.write_text(dbc.read_text().replace("0.01,0", "0.02,0"))
    assert read_plan(first).id != read_plan(second).id
    assert plan_id(b"a", {"x": b"1"}) != plan_id(b"a", {"y": b"1"})


@pytest.mark.parametrize("named", ["wheel.dbc", "../shared/wheel.dbc"])
def test_a_kept_plan_gives_the_same_vehicle_when_the_first_files_are_gone(
    tmp_path: Path, named: str
) -> None:
    plan = write_plan(tmp_path / "plan")
    target = (plan.parent / named).resolve()
    target.parent.mkdir(exist_ok=True)
    plan.with_name("wheel.dbc").rename(target)
    plan.write_text(plan.read_text().replace('"wheel.dbc"', f'"{named}"'))
    place = Place(tmp_path / "fleet")
    place.prepare()
    given = read_plan(plan)
    keep_plan(place, given)
    plan.unlink()
    target.unlink()
    kept = opened_plan(place, given.id)
    assert [a for a, _, _ in kept.signals()] == [a for a, _, _ in given.vehicle.signals()]
    assert {s.message.file for s in kept.streams} == {named}
