"""What the demo says it planted is in its captures, and in the healthy ones it is not."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.decode.codec import DecodedMessage, decode_message
from busplan.decode.protection import check_counter
from busplan.demo import captures, cells, thermal
from busplan.demo.captures import demo_vehicle as vehicle
from busplan.demo.files import shipped
from busplan.errors import UsageError
from busplan.frames.kinds import ERROR
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Vehicle


def decoded(frames: FrameTable, label: str, plan: Vehicle | None = None) -> DecodedMessage:
    stream = next(s for s in (plan or vehicle()).streams if s.label == label)
    return decode_message(frames, frames.rows_of(stream.key), stream.message)


def sensors(frames: FrameTable) -> np.ndarray:
    """Last reading of each sensor, ``(12, 2)``."""
    place = {s.address: i for i, s in enumerate(vehicle().pack.sensors)}  # type: ignore[union-attr]
    out = np.empty(24)
    for address, i in place.items():
        message = decoded(frames, f"pack/{address.node}/{address.message}")
        out[i] = message[address.signal].values[-1]
    return out.reshape(12, 2)


def cell_table(frames: FrameTable) -> np.ndarray:
    """All cell voltages over time, ``(n, 96)``, rows matched by number of frame."""
    columns = []
    for cell in vehicle().pack.cells:  # type: ignore[union-attr]
        message = decoded(frames, f"pack/{cell.address.node}/{cell.address.message}")
        columns.append(message[cell.address.signal].values)
    n = min(map(len, columns))
    return np.stack([c[:n] for c in columns], axis=1)


@pytest.mark.parametrize("name", captures.CAPTURES)
def test_a_seed_gives_the_same_frames_again(name: str) -> None:
    # A van asleep sends little.
    length = 30.0 if captures.CAPTURES[name].plan == "asleep" else 3.0
    first, again, other = (
        captures.make_capture(name, duration_s=length, seed=seed) for seed in (7, 7, 8)
    )
    assert len(first) > 20
    assert np.array_equal(first.time_ns, again.time_ns)
    assert np.array_equal(first.payload, again.payload)
    assert not np.array_equal(first.time_ns, other.time_ns)


@pytest.mark.parametrize("name", [n for n in captures.CAPTURES if n != "collision"])
def test_every_message_decodes_within_its_ranges(name: str) -> None:
    frames = captures.make_capture(name, duration_s=25.0, healthy=True)
    plan = vehicle(captures.CAPTURES[name].plan)
    seen = set()
    for stream in plan.streams:
        rows = frames.rows_of(stream.key)
        if not len(rows):
            continue
        seen.add(stream.key)
        message = decode_message(frames, rows, stream.message)
        assert (message.short, message.long, message.unknown_multiplexer) == (0, 0, 0)
        for signal in message.signals.values():
            assert not signal.out_of_range.any(), f"{stream.label}/{signal.signal.name}"
            if signal.signal.name.endswith("Counter"):
                verdict = check_counter(signal.raw, 1 << min(signal.signal.length, 62))
                assert not len(verdict.skips)
                assert not len(verdict.repeats)
    assert seen == set(frames.groups)


def test_the_pedal_checksum_is_the_stated_one() -> None:
    frames = captures.drive(2.0)
    message = next(s for s in vehicle().on("drive") if s.message.name == "PedalPosition").message
    for row in frames.rows_of(next(k for k in frames.groups if k.identifier == 0x034)):
        data = frames.bytes_of(int(row))
        # CRC-8 SAE J1850, bit by bit: polynomial 0x1D, start 0xFF, final exclusive or 0xFF.
        crc = 0xFF
        for byte in (*message.identifier.to_bytes(2, "big"), *data[:7]):
            crc ^= byte
            for _ in range(8):
                crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
        assert data[7] == crc ^ 0xFF


def test_warm_up_plants_the_lagging_module_and_the_stuck_sensor() -> None:
    last = sensors(captures.warm_up(400.0))
    modules = dict(zip(thermal.MODULES, last, strict=True))
    assert tuple(modules["D1"])[1] == thermal.START_C
    others = [m for n, m in modules.items() if n not in (thermal.LAZY_MODULE, "D1")]
    assert np.ptp(others) <= 1.5
    assert np.mean(others) - modules[thermal.LAZY_MODULE].mean() > 2.0


def test_a_healthy_warm_up_is_even() -> None:
    frames = captures.warm_up(400.0, healthy=True)
    last = sensors(frames)
    assert np.ptp(last) <= 1.5
    assert last.min() > thermal.START_C + 4
    inlet = decoded(frames, "thermal/heater/LoopTemperatures")["LoopInletTemperature"].values
    assert inlet[0] == pytest.approx(thermal.START_C, abs=0.3)
    assert inlet.max() > 20


def test_drive_plants_the_weak_cell() -> None:
    frames = captures.drive(120.0)
    volts = cell_table(frames)
    deepest = volts[int(np.median(volts, axis=1).argmin())]
    extra = np.median(deepest) - deepest[cells.WEAK_CELL - 1]
    current = decoded(frames, "pack/battery_master/PackStatus")["PackCurrent"].values
    assert current.max() == pytest.approx(cells.PEAK_CURRENT_A, abs=1.0)
    assert extra == pytest.approx(cells.WEAK_CELL_EXTRA_SAG_V, abs=0.006)
    assert deepest.argmin() == cells.WEAK_CELL - 1


def test_drive_plants_silence_and_late_frames() -> None:
    frames = captures.drive(120.0)
    for node, expected in (("monitor_b", 3.1), ("monitor_a", 0.11)):
        gap = np.diff(decoded(frames, f"pack/{node}/CellVoltages1").time_ns).max() / 1e9
        assert gap == pytest.approx(expected, abs=0.1)
    gaps = np.diff(decoded(frames, "thermal/pump_1/PumpStatus").time_ns) / 1e6
    assert 1 <= (gaps > 150).sum() <= 4
    assert np.diff(decoded(frames, "thermal/pump_2/PumpStatus").time_ns).max() / 1e6 < 125


def test_a_healthy_drive_has_neither() -> None:
    frames = captures.drive(120.0, healthy=True)
    assert np.diff(decoded(frames, "pack/monitor_b/CellVoltages1").time_ns).max() < 0.11e9
    assert np.diff(decoded(frames, "thermal/pump_1/PumpStatus").time_ns).max() < 0.125e9
    volts = cell_table(frames)
    assert np.ptp(volts, axis=1).max() < 0.035


def test_cells_add_up_to_the_pack_voltage() -> None:
    frames = captures.drive(15.0, healthy=True)
    total = cell_table(frames)[-1].sum()
    status = decoded(frames, "pack/battery_master/PackStatus")
    assert total == pytest.approx(status["PackVoltage"].values[-1], abs=0.6)
    link = status["LinkVoltage"].values
    state = status["ContactorState"].values
    closing = int(np.flatnonzero(state == 2)[0])
    assert link[0] == pytest.approx(0, abs=0.5)
    assert link[closing - 5] > 0.95 * status["PackVoltage"].values[closing]


@pytest.mark.parametrize("healthy", [False, True])
def test_charge_lets_cell_17_top_first_unless_healthy(healthy: bool) -> None:
    volts = cell_table(captures.charge(260.0, healthy=healthy))
    last = volts[-1]
    lead = last[cells.FULL_CELL - 1] - np.median(last)
    assert (lead > 0.015) is not healthy
    assert last.max() <= 4.2


def test_bench_has_its_four_faults() -> None:
    frames = captures.bench_charger()
    output = decoded(frames, "charge/charger/ChargerOutput")
    assert np.median(np.diff(output.time_ns)) == pytest.approx(125e6, rel=0.001)
    temperatures = decoded(frames, "charge/charger/ChargerTemperatures")
    assert temperatures.short == len(temperatures) > 100
    assert not temperatures["ChargerFanSpeed"].present.any()
    known = {s.key for s in vehicle().streams}
    assert [f"{k.identifier:08X}" for k in frames.groups if k not in known] == ["18FFA3E5"]
    counter = decoded(frames, "charge/charger/ChargerStatus")["ChargerCounter"].raw
    assert len(check_counter(counter, 16).skips) == 600 // 37


def test_a_healthy_bench_has_none() -> None:
    frames = captures.bench_charger(healthy=True)
    known = {s.key for s in vehicle().streams}
    assert set(frames.groups) <= known
    output = decoded(frames, "charge/charger/ChargerOutput")
    assert np.median(np.diff(output.time_ns)) == pytest.approx(100e6, rel=0.001)
    assert decoded(frames, "charge/charger/ChargerTemperatures").short == 0


def test_collision_shows_two_senders_and_error_frames() -> None:
    plan = vehicle("as_bought")
    frames = captures.collision()
    status = decoded(frames, "body/pump_1/PumpStatus", plan)
    # Two senders with 100 ms each: twice the frames, and speeds of two different loops.
    assert len(status) == pytest.approx(600, abs=5)
    speed = status["PumpSpeed"].values[-100:]
    assert (speed > 3800).sum() == pytest.approx(50, abs=3)
    assert (speed < 3000).sum() == pytest.approx(50, abs=3)
    assert (frames.flags & ERROR).any()


def test_there_is_no_healthy_collision() -> None:
    with pytest.raises(UsageError, match="healthy"):
        captures.make_capture("collision", healthy=True)


def test_unknown_names_are_told() -> None:
    with pytest.raises(UsageError, match="warm-up, drive, charge"):
        captures.make_capture("warmup")


@pytest.mark.parametrize("name", captures.CAPTURES)
def test_shipped_cuts_read_whole_and_are_small(name: str) -> None:
    path = shipped("captures") / captures.capture_name(name, short=True)
    assert path.stat().st_size < 1_000_000
    plan = vehicle(captures.CAPTURES[name].plan)
    capture = apply_plan(read_capture([path]), plan)
    assert capture.findings == ()
    assert len(capture.frames) > 600
    if captures.CAPTURES[name].duration_s < 60.1 or captures.CAPTURES[name].plan == "asleep":
        made = captures.cut(name, captures.make_capture(name), plan)
        assert np.array_equal(made.time_ns, capture.frames.time_ns)


def test_the_index_names_every_cut_and_nothing_else() -> None:
    folder = shipped("captures")
    about = tomllib.loads((folder / "about.toml").read_text(encoding="utf-8"))
    assert about["invented"] is True
    assert about["seed"] == captures.SEED
    for name, entry in about["capture"].items():
        assert entry["file"] == captures.capture_name(name, short=True)
        assert entry["plan"] == f"{captures.CAPTURES[name].plan}.toml"
        assert entry["full_s"] == captures.CAPTURES[name].duration_s
    assert set(about["capture"]) == set(captures.CAPTURES)
    assert {p.name for p in folder.glob("*.gz")} == {e["file"] for e in about["capture"].values()}
