"""From frames to the pack's signals: units, times, gaps and what is missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from busplan.capture.trust import DAY_NS
from busplan.decode.encode import encode_message
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.errors import CaptureError, PlanError
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import FrameTable
from busplan.pack.pull import pull_series
from busplan.pack.units import conversion
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import CellPlace, PackLayout, PackLimits, Stream, Vehicle

PLAN = Path(__file__).parents[2] / "dbc_examples" / "as_built.toml"


@pytest.fixture(scope="module")
def vehicle() -> Vehicle:
    return load_plan(PLAN)


def frames(vehicle: Vehicle, label: str, values: dict[str, np.ndarray], period: float = 0.1):
    """Columns of one stream's frames: times, identifier, payload matrix."""
    stream = next(s for s in vehicle.streams if s.label == label)
    n = len(next(iter(values.values())))
    payload = encode_message(stream.message, values, n)
    return np.arange(n) * int(period * 1e9), stream, payload


def table_of(*parts) -> FrameTable:  # type: ignore[no-untyped-def]
    time = np.concatenate([p[0] for p in parts])
    order = np.argsort(time, kind="stable")
    identifier = np.concatenate([np.full(len(p[0]), p[1].message.identifier) for p in parts])
    flags = np.concatenate([np.full(len(p[0]), EXTENDED * p[1].message.extended) for p in parts])
    rows = [row for p in parts for row in p[2]]
    return FrameTable.from_columns(
        ["pack"],
        time[order] + 5_000_000_000,
        np.zeros(len(time)),
        identifier[order],
        flags[order],
        [len(rows[i]) for i in order],
        np.concatenate([rows[i] for i in order]),
    )


def test_values_arrive_in_string_order_with_times_from_the_first_frame(vehicle: Vehicle) -> None:
    n = 50
    parts = []
    for number, node in enumerate(("monitor_a", "monitor_b", "monitor_c", "monitor_d")):
        for m in range(6):
            cells = {
                f"CellVoltage{m * 4 + i + 1:02}": np.full(n, 3.0 + (number * 24 + m * 4 + i) / 1000)
                for i in range(4)
            }
            parts.append(frames(vehicle, f"pack/{node}/CellVoltages{m + 1}", cells))
    warm = {f"Temperature{i + 1}": np.full(n, 20.0 + i) for i in range(6)}
    parts.append(frames(vehicle, "pack/monitor_c/ModuleTemperatures", warm, 0.5))
    series = pull_series(table_of(*parts), vehicle)
    assert [t.value[0] for t in series.cells] == pytest.approx(3.0 + np.arange(96) / 1000)
    assert series.cells[0].step == 0.001
    assert series.cells[0].time_s[:2] == pytest.approx([0.0, 0.1])
    assert [float(t.value[0]) for t in series.sensors[12:18]] == [20.0, 21, 22, 23, 24, 25]
    missing = [(f.code, f.where.node, f.figures[0].value) for f in series.findings]
    assert missing == [
        ("pack-sensor-not-received", n, 6) for n in ("monitor_a", "monitor_b", "monitor_d")
    ]


def test_a_node_whose_messages_never_came_is_one_finding(vehicle: Vehicle) -> None:
    cells = {f"CellVoltage0{i}": np.full(4, 3.7) for i in range(1, 5)}
    series = pull_series(table_of(frames(vehicle, "pack/monitor_a/CellVoltages1", cells)), vehicle)
    told = {f.where.node: f for f in series.findings if f.code == "pack-cell-not-received"}
    assert set(told) == {f"monitor_{n}" for n in "abcd"}
    assert told["monitor_a"].summary.endswith("so cells 5 to 24 were not heard.")
    assert told["monitor_a"].summary.startswith("monitor_a sent no CellVoltages2, ")
    assert told["monitor_d"].figures[0].value == 24


def test_a_charging_sign_is_turned_and_short_frames_are_told(vehicle: Vehicle) -> None:
    current = {"PackCurrent": np.array([50.0, -20.0, 3.0])}
    time, stream, payload = frames(vehicle, "pack/battery_master/PackStatus", current)
    cells = {f"CellVoltage0{i}": np.full(4, 3.7) for i in range(1, 5)}
    part = frames(vehicle, "pack/monitor_a/CellVoltages1", cells)
    cut = [*part[2][:3], part[2][3][:4]]
    table = table_of((time, stream, payload), (part[0], part[1], cut))
    assert vehicle.pack is not None
    turned = replace(vehicle, pack=replace(vehicle.pack, current_sign=-1))
    series = pull_series(table, turned)
    assert series.quantities["current"].value.tolist() == pytest.approx([-50.0, 20.0, -3.0])
    assert [len(t) for t in series.cells[:4]] == [4, 4, 3, 3]
    assert "pack-frame-short" in {f.code for f in series.findings}


def test_nothing_of_the_pack_is_an_error_and_so_is_a_plan_without_one(vehicle: Vehicle) -> None:
    with pytest.raises(CaptureError, match="no cell voltage"):
        pull_series(FrameTable.empty(["cabin"]), vehicle)
    with pytest.raises(PlanError, match="--suggest"):
        pull_series(FrameTable.empty(["pack"]), replace(vehicle, pack=None))


def test_another_clock_stretches_nothing_and_too_many_days_are_refused(vehicle: Vehicle) -> None:
    """A grid of 10 ms over a year would take all memory there is."""
    values = {f"CellVoltage{n:02}": np.full(100, 3.7) for n in range(1, 5)}
    table = table_of(frames(vehicle, "pack/monitor_a/CellVoltages1", values))
    late = table.time_ns.copy()
    late[-10:] += 365 * DAY_NS
    series = pull_series(replace(table, time_ns=late), vehicle)
    assert series.span_s == pytest.approx(8.9)
    assert series.cells[0].time_s[-1] == pytest.approx(8.9)
    assert len(series.cells[0]) == 90
    late = table.time_ns.copy()
    late[len(late) // 2 :] += 3 * DAY_NS
    with pytest.raises(CaptureError, match=r"spans 3\.0 days .* busplan cut"):
        pull_series(replace(table, time_ns=late), vehicle)


def retyped(vehicle: Vehicle, unit: str, scale: float) -> Vehicle:
    """The vehicle with another unit and scale on monitor A's first cells."""

    def signal(s: Signal) -> Signal:
        return replace(s, unit=unit, scale=scale) if s.name.startswith("CellVoltage") else s

    def message(m: Message) -> Message:
        return replace(m, signals=tuple(map(signal, m.signals)))

    return replace(
        vehicle, streams=tuple(replace(s, message=message(s.message)) for s in vehicle.streams)
    )


@pytest.mark.parametrize(("unit", "assumed"), [("mV", False), ("", True)])
def test_millivolts_become_volts(vehicle: Vehicle, unit: str, assumed: bool) -> None:
    changed = retyped(vehicle, unit, 1)
    cells = {f"CellVoltage0{i}": np.full(4, 3712) for i in range(1, 5)}
    series = pull_series(table_of(frames(changed, "pack/monitor_a/CellVoltages1", cells)), changed)
    assert series.cells[0].value[0] == pytest.approx(3.712)
    assert series.cells[0].step == pytest.approx(0.001)
    assert ("pack-unit-assumed" in {f.code for f in series.findings}) is assumed


def test_multiplexed_cells_arrive_with_the_times_of_their_own_frames(vehicle: Vehicle) -> None:
    selector = Signal("Page", 0, 8, selects=True)
    pages = [
        Signal(f"U{n}", 16, 16, scale=0.001, unit="V", condition=MuxCondition("Page", ((n, n),)))
        for n in range(1, 5)
    ]
    message = Message("Cells", 0x321, False, 4, (selector, *pages), ("BMS",))
    stream = Stream("pack", "bms", message, None, None)
    cells = tuple(CellPlace(n, "A1", stream.address(f"U{n}")) for n in range(1, 5))
    plan = PackLayout("own", PackLimits(3.0, 4.2), {"A": ("A1",)}, cells, ())
    muxed = replace(vehicle, streams=(stream,), pack=plan)
    page = np.tile([1, 2, 3, 4, 9], 6)  # page 9 carries nothing
    values = {"Page": page, **{f"U{n}": np.full(30, 3.0 + n / 10) for n in range(1, 5)}}
    part = frames(muxed, "pack/bms/Cells", values)
    series = pull_series(table_of(part), muxed)
    assert [float(t.value[0]) for t in series.cells] == pytest.approx([3.1, 3.2, 3.3, 3.4])
    assert [len(t) for t in series.cells] == [6, 6, 6, 6]
    assert series.cells[2].time_s[:2] == pytest.approx([0.2, 0.7])
    assert series.voltage.value.shape[1] == 4
    assert np.isfinite(series.voltage.value[-1]).all()


@pytest.mark.parametrize(
    ("kind", "unit", "raw", "ours"),
    [
        ("temperature", "°C", 20.0, 20.0),
        ("temperature", "degC", 20.0, 20.0),
        ("temperature", "deg C", 20.0, 20.0),
        ("temperature", "K", 293.15, 20.0),
        ("temperature", "°F", 68.0, 20.0),
        ("temperature", "Celsius", 20.0, 20.0),
        ("voltage", "mV", 3700.0, 3.7),
        ("current", "mA", 1500.0, 1.5),
        ("resistance", "kOhm", 2.0, 2000.0),
        ("resistance", "MΩ", 2.0, 2e6),
    ],
)
def test_units_as_definition_files_write_them(
    kind: str, unit: str, raw: float, ours: float
) -> None:
    found = conversion(kind, unit)
    assert found is not None
    assert found.apply(np.array([raw]))[0] == pytest.approx(ours)
    assert conversion(kind, "bar") is None
