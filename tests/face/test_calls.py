"""The calls of the face give what the rooms give, and say clearly what they cannot."""

import pickle
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import busplan
from busplan.decode.columns import Grid
from busplan.decode.series import decode_table
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.select import select_signals

pytestmark = pytest.mark.usefixtures("in_demo_folder")

EVIL = "<script>alert(1)</script>\x1b[31m"


@pytest.fixture(scope="module")
def vehicle(demo_folder: Path) -> busplan.Vehicle:
    return busplan.load_plan(demo_folder / "as_built.toml")


@pytest.fixture(scope="module")
def bought(demo_folder: Path) -> busplan.Vehicle:
    return busplan.load_plan(str(demo_folder / "as_bought.toml"))


@pytest.fixture(scope="module")
def capture(demo_folder: Path, vehicle: busplan.Vehicle) -> busplan.Capture:
    return busplan.read_capture(demo_folder / "drive_short.log.gz", vehicle, cache=False)


def same(one: Any, other: Any) -> None:
    pd.testing.assert_frame_equal(one, other)
    assert one.attrs == other.attrs


def again(value: Any) -> Any:
    return pickle.loads(pickle.dumps(value))


def test_decoded_columns_are_those_of_the_codec(
    capture: busplan.Capture, vehicle: busplan.Vehicle
) -> None:
    frame = capture.decode("PackCurrent", "HottestModule", every_s=0.5)
    addresses = select_signals(vehicle, ["PackCurrent", "HottestModule"])
    direct = decode_table(
        capture.frames, vehicle, addresses, layout="wide", grid=Grid(every_ns=500_000_000)
    )
    assert frame.index.name == "time_s"
    assert np.array_equal(frame.index, direct["time_s"])
    assert list(frame.attrs["signals"].values()) == [str(a) for a in addresses]
    for name, address in frame.attrs["signals"].items():
        column = next(c for c in direct if c.partition(" [")[0] == address)
        pd.testing.assert_series_equal(
            frame[name], direct[column], check_names=False, check_index=False
        )
        assert frame.attrs["units"][name] == column.partition(" [")[2].rstrip("]")


def test_a_column_is_named_by_what_no_other_signal_is_called(
    capture: busplan.Capture, vehicle: busplan.Vehicle
) -> None:
    names = list(capture.decode("CellVoltage*", every_s=30))
    assert "TelemetryPack/CellVoltageMin" in names
    assert "drive/battery_master/CellExtremes/CellVoltageMin" in names
    assert "monitor_a/CellVoltages1/CellVoltage01" in names
    for name in names[::10]:
        assert len(select_signals(vehicle, [name])) == 1
    assert list(capture.decode(names[0], names[-1], every_s=30)) == [names[0], names[-1]]


def test_a_value_is_held_as_long_as_asked(capture: busplan.Capture) -> None:
    both = ("pack/battery_master/*/PackCurrent", "drive/battery_master/*/PackCurrent")
    held = capture.decode(*both)
    alone = capture.decode(*both, hold_s=0)
    assert "older than 0 s" in alone.attrs["hold_rule"]
    assert not alone.isna().all(axis=1).any()
    assert alone.isna().any().any()
    for name in held:
        pd.testing.assert_series_equal(alone[name].ffill(), held[name])


def test_times_as_seconds_steps_and_dates(capture: busplan.Capture) -> None:
    seconds = capture.decode("PackCurrent", every_s=5).index
    steps = capture.decode("PackCurrent", every_s=5, index="timedelta").index
    dates = capture.decode("PackCurrent", every_s=5, index="utc").index
    assert list(steps.total_seconds()) == list(seconds)
    assert str(dates.tz) == "UTC"
    assert dates[0].value == capture.frames.origin_ns
    assert list((dates - dates[0]).total_seconds()) == list(seconds)


def test_attributes_survive_a_parquet_file(capture: busplan.Capture, tmp_path: Path) -> None:
    frame = capture.decode("PackCurrent", every_s=5)
    frame.to_parquet(tmp_path / "current.parquet")
    same(frame, pd.read_parquet(tmp_path / "current.parquet"))


def test_findings_are_a_tuple_that_shows_itself(bought: busplan.Vehicle) -> None:
    found = busplan.check(bought)
    frame = found.to_frame()
    assert list(frame["code"]) == [f.code for f in found]
    assert frame.attrs["units"]["time_s"] == "s"
    assert found.counts["fault"] == (frame["weight"] == "fault").sum() > 0
    assert isinstance(found[:2], busplan.Findings)
    assert found[:2] == tuple(found)[:2]
    assert isinstance(found[0], busplan.Finding)
    assert {f.code for f in busplan.check(bought, only=["bit-rate"])} == {"bit-rate"}
    assert again(found) == found
    assert isinstance(again(found), busplan.Findings)
    assert busplan.Findings().to_frame().empty


def test_many_findings_fit_a_screen() -> None:
    one = Finding("load-over-limit", Weight.CAUTION, Where(), "long " * 100)
    text = repr(busplan.Findings([one] * 500))
    assert "488 more" in text
    assert len(text.splitlines()) <= 24
    assert max(map(len, text.splitlines())) <= 100


def test_texts_of_files_are_no_markup_and_no_escape_sequences() -> None:
    evil = Finding(
        "load-over-limit",
        Weight.CAUTION,
        Where(EVIL, EVIL, EVIL, EVIL),
        EVIL,
        EVIL,
        EVIL,
        (Figure(EVIL, 1),),
    )
    found = busplan.Findings([evil])
    assert "<script>" not in found._repr_html_()
    assert "&lt;script&gt;" in found._repr_html_()
    assert "\x1b" not in repr(found)
    plain = busplan.Vehicle(EVIL, EVIL, {}, {}, {}, ())
    assert "<script>" not in plain._repr_html_()
    assert "\x1b" not in repr(plain) + plain._repr_html_()


def test_loads_by_network_node_and_message(vehicle: busplan.Vehicle) -> None:
    loads = busplan.loads(vehicle)
    networks = loads.to_frame()
    assert list(networks["network"]) == list(vehicle.networks)
    assert networks.attrs["units"]["bit_rate"] == "bit/s"
    assert str(networks["data_bit_rate"].dtype) == "Int64"
    for table in (loads.node_table(), loads.message_table()):
        shares = table.to_frame().groupby("network")["worst"].sum()
        assert shares.to_dict() == pytest.approx({n: loads[n].worst for n in vehicle.networks})
    assert again(loads) == loads
    assert [one.network.name for one in busplan.loads(vehicle, networks="pack").loads] == ["pack"]
    assert "Magpie (invented)" in repr(loads)
    assert len(repr(loads)) < 700
    with pytest.raises(KeyError):
        loads["pak"]


def test_a_simulated_run(vehicle: busplan.Vehicle) -> None:
    seen = busplan.simulate(vehicle, seconds=1, seed=3, networks=["charge", "telemetry"])
    frame = seen.to_frame()
    assert frame["frames"].sum() == len(seen.run) == len(seen.frames)
    assert (frame["max_ms"] <= frame["bound_ms"]).all()
    assert frame["critical_ms"].isna().all()
    assert str(frame["critical_ms"].dtype) == "float64"
    loaded = again(seen)
    same(loaded.to_frame(), frame)
    assert loaded.frames.payload.tobytes() == seen.frames.payload.tobytes()
    assert len(repr(seen)) < 500
    assert "simulated" in seen.response_table().title
    for value in (seen, busplan.loads(vehicle), seen.response_table()):
        assert value._repr_html_().count("<tr") > 2


def test_what_a_capture_measures_shows_as_a_table() -> None:
    capture = busplan.read_capture("bench_charger_short.log.gz", cache=False)
    for value in (busplan.measure(capture), busplan.survey(capture)):
        assert value._repr_html_().count("<tr") == 5
        assert len(value.to_frame()) == 4


def test_response_times(bought: busplan.Vehicle) -> None:
    timed = busplan.timing(bought)
    frame = timed.to_frame()
    late = frame[frame["late"]]
    assert set(late["message"]) >= {"DisplayInput", "DoorSafety"}
    assert (late["response_ms"] > late["deadline_ms"]).all()
    assert len(timed.route_table().rows) == len(bought.routes)
    assert {f.code for f in timed.findings} >= {"deadline-missed"}
    same(again(timed).to_frame(), frame)
    worse = busplan.timing(bought, networks=["drive"], fault_interval_ms=20).to_frame()
    clear = frame[frame["network"] == "drive"]
    assert (worse["response_ms"].to_numpy() > clear["response_ms"].to_numpy()).all()
    assert "body" in repr(timed)


def test_the_pack_and_one_node(capture: busplan.Capture, vehicle: busplan.Vehicle) -> None:
    judged = busplan.judge_pack(capture, test="drive")
    assert len(judged.to_frame()) == 12
    cells = judged.to_frame("cells").set_index("cell")
    assert cells["resistance_mohm"].idxmax() == 53
    assert judged.to_frame("cells").attrs["units"]["resistance_mohm"] == "mΩ"
    late = judged.to_frame("delays")
    assert late["cells"].sum() == 96
    assert late["delay_ms"].between(-50, 100).all()
    assert list(judged.to_frame("sections")["name"]) == [s.name for s in judged.sections]
    assert judged.as_dict()["verdict"] == judged.headline
    assert "Magpie (invented)" in repr(judged)
    assert len(repr(judged)) < 2000
    same(again(judged).to_frame("cells"), judged.to_frame("cells"))
    assert busplan.judge_pack(capture, before=judged).findings
    bench = busplan.read_capture("bench_charger_short.log.gz", vehicle, cache=False)
    proof = busplan.prove_node(bench, "charger")
    assert proof.to_html().startswith("<!doctype html>")
    assert again(proof) == proof


def test_what_is_on_the_wire(capture: busplan.Capture) -> None:
    measured = busplan.measure(capture, window_s=5)
    assert len(measured.to_frame()) == len(capture.frames.groups)
    assert {len(one.frames) for one in measured.loads.values()} == {7}
    same(again(measured).to_frame(), measured.to_frame())
    assert len(repr(measured)) < 500
    bare = busplan.read_capture("bench_charger_short.log.gz", cache=False)
    rated = busplan.survey(bare, bit_rates={"can2": 250_000}, networks="can2")
    assert rated.loads["can2"].rates == (250_000, None)
    assert busplan.measure(bare, bit_rates={"can2": (250_000, 2_000_000)}).loads["can2"].rates.data
    same(again(rated).to_frame(), rated.to_frame())
    assert len(repr(rated)) < 500


WRONG = {
    "a path": (lambda v, c: busplan.load_plan(v), "wants the path of a file, not Vehicle"),
    "no plan": (lambda v, c: busplan.load_plan("absent.toml"), "there is no such file"),
    "no vehicle": (lambda v, c: busplan.check("as_built.toml"), "check wants a vehicle"),
    "no capture": (lambda v, c: busplan.judge_pack(v), "judge_pack wants a capture"),
    "code": (lambda v, c: busplan.check(v, only="nothing"), "nothing"),
    "codes": (lambda v, c: busplan.check(v, only=3), "only takes names, not int"),
    "network": (lambda v, c: busplan.loads(v, networks="pak"), 'no network "pak"'),
    "rows": (lambda v, c: busplan.judge_pack(c).to_frame("cars"), "rows is"),
    "seconds": (lambda v, c: busplan.simulate(v, seconds=0), "seconds takes more than 0"),
    "seed": (lambda v, c: busplan.simulate(v, seed=-1), "seed takes a whole number"),
    "drift": (lambda v, c: busplan.simulate(v, drift_ppm="x"), "drift_ppm takes"),
    "frames": (lambda v, c: busplan.simulate(v, seconds=86_400), "too many for one run"),
    "faults": (lambda v, c: busplan.timing(v, fault_interval_ms=0), "fault_interval_ms takes"),
    "refused": (lambda v, c: busplan.allot(v, refused=3), "refused takes names"),
    "changes": (lambda v, c: busplan.allot(v, refused="move lift moon"), 'no change "move lift'),
    "alone": (lambda v, c: busplan.allot(v, only="nodes"), "only takes 'identifiers' or"),
    "offsets": (lambda v, c: busplan.allot(v, offsets="moon"), "moon"),
    "both": (lambda v, c: busplan.allot(v, only="placement", networks="drive"), "alone"),
    "file": (lambda v, c: busplan.read_capture("absent.log"), "absent.log"),
    "files": (lambda v, c: busplan.read_capture(7), "wants paths of files, not int"),
    "empty": (lambda v, c: busplan.read_capture([]), "at least one capture file"),
    "plan": (lambda v, c: busplan.read_capture("drive_short.log.gz", "p"), "wants a vehicle"),
    "shift": (
        lambda v, c: busplan.read_capture("drive_short.log.gz", offsets_s={"drive": "x"}),
        "offsets_s of drive takes",
    ),
    "signal": (lambda v, c: c.decode("CelVoltage01"), "no signal matches"),
    "every": (lambda v, c: c.decode(every_s=0), "every_s takes"),
    "not a number": (lambda v, c: c.decode(hold_s=float("nan")), "hold_s takes"),
    "index": (lambda v, c: c.decode(index="days"), "index is"),
    "test": (lambda v, c: busplan.judge_pack(c, test="race"), "test is one of"),
    "span": (lambda v, c: busplan.judge_pack(c, span_s=(0, 5)), "30 s or more"),
    "before": (lambda v, c: busplan.judge_pack(c, before=c), "before is what judge_pack gave"),
    "node": (lambda v, c: busplan.prove_node(c, "chager"), "charger"),
    "no node": (lambda v, c: busplan.prove_node(c, 3), "wants the name of a node"),
    "rates": (lambda v, c: busplan.measure(c, bit_rates={"drive": "500k"}), "wants bit/s"),
    "window": (lambda v, c: busplan.measure(c, window_s=0), "window_s takes"),
    "definitions": (lambda v, c: busplan.survey(c, definitions=["absent.dbc"]), "absent.dbc"),
    "channel": (lambda v, c: busplan.survey(c, networks="can9"), "can9"),
    "findings": (lambda v, c: busplan.Findings(["x"]), "holds findings, not str"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_call_ends_in_one_clear_error(
    name: str, capture: busplan.Capture, vehicle: busplan.Vehicle
) -> None:
    call, told = WRONG[name]
    with pytest.raises(busplan.BusplanError) as error:
        call(vehicle, capture)
    assert told in str(error.value)


def test_a_capture_without_its_plan_has_no_values() -> None:
    bare = busplan.read_capture("bench_charger_short.log.gz", cache=False)
    for call in (bare.decode, lambda: busplan.judge_pack(bare)):
        with pytest.raises(busplan.UsageError, match=r"read_capture\(files, vehicle\)"):
            call()
