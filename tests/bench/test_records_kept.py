"""Records in a folder: whole or not there, a name for each, and a serial number found again."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from support.bench import PLANS, as_built, charger_rows, table_of
from support.command import busplan
from typer.testing import CliRunner

from busplan.bench.record import BenchRecord
from busplan.bench.run import BenchTest
from busplan.cli.app import app
from busplan.cli.bench_records import earlier_tests, keep_record, read_record
from busplan.errors import UsageError

CAPTURE = PLANS.parent / "captures" / "bench_charger_short.log.gz"
CHARGER = ("bench", "charger", "--plan", PLANS / "as_built.toml", "--capture", CAPTURE)


def made(serial: str = "S-1") -> BenchRecord:
    test = BenchTest.of(as_built(), "charger")
    moment = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
    return test.record(table_of(charger_rows(3)), date=moment, serial=serial)


def test_two_tests_of_one_second_have_names_of_their_own(tmp_path: Path) -> None:
    for _ in range(3):
        keep_record(made(), tmp_path)
    names = sorted(p.name for p in tmp_path.iterdir())
    stem = "bench-charger-S-1-20260304-050607"
    assert names == sorted(
        f"{stem}{n}.{e}" for n in ("", "-2", "-3") for e in ("json", "md", "html")
    )


def test_a_name_another_process_has_reserved_is_left_to_it(tmp_path: Path) -> None:
    stem = "bench-charger-S-1-20260304-050607"
    (tmp_path / f"{stem}.json.part").touch()
    keep_record(made(), tmp_path)
    assert (tmp_path / f"{stem}-2.json").exists()
    assert (tmp_path / f"{stem}.json.part").exists()


def test_a_record_that_cannot_be_written_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(UsageError, match="No space left"):
        keep_record(made(), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_serial_tested_before_is_found(tmp_path: Path) -> None:
    assert earlier_tests(tmp_path, "charger", "S-1") == ()
    keep_record(made(), tmp_path)
    keep_record(made("S-2"), tmp_path)
    (tmp_path / "bench-odd.json").write_text("{", encoding="utf-8")
    (before,) = earlier_tests(tmp_path, "charger", "S-1")
    assert before.startswith("2026-03-04T05:06:07+00:00: ")
    assert earlier_tests(tmp_path, "inverter", "S-1") == ()
    assert earlier_tests(tmp_path, "charger", "") == ()


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"messages": 1}', "[" * 100_000])
def test_what_is_no_record_is_said_so(tmp_path: Path, text: str) -> None:
    path = tmp_path / "bench-x.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="is no record"):
        read_record(path)


def test_a_reader_that_has_seen_enough_loses_no_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As ``busplan bench ... | head`` does."""

    def gone(*_: object) -> None:
        raise BrokenPipeError

    monkeypatch.setattr("busplan.cli.bench_shown.print_record", gone)
    call = [str(a) for a in (*CHARGER, "--record", tmp_path, "--serial", "S-7")]
    assert isinstance(CliRunner().invoke(app, call).exception, BrokenPipeError)
    (kept,) = tmp_path.glob("*.json")
    assert json.loads(kept.read_text("utf-8"))["serial"] == "S-7"


def test_a_serial_tested_twice_is_told(tmp_path: Path) -> None:
    first = busplan(*CHARGER, "--record", tmp_path, "--serial", "S-7")
    assert "before" not in first.err
    second = busplan(*CHARGER, "--record", tmp_path, "--serial", "S-7")
    assert "! charger S-7 was tested 1 time before (" in second.err
