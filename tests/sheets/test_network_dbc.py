"""The DBC file of each network: cantools reads it and decodes recorded frames to our values.

Outside truth: cantools decodes; the other side is what busplan decodes from the parts' own files.
"""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import cantools
import pytest

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.decode.codec import decode_message
from busplan.definitions.dbc import parse_dbc
from busplan.demo.files import plan_file, shipped
from busplan.frames.identifier import FrameKey
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.sheets.network_dbc import NetworkFile, network_files


@pytest.fixture(scope="module")
def van() -> Vehicle:
    return load_plan(plan_file("as_built"))


@pytest.fixture(scope="module")
def files(van: Vehicle) -> Mapping[str, NetworkFile]:
    return {f.network: f for f in network_files(van)}


def frames_agree(
    van: Vehicle, files: Mapping[str, NetworkFile], capture: Path, every: int = 1
) -> int:
    """Decode frames of a capture both ways, each ``every``-th of an identifier; how many."""
    databases = {
        name: cantools.database.load_string(file.text, "dbc") for name, file in files.items()
    }
    table = apply_plan(read_capture(capture), van).frames
    count = 0
    for key, all_rows in table.groups.items():
        rows = all_rows[::every]
        (stream,) = van.by_key()[key]
        ours = decode_message(table, rows, stream.message)
        reference = message_of(databases[key.network], key)
        payloads = table.payload_matrix(rows, stream.message.length)
        for i, payload in enumerate(payloads):
            got = {n: s.values[i].item() for n, s in ours.signals.items() if s.present[i]}
            assert got == reference.decode(bytes(payload), decode_choices=False), (key, i)
        count += len(rows)
    return count


def message_of(
    database: cantools.database.can.Database, key: FrameKey
) -> cantools.database.can.Message:
    (found,) = [
        m
        for m in database.messages
        if (m.frame_id, m.is_extended_frame) == (key.identifier, key.extended)
    ]
    return found


@pytest.mark.parametrize("name", ["drive", "charge"])
def test_recorded_frames_have_the_same_values(
    van: Vehicle, files: Mapping[str, NetworkFile], name: str
) -> None:
    """Every frame of every capture: ``benchmarks/bench_sheets.py``."""
    capture = shipped("captures") / f"{name}_short.log.gz"
    assert frames_agree(van, files, capture, every=120) > 500


def test_periods_senders_and_receivers_are_those_of_the_plan(
    van: Vehicle, files: Mapping[str, NetworkFile]
) -> None:
    database = cantools.database.load_string(files["thermal"].text, "dbc")
    assert {n.name for n in database.nodes} == {n.name for n in van.nodes_on("thermal")}
    second = next(m for m in database.messages if m.frame_id == 0x38)
    assert second.name == "pump_2_PumpStatus"
    assert (second.senders, second.cycle_time) == (["pump_2"], 100)
    heater = next(m for m in database.messages if m.name == "HeaterCommand")
    assert heater.receivers == {"heater"}


def test_our_own_reader_finds_nothing_odd(files: Mapping[str, NetworkFile]) -> None:
    for file in files.values():
        read = parse_dbc(file.text, f"{file.network}.dbc")
        assert not [f for f in read.findings if f.weight > 0 and "odd" not in f.code]
        assert len(read.messages) == len(file.messages)


def test_what_cannot_stand_in_one_file_is_told() -> None:
    files = {f.network: f for f in network_files(load_plan(plan_file("as_bought")))}
    told = [line for f in files.values() for line in f.left_out]
    assert any("pump_2/PumpStatus: 0x028 is also pump_1/PumpStatus" in line for line in told)
    assert all(f"Not in this file: {f.left_out[0]}" in f.text for f in files.values() if f.left_out)


def test_a_half_precision_number_is_left_out_and_told(van: Vehicle) -> None:
    stream = next(s for s in van.on("thermal") if s.message.name == "PumpStatus")
    half = replace(stream.message.signals[0], is_float=True)
    message = replace(stream.message, signals=(half, *stream.message.signals[1:]))
    streams = tuple(replace(s, message=message) if s is stream else s for s in van.streams)
    (file,) = [f for f in network_files(replace(van, streams=streams)) if f.network == "thermal"]
    assert [line for line in file.left_out if "floating-point" in line]


def test_the_caution_stands_in_every_file(files: Mapping[str, NetworkFile]) -> None:
    for file in files.values():
        assert "High voltage can kill" in file.text
