"""Who may work on what, by signs of life whose age is set; and files that come whole or not."""

import json
import os
from pathlib import Path

import pytest

from busplan.fleet.lease import STALE_NS, Leases
from busplan.fleet.place import Place

S = 10**9


@pytest.fixture
def place(tmp_path: Path) -> Place:
    made = Place(str(tmp_path / "fleet"))
    made.prepare()
    return made


def living(place: Place) -> Leases:
    made = Leases(place)
    made.beat()
    return made


def sign(place: Place, leases: Leases) -> Path:
    return Path(place.uri(f"leases/run-{leases.run}"))


@pytest.mark.parametrize(("older_s", "gone"), [(59, False), (61, True)])
def test_a_sign_of_life_lasts_a_minute_by_the_clock_of_the_place(
    place: Place, older_s: int, gone: bool
) -> None:
    assert STALE_NS == 60 * S
    first, second = living(place), living(place)
    assert first.take("a")
    mine = sign(place, second).stat().st_mtime_ns
    os.utime(sign(place, first), ns=(mine - older_s * S,) * 2)
    assert second.take("a") is gone
    assert second.others() is not gone


def test_a_lease_taken_over_has_a_new_holder(place: Place) -> None:
    first, second, third = living(place), living(place), living(place)
    assert first.take("a")
    sign(place, first).unlink()
    assert second.take("a")
    assert not third.take("a")
    second.end()
    third.end()
    assert not list(place.files("leases"))


def test_a_sign_that_cannot_be_read_is_none_and_one_of_another_host_is_believed(
    place: Place,
) -> None:
    first, second = living(place), living(place)
    first.take("a")
    told = json.loads(sign(place, first).read_text())
    sign(place, first).write_text(json.dumps(told | {"host": "elsewhere", "pid": 0, "born": 1.0}))
    assert not second.take("a")
    sign(place, first).write_text("{")
    second.beat()
    assert second.take("a")


def test_only_ones_own_lease_is_given_back(place: Place) -> None:
    first, second = living(place), living(place)
    assert first.take("a")
    second.give_back("a")
    assert not second.take("a")
    first.give_back("a")
    assert second.take("a")


def test_what_a_dead_run_left_is_swept_and_what_the_living_have_is_not(place: Place) -> None:
    dead, alive, me = living(place), living(place), living(place)
    for leases, key in ((dead, "d"), (alive, "a"), (me, "m")):
        assert leases.take(key)
    os.utime(sign(place, dead), ns=(0, 0))
    assert me.sweep() == 2
    left = {Path(e.path).name for e in place.files("leases")}
    assert left == {"a", "m", f"run-{alive.run}", f"run-{me.run}"}


def test_a_file_is_written_whole_or_not_at_all(place: Place) -> None:
    assert place.write_new("leases/a", b"1")
    assert not place.write_new("leases/a", b"2")
    assert place.read("leases/a") == b"1"
    place.write("frames/x", b"old")

    def break_off() -> None:
        with place.making("frames/x") as part:
            part.write_bytes(b"half")
            assert place.read("frames/x") == b"old"
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()
    assert place.read("frames/x") == b"old"
    assert {Path(e.path).name for e in place.files("frames")} == {"x"}
    assert {Path(e.path).name for e in place.files("leases")} == {"a"}


def test_a_folder_that_has_gone_is_not_made_anew(place: Place) -> None:
    gone = Path(place.url)
    gone.rename(gone.with_name("elsewhere"))
    for write in (place.write, place.write_new):
        with pytest.raises(FileNotFoundError, match="not there any more"):
            write("leases/a", b"1")
    assert not gone.exists()


def test_nothing_of_a_store_is_kept_outside_its_folder() -> None:
    with pytest.raises(OSError, match="leads out of the fleet"):
        Place("s3://shop/fleet").local("frames/../../x")
