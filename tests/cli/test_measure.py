"""``busplan measure`` as called."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support.command import busplan

from busplan.cli.captures import parse_rates
from busplan.cli.output import print_table
from busplan.errors import UsageError


def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.log"
    path.write_text("".join(f"({i / 100:.6f}) can0 100#{i % 256:02X}\n" for i in range(500)))
    return path


def test_load_and_cycles_without_a_plan(tmp_path: Path) -> None:
    run = busplan("measure", capture(tmp_path), "--bit-rate", "can0=500_000")
    assert run.code == 0
    assert "can0     -           500" in run.out
    assert "0x100" in run.out
    assert "10.00" in run.out
    assert "exact" in run.out


def begins(*arguments: str | Path) -> list[str]:
    """What stands above the table of channels: files, then the span."""
    told = busplan("measure", *arguments).out.partition("channel ")[0]
    return " ".join(told.split()).split(" from ")


def test_it_begins_with_what_was_opened_and_when(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("(1767225600.500000) can0 100#00\n")
    assert begins(path) == [
        f"{path}: text log, 1 frame, clock: UTC",
        "2026-01-01 00:00:00.500 UTC, 0.000 s",
    ]
    path.write_text("(1767225600.500000) can0 100#00\n(1767225602.750000) can0 100#00\n" * 600)
    assert begins(path, "--offset", f"{path}=-0.25") == [
        f"{path}: text log, 1,200 frames, clock: UTC, shifted by -0.25 s",
        "2026-01-01 00:00:00.250 UTC, 2.250 s",
    ]


def test_what_a_format_cannot_hold_is_told_before_any_figure(tmp_path: Path) -> None:
    path = tmp_path / "a.trc"
    lines = "".join(f"{i:7})  {i * 10}.0  Rx  0100  1  {i:02X}\n" for i in range(1, 9))
    path.write_text(f";$FILEVERSION=1.1\n{lines}")
    assert begins(path) == [
        f"{path}: TRC text, 8 frames, clock: the recorder's own start read",
        "TRC text: no error frames, no absolute time; times to 1 µs",
        "0.010 s, 0.070 s",
    ]


@pytest.mark.parametrize("command", ["measure", "survey", "replay"])
def test_a_bit_rate_for_a_network_that_is_not_there_is_refused(
    tmp_path: Path, command: str
) -> None:
    run = busplan(command, capture(tmp_path), "--bit-rate", "can00=500000")
    assert run.code == 3
    assert "no network 'can00' here" in run.err
    assert run.out == ""


def test_json_has_every_window(tmp_path: Path) -> None:
    run = busplan("measure", capture(tmp_path), "--bit-rate", "can0=500000", "--json")
    document = json.loads(run.out)
    assert len(document["loads"][0]["windows"]["exact"]) == 5
    assert document["cycles"][0]["median_ms"] == 10.0


def test_json_has_identifiers_seen_once(tmp_path: Path) -> None:
    path = capture(tmp_path)
    path.write_text(path.read_text() + "(6.000000) can0 200#\n")
    cycles = json.loads(busplan("measure", path, "--json").out)["cycles"]
    assert [(c["identifier"], c["frames"]) for c in cycles] == [(0x100, 500), (0x200, 1)]
    assert cycles[1]["median_ms"] is None
    assert cycles[0]["stated_ms"] is None  # no plan


def test_names_that_differ_at_their_end_stay_apart_when_cut(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    rows = [[f"CellVoltages{i}", "x" * 68] for i in range(1, 7)]
    print_table(["message", ""], rows, shrink=frozenset({0}))
    lines = capsys.readouterr().out.splitlines()[1:]
    assert [line.split()[0] for line in lines] == [f"CellVolt~{i}" for i in range(1, 7)]
    assert all(len(line) <= 80 for line in lines)


@pytest.mark.parametrize(
    "arguments",
    [["missing.log"], ["a.log", "--offset", "a.log"], ["a.log", "--offset", "a.log=soon"]],
)
def test_bad_calls_end_with_one_message_and_code_3(tmp_path: Path, arguments: list[str]) -> None:
    capture(tmp_path)
    run = busplan("measure", str(tmp_path / arguments[0]), *arguments[1:])
    assert run.code == 3
    assert run.err.startswith("busplan: ")
    assert "Traceback" not in run.err


def test_rates() -> None:
    assert parse_rates(["t=500000/2000000"])["t"].data == 2_000_000
    for wrong in ("t", "t=", "t=0", "t=1/2/3", "t=fast"):
        with pytest.raises(UsageError):
            parse_rates([wrong])


def test_an_interrupt_ends_with_one_line_and_the_usual_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*arguments: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("busplan.capture.read.read_capture", interrupted)
    run = busplan("measure", capture(tmp_path))
    assert (run.code, run.out, run.err) == (130, "", "busplan: stopped\n")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--offset", "a.log=soon"], "wants seconds"),
        (["--offset", "a.log=nan"], "wants seconds"),
        (["--offset", "a.log=1e999999"], "wants seconds"),
        (["--offset", "a.log"], "wants NAME=VALUE"),
        (["--offset", "a.log=1", "--offset", "a.log=2"], "given twice for a.log"),
        (["--offset", "b.log=1"], "not among the capture files: a.log"),
        (["--offset", "a.log=5000000000"], "beyond"),
    ],
)
def test_a_wrong_offset_gives_one_error(tmp_path: Path, options: list[str], says: str) -> None:
    run = busplan("measure", capture(tmp_path), *options)
    assert run.code == 3
    assert says in run.err
    assert run.err.count("\n") == 1


def test_an_offset_names_a_file_with_a_drive_letter_or_an_equals_sign() -> None:
    from busplan.cli.captures import _pairs

    texts = [r"C:\logs\a.log=1.5", r"\\server\share\b=2.log=-3"]
    assert _pairs("--offset", texts) == {
        r"C:\logs\a.log": "1.5",
        r"\\server\share\b=2.log": "-3",
    }
