"""Values in files: round trips, formulas, whole or nothing; and the command that writes them."""

import csv
import gzip
import json
from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest
from support.cart import DBC, PLAN
from support.command import busplan
from support.vehicles import stream, vehicle

from busplan.capture.textlog import write_textlog
from busplan.decode.series import decode_series, decode_table
from busplan.definitions.model import Signal
from busplan.errors import UsageError
from busplan.export.values import write_values
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network
from busplan.wording import disarmed

EVIL = '=HYPERLINK("x")'
SIGNAL = Signal(
    "Speed", 0, 16, scale=0.1, offset=-5, unit="+m/s", choices={1: EVIL, 2: "-", 3: "ok"}
)
PAYLOADS = np.arange(200, dtype="<u2")


def van():
    made = stream(0x10, length=2)
    return vehicle([replace(made, message=replace(made.message, signals=(SIGNAL,)))])


def table() -> FrameTable:
    n = len(PAYLOADS)
    return FrameTable.from_columns(
        ["a"], np.arange(n) * 10**7, np.zeros(n), np.full(n, 0x10), np.zeros(n), np.full(n, 2),
        PAYLOADS.view(np.uint8),
    )  # fmt: skip


def series(**options):
    return decode_series(table(), van(), **options)


EXPECTED = [raw * 0.1 - 5 for raw in range(200)]


@pytest.mark.parametrize("name", ["v.csv", "v.csv.gz", "V.CSV"])
def test_csv_gives_the_same_numbers_back(tmp_path, name) -> None:
    write_values(series(), tmp_path / name)
    raw = (tmp_path / name).read_bytes()
    text = (gzip.decompress(raw) if name.endswith("gz") else raw).decode()
    rows = list(csv.DictReader(text.splitlines()))
    assert [float(r["value"]) for r in rows] == EXPECTED
    assert [float(r["time_s"]) for r in rows] == [i / 100 for i in range(200)]
    assert rows[0] | {"value": "", "time_s": ""} == {
        "time_s": "", "network": "a", "node": "n", "message": "M10", "signal": "Speed",
        "value": "", "unit": "'+m/s", "text": "",
    }  # fmt: skip


def test_no_text_of_a_csv_file_starts_a_formula(tmp_path) -> None:
    write_values(series(), tmp_path / "v.csv")
    rows = list(csv.DictReader((tmp_path / "v.csv").read_text().splitlines()))
    assert [r["text"] for r in rows[:5]] == ["", "'" + EVIL, "'-", "ok", ""]
    for row in rows:
        for name in ("network", "node", "message", "signal", "unit", "text"):
            assert not row[name].startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("first", "=+-@\t\r\n＝＋－＠")
def test_every_beginning_of_a_formula_is_closed(tmp_path, first) -> None:
    evil = f"{first}1+cmd|' /C calc'!A0"
    made = stream(0x10, network=evil, node=evil, name=evil, length=2)
    signal = replace(SIGNAL, name=evil, unit=evil, choices={1: evil, 2: "-40", 3: "+7.5"})
    frames = replace(table(), networks=(evil,))
    of_evil = vehicle(
        [replace(made, message=replace(made.message, signals=(signal,)))], [Network(evil, 500_000)]
    )
    for layout in ("long", "wide"):
        write_values(decode_series(frames, of_evil, layout=layout), tmp_path / "v.csv")
        with (tmp_path / "v.csv").open(newline="") as file:
            head, *rows = csv.reader(file)
        assert not [cell for cell in head if cell.startswith(first)]
        assert not [cell for row in rows for cell in row[1:] if cell.startswith(tuple("=@\t\r＝"))]
        assert float(rows[0][-1] if layout == "wide" else rows[0][5]) == -5  # a number stays one
        if layout == "long":
            closed = disarmed(f"'{evil}")
            assert rows[1][1:5] == [closed] * 4
            assert [row[7] for row in rows[:4]] == ["", closed, "-40", "+7.5"]


def test_parquet_keeps_texts_as_they_are_and_says_what_it_is(tmp_path) -> None:
    write_values(series(), tmp_path / "v.parquet")
    read = pq.read_table(tmp_path / "v.parquet")
    assert read.column("value").to_pylist() == EXPECTED
    assert read.column("text").to_pylist()[1] == EVIL
    assert read.schema.metadata[b"origin_ns"] == b"0"
    write_values(series(layout="wide"), tmp_path / "w.parquet")
    assert b"holds the last value" in pq.read_schema(tmp_path / "w.parquet").metadata[b"hold rule"]


def test_pandas_reads_what_pandas_would_get(tmp_path) -> None:
    write_values(series(layout="wide"), tmp_path / "w.parquet")
    direct = decode_table(table(), van(), layout="wide")
    assert pq.read_table(tmp_path / "w.parquet").to_pandas().equals(direct)


def test_progress_counts_frames(tmp_path) -> None:
    seen = []
    write_values(series(), tmp_path / "v.csv", lambda done, total: seen.append((done, total)))
    assert seen[-1] == (200, 200)


def test_a_stop_leaves_nothing_half_made(tmp_path) -> None:
    (tmp_path / "v.csv").write_text("what was there before")

    def stop(done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_values(series(), tmp_path / "v.csv", stop)
    assert [p.name for p in tmp_path.iterdir()] == ["v.csv"]
    assert (tmp_path / "v.csv").read_text() == "what was there before"


@pytest.mark.parametrize(
    ("name", "words"), [("v.xlsx", r"\.csv, \.csv\.gz, \.parquet"), ("no/v.csv", "does not exist")]
)
def test_places_that_cannot_be(tmp_path, name, words) -> None:
    with pytest.raises(UsageError, match=words):
        write_values(series(), tmp_path / name)


@pytest.fixture
def cart(tmp_path):
    (tmp_path / "cart.toml").write_text(PLAN)
    (tmp_path / "wheel.dbc").write_text(DBC)
    frames = replace(table(), networks=("can0",), time_ns=table().time_ns + 1_700_000_000 * 10**9)
    write_textlog(frames, tmp_path / "cart.log")
    return tmp_path


def run(folder, *options: str):
    return busplan("decode", folder / "cart.log", "--plan", folder / "cart.toml", *options)


def test_the_command_writes_csv_to_stdout_and_the_report_to_stderr(cart) -> None:
    done = run(cart)
    assert done.code == 0
    rows = list(csv.DictReader(done.out.splitlines()))
    assert [float(r["value"]) for r in rows] == EXPECTED
    assert "1 signal from 200 frames: 200 rows" in done.err


def test_the_command_on_a_grid(cart) -> None:
    done = run(cart, "--signal", "Speed", "--every", "0.5", "--out", str(cart / "v.csv"))
    assert done.code == 0
    assert done.out == ""
    assert "hold rule: each cell holds the last value" in done.err
    rows = list(csv.reader((cart / "v.csv").read_text().splitlines()))
    assert rows[0] == ["time_s", "a/wheel/Wheel/Speed [m/s]"]
    assert [float(r[0]) for r in rows[1:]] == [0, 0.5, 1.0, 1.5]


def test_the_command_reports_as_json(cart) -> None:
    done = run(cart, "--json", "--out", str(cart / "v.parquet"))
    report = json.loads(done.out)
    assert report["rows"] == 200
    assert report["messages"][0]["message"] == "a/wheel/Wheel"
    assert report["findings"] == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--json"], "--out"),
        (["--signal", "Sped"], 'no signal matches "Sped"'),
        (["--every", "-1"], "--every wants seconds above 0"),
        (["--layout", "long", "--every", "1"], "wide layout"),
        (["--out", "v.doc"], ".parquet"),
    ],
)
def test_the_command_refuses_what_cannot_be(cart, options, words) -> None:
    done = run(cart, *options)
    assert done.code == 3
    assert words in done.err
    assert "Traceback" not in done.err
