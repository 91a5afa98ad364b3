"""Public values go to other processes and come back the same."""

import copy
import pickle
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.frames import frames

from busplan.bench.prove import prove_node
from busplan.capture.capture import Capture, apply_plan
from busplan.capture.read import read_capture
from busplan.checks import run_checks
from busplan.checks.planned_load import network_loads
from busplan.definitions.model import NO_CHOICES, FixedMap, Message, Signal
from busplan.frames.kinds import EXTENDED, REMOTE
from busplan.frames.table import FrameTable
from busplan.pack.pull import pull_series
from busplan.pack.report import evaluate_pack
from busplan.pack.tables import report_dict
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.timing.gateways import vehicle_timing
from busplan.traffic.survey import survey

ROOT = Path(__file__).parents[2]
COLUMNS = ("time_ns", "network", "identifier", "flags", "length", "start", "payload")


@pytest.fixture(scope="module")
def vehicle() -> Vehicle:
    return load_plan(ROOT / "dbc_examples" / "as_built.toml")


@pytest.fixture(scope="module")
def capture(vehicle: Vehicle) -> Capture:
    read = read_capture(ROOT / "captures" / "drive_short.log.gz", cache=False)
    return apply_plan(read, vehicle)


def again(value: Any) -> Any:
    return pickle.loads(pickle.dumps(value))


def assert_same_frames(one: FrameTable, other: FrameTable) -> None:
    assert (one.networks, one.epoch, len(one)) == (other.networks, other.epoch, len(other))
    for name in COLUMNS[:5]:
        column = getattr(other, name)
        assert column.dtype == getattr(one, name).dtype
        assert np.array_equal(column, getattr(one, name))
    assert [other.bytes_of(i) for i in range(0, len(one), 97)] == [
        one.bytes_of(i) for i in range(0, len(one), 97)
    ]
    assert list(one.groups) == list(other.groups)
    assert all(np.array_equal(rows, other.groups[key]) for key, rows in one.groups.items())


def test_a_vehicle_and_what_is_worked_out_of_it(vehicle: Vehicle) -> None:
    assert again(vehicle) == vehicle
    assert again(network_loads(vehicle)) == network_loads(vehicle)
    assert again(vehicle_timing(vehicle)) == vehicle_timing(vehicle)
    assert again(run_checks(vehicle)) == run_checks(vehicle)
    loaded = again(vehicle)
    for stream in loaded.streams:
        for signal in stream.message.signals:
            assert stream.message.signal(signal.name) is signal


def test_a_copy_of_a_signal_keeps_its_value_table() -> None:
    signal = Signal("Mode", 0, 2, choices=FixedMap({0: "off", 1: "on"}))
    assert copy.deepcopy(signal) == replace(signal) == again(signal) == signal
    assert asdict(Message("State", 1, False, 1, (signal,)))["signals"][0]["choices"] == {
        0: "off",
        1: "on",
    }


def test_a_value_table_cannot_be_changed() -> None:
    for table in (NO_CHOICES, again(FixedMap({0: "off"}))):
        changeable: Any = table
        with pytest.raises(TypeError, match="cannot be changed"):
            changeable[0] = "on"
        for change in ("clear", "popitem"):
            with pytest.raises(TypeError, match="cannot be changed"):
                getattr(changeable, change)()
        with pytest.raises(TypeError, match="cannot be changed"):
            changeable.update({0: "on"})
        with pytest.raises(TypeError, match="cannot be changed"):
            changeable |= {0: "on"}


def test_a_capture_with_its_index(capture: Capture) -> None:
    loaded = again(capture)
    assert_same_frames(capture.frames, loaded.frames)
    assert loaded.frames.origin_ns == capture.frames.origin_ns
    assert (loaded.sources, loaded.channels) == (capture.sources, capture.channels)
    assert loaded.findings == capture.findings


def test_a_few_rows_take_only_their_own_payloads(capture: Capture) -> None:
    rows = np.arange(5, len(capture.frames), 500)
    few = capture.frames.take(rows)
    assert_same_frames(few, again(few))
    assert len(again(few).payload) == int(few.length.sum())
    assert len(pickle.dumps(few)) < 64 * len(few) + 1000
    empty = capture.frames.take([])
    assert len(again(empty)) == len(again(empty).payload) == 0


def test_remote_frames_have_no_payload_of_their_own() -> None:
    table = FrameTable.from_columns(
        ["a"], [1, 2, 3], [0, 0, 0], [1, 2, 3], [0, REMOTE, EXTENDED], [2, 8, 3], list(b"abcde")
    )
    loaded = again(table.take([1, 2]))
    assert [loaded.bytes_of(i) for i in range(2)] == [b"", b"cde"]


def test_payloads_are_gathered_block_by_block(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busplan.frames.table._ROWS_AT_ONCE", 3)
    table = frames([bytes([i]) * (i % 9) for i in range(40)], identifier=[i % 4 for i in range(40)])
    part = table.take(slice(2, 33, 3))
    loaded = again(part)
    assert [loaded.bytes_of(i) for i in range(len(part))] == [
        part.bytes_of(i) for i in range(len(part))
    ]


def test_frames_mapped_from_files(capture: Capture, tmp_path: Path) -> None:
    table = capture.frames
    mapped = {}
    for name in COLUMNS:
        np.save(tmp_path / f"{name}.npy", getattr(table, name))
        mapped[name] = np.load(tmp_path / f"{name}.npy", mmap_mode="r")
    dumped = pickle.dumps(replace(table, **mapped, index=None))
    for file in tmp_path.iterdir():
        file.unlink()
    loaded = pickle.loads(dumped)
    assert not any(isinstance(getattr(loaded, name), np.memmap) for name in COLUMNS)
    assert_same_frames(table, loaded)


def test_reports(capture: Capture, vehicle: Vehicle) -> None:
    assert vehicle.pack is not None
    report = evaluate_pack(pull_series(capture.frames, vehicle), vehicle.pack)
    assert report_dict(again(report)) == report_dict(report)
    read = read_capture(ROOT / "captures" / "bench_charger_short.log.gz", cache=False)
    proof = prove_node(apply_plan(read, vehicle).frames, vehicle, "charger")
    assert again(proof) == proof
    found = survey(capture.frames.take(slice(0, 2000)))
    assert again(found) == found
