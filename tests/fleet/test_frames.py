"""Decoded frames of a capture, in our units, against cantools and against what was made."""

from pathlib import Path

import cantools
import numpy as np
import pyarrow.parquet as pq
import pytest
from support.small_fleet import START_NS, speeds, write_log, write_plan

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.fleet import frames_file
from busplan.fleet.frames_file import write_frames
from busplan.fleet.units import own_unit, signal_rows
from busplan.plan.reader import load_plan


@pytest.mark.parametrize("millivolts", [False, True])
def test_values_are_cantools_values_in_our_units(
    tmp_path: Path, millivolts: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(frames_file, "ROW_GROUP", 64)
    plan = write_plan(tmp_path, millivolts=millivolts)
    vehicle, log = load_plan(plan), write_log(tmp_path / "a.log", 3)
    capture = apply_plan(read_capture(log, cache=False), vehicle)
    told = write_frames(tmp_path / "f.parquet", capture.frames, vehicle, "key")
    table = pq.read_table(tmp_path / "f.parquet").to_pydict()
    message = cantools.database.load_file(plan.with_name("wheel.dbc")).get_message_by_name(
        "Turning"
    )
    lines = [line.split("#")[1] for line in log.read_text().splitlines()]
    decoded = [message.decode(bytes.fromhex(data)) for data in lines]
    assert np.allclose(table["v0"], [d["Speed"] for d in decoded], rtol=1e-12)
    volts = [d["Voltage"] * (0.001 if millivolts else 1) for d in decoded]
    assert np.allclose(table["v1"], volts, rtol=1e-12)
    # 0 °C is 32 °F, 100 °C is 212 °F: the definition of the scale.
    assert np.allclose(table["v2"], [(d["Warmth"] - 32) * 100 / 180 for d in decoded], rtol=1e-12)
    assert set(table["message"]) == {"a/wheel_1/Turning"}
    assert table["time_ns"][:2] == [START_NS + 3 * 86_400 * 10**9, table["time_ns"][0] + 10**7]
    raw = speeds(3, 200)
    speed = told.stats["a/wheel_1/Turning/Speed"]
    assert (speed["n"], speed["unit"]) == (200, "km/h")
    assert (speed["min"], speed["max"]) == (pytest.approx(raw.min() / 100), raw.max() / 100)
    assert speed["max_at_ns"] == table["time_ns"][int(raw.argmax())]
    assert speed["mean"] == pytest.approx(raw.mean() / 100)
    rows = {r["signal"]: r for r in signal_rows("p", vehicle)}
    assert rows["Voltage"]["unit"] == "V"
    assert rows["Voltage"]["unit_as_defined"] == ("mV" if millivolts else "V")
    assert [rows[n]["slot"] for n in ("Speed", "Voltage", "Warmth")] == [0, 1, 2]
    assert rows["Speed"]["part"] == "wheel"


def test_units_that_could_be_mistaken_are_kept() -> None:
    ours = {u: own_unit(u) for u in ("mV", "kV", "mA", "degC", "°F", "kohm", "MΩ")}
    assert {u: f[0] for u, f in ours.items() if f} == {
        **{"mV": "V", "kV": "V", "mA": "A", "degC": "°C", "°F": "°C", "kohm": "Ω", "MΩ": "Ω"}
    }
    assert [own_unit(u) for u in ("K", "F", "mohm", "C", "km/h", "")] == [None] * 6


def test_a_message_of_many_signals_takes_several_rows_a_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("units", "schema"):
        monkeypatch.setattr(f"busplan.fleet.{module}.SLOTS", 2)
    vehicle = load_plan(write_plan(tmp_path))
    log = write_log(tmp_path / "a.log", 3, 20)
    capture = apply_plan(read_capture(log, cache=False), vehicle)
    told = write_frames(tmp_path / "f.parquet", capture.frames, vehicle, "key")
    table = pq.read_table(tmp_path / "f.parquet").to_pydict()
    assert list(table)[3:] == ["v0", "v1"]
    assert table["message"] == ["a/wheel_1/Turning"] * 20 + ["a/wheel_1/Turning#2"] * 20
    assert table["v1"][20:] == [None] * 20
    assert (told.frames, told.values) == (20, 60)
    rows = {r["signal"]: (r["rows"], r["slot"]) for r in signal_rows("p", vehicle)}
    assert rows["Warmth"] == ("a/wheel_1/Turning#2", 0)
