"""What the catalogue makes of files added again, changed, moved, and of many."""

from pathlib import Path

import pytest
from support import small_fleet
from support.small_fleet import add, write_log, write_plan

from busplan.fleet.catalogue import Fleet, HowToRead
from busplan.fleet.delta import StoreError, store_errors


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return small_fleet.make(tmp_path, captures=0)


def test_a_file_of_other_bytes_is_another_capture_under_the_same_name(
    fleet: Fleet, tmp_path: Path
) -> None:
    plan, log = tmp_path / "plan/cart.toml", tmp_path / "0.log"
    write_log(log, 0)
    assert len(add(fleet, [log], "cart-1", plan).new) == 1
    write_log(log, 1, 50)
    assert len(add(fleet, [log], "cart-1", plan).new) == 1
    assert len(fleet.tasks()) == 2


def test_a_capture_is_looked_for_where_it_was_added_last_once_it_has_gone(
    fleet: Fleet, tmp_path: Path
) -> None:
    plan, log = tmp_path / "plan/cart.toml", write_log(tmp_path / "0.log", 0)
    add(fleet, [log], "cart-1", plan)
    copy = log.with_name("copy.log")
    copy.write_bytes(log.read_bytes())
    assert len(add(fleet, [copy], "cart-1", plan).known) == 1
    assert [f.uri for t in fleet.tasks() for f in t.files] == [str(log)]
    log.unlink()
    assert len(add(fleet, [copy], "cart-1", plan).changed) == 1
    assert [f.uri for t in fleet.tasks() for f in t.files] == [str(copy)]


def test_plans_to_and_fro_are_each_the_last_that_was_told(fleet: Fleet, tmp_path: Path) -> None:
    plans = [tmp_path / "plan/cart.toml", write_plan(tmp_path / "mv", millivolts=True)]
    log = write_log(tmp_path / "0.log", 0)
    told = []
    for plan in (plans * 2)[:3]:
        add(fleet, [log], "cart-1", plan)
        told += [t.plan_id for t in fleet.tasks()]
    assert told[0] == told[2] != told[1]


def test_an_offset_is_told_by_the_name_or_by_the_full_name(fleet: Fleet, tmp_path: Path) -> None:
    plan, logs = tmp_path / "plan/cart.toml", [write_log(tmp_path / f"{n}.log", n) for n in (0, 1)]
    how = HowToRead(offsets={"0.log": 5, str(logs[1]): 7})
    add(fleet, logs, "cart-1", plan, how)
    assert {Path(f.uri).name: f.offset_ns for t in fleet.tasks() for f in t.files} == {
        "0.log": 5,
        "1.log": 7,
    }


def test_more_captures_than_one_commit_takes_are_all_there(fleet: Fleet, tmp_path: Path) -> None:
    logs = [write_log(tmp_path / f"{n}.log", n, 1) for n in range(103)]
    told = add(fleet, logs, "cart-1", tmp_path / "plan/cart.toml")
    assert len(told.new) == len(fleet.tasks()) == 103


def test_what_the_library_ends_with_when_its_disk_is_full_is_an_error_of_the_store() -> None:
    panic = type("PanicException", (BaseException,), {})
    with pytest.raises(StoreError, match="no room"), store_errors("there"):
        raise panic("no room")
    with pytest.raises(KeyboardInterrupt), store_errors("there"):
        raise KeyboardInterrupt
