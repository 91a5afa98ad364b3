"""``busplan timing`` and ``busplan cable`` as their users call them."""

import json
from pathlib import Path

import pytest
from support.command import busplan

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"
BOUGHT, BUILT = EXAMPLES / "as_bought.toml", EXAMPLES / "as_built.toml"


@pytest.mark.parametrize("command", ["timing", "cable"])
def test_exit_code_follows_the_findings(command: str) -> None:
    assert busplan(command, BUILT).code == 0
    assert busplan(command, BOUGHT).code == {"timing": 2, "cable": 1}[command]


@pytest.mark.parametrize("command", ["timing", "cable"])
@pytest.mark.parametrize("columns", [60, 80, 160])
def test_output_fits_the_terminal(command: str, columns: int, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    whole = busplan(command, BOUGHT).out
    one = busplan(command, BOUGHT, "--network", "body").out
    assert max(len(line) for line in (whole + one).splitlines()) <= columns
    assert "Magpie (invented)" in whole
    if command == "timing":
        assert "shelf_lights" in one
        assert "PackTemperatureMax" in whole
        assert "~" not in whole + one


def test_late_messages_are_marked_and_explained() -> None:
    out = busplan("timing", BOUGHT, "--network", "body").out
    rows = [line for line in out.splitlines() if "0x178" in line]
    assert len(rows) == 2
    assert all(row.startswith("#") for row in rows)
    assert "deadline-missed  body/door/DoorSafety" in out
    assert "shelf" not in busplan("timing", BOUGHT, "--network", "drive").out.lower()


def test_slack_is_told_in_sentences() -> None:
    out = " ".join(busplan("timing", BUILT, "--network", "pack").out.split())
    assert "times as often, the first to be late is MonitorStatus of monitor_d" in out
    assert "pack: 250 kbit/s is not stated for battery_master" in out
    assert "pack: bus errors no closer than 0.463 ms make no message late" in out


def test_timing_as_json_carries_every_figure() -> None:
    document = json.loads(busplan("timing", BOUGHT, "--network", "body", "--json").out)
    (body,) = document["networks"]
    door = next(m for m in body["messages"] if m["message"] == "DoorSafety")
    assert door["late"]
    assert door["response_ns"] > door["deadline_ns"]
    assert (
        door["blocking_ns"] + door["frame_ns"] + sum(d["ns"] for d in door["delays"])
        == (door["response_ns"])
    )
    assert body["slack"]["growth"] < 1
    assert {"body"} == {f["where"]["network"] for f in document["findings"]}
    assert {r["to"] for r in document["routes"]} == {"body", "telemetry"}


def test_assumed_bus_errors_take_time() -> None:
    def worst(*more: str) -> list[int]:
        out = busplan("timing", BUILT, "--network", "drive", "--json", *more).out
        return [m["response_ns"] for m in json.loads(out)["networks"][0]["messages"]]

    # One error costs 31 bits and the longest frame, at 500 kbit/s and 8 bytes 332 µs.
    assert [b - a for a, b in zip(worst(), worst("--faults", "50"), strict=True)][-1] == 332_000


def test_cable_as_json_carries_limits_and_registers() -> None:
    document = json.loads(busplan("cable", BOUGHT, "--network", "telemetry", "--json").out)
    (telemetry,) = document["networks"]
    assert telemetry["trunk_m"] == 60
    assert telemetry["limits"]["trunk_m"]["most"] == 100
    assert telemetry["data_limits"]["trunk_m"]["most"] == pytest.approx(37.5)
    registers = telemetry["bit_timing"][0]
    assert registers["registers"]["bit_rate"] == 500_000
    assert registers["data_registers"]["sample_point"] == 0.75
    assert [f["code"] for f in document["findings"]] == ["trunk-too-long"]


@pytest.mark.parametrize("command", ["timing", "cable"])
def test_a_network_that_is_not_there_is_one_clear_error(command: str) -> None:
    result = busplan(command, BUILT, "--network", "thermall")
    assert result.code == 3
    assert 'the plan has no network "thermall"' in result.err
    assert "thermal" in result.err
    assert result.out == ""


def test_a_fault_interval_must_be_positive() -> None:
    result = busplan("timing", BUILT, "--faults", "0")
    assert result.code == 3
    assert "--faults" in result.err


@pytest.mark.parametrize("columns", [80, 120])
def test_each_route_is_told_with_its_gateway_at_every_width(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the invented plan: what pack says gets to drive through the battery master."""
    monkeypatch.setenv("COLUMNS", str(columns))
    told = busplan("timing", BOUGHT).out
    routes = " ".join(told[told.index("routes, end") : told.index("gateways, frames")].split())
    if columns < 100:
        assert "through battery_master: pack to drive through supervisor: drive to body," in routes
    else:
        assert "pack drive battery_master" in routes
        assert "through battery_master" not in routes


def test_two_gateways_between_the_same_networks_are_told_apart_at_80_columns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    part = (
        "[part.{0}]\nidentifiers = 'free'\n"
        "[part.{0}.port.x]\nmessage = []\n[part.{0}.port.y]\nmessage = []\n"
        "[node.{0}]\npart = '{0}'\non = {{ x = 'left', y = 'right' }}\n"
    )
    message = "[[part.talker.message]]\nname = '{0}'\nidentifier = {1}\nbytes = 8\ncycle_ms = 100\n"
    route = "[[route]]\nmessage = '{0}'\nfrom = 'left'\nto = 'right'\nthrough = '{1}'\n"
    plan = tmp_path / "two.toml"
    plan.write_text(
        "[vehicle]\nname = 'Two'\ninvented = true\n"
        "[network.left]\nbit_rate = 500_000\n[network.right]\nbit_rate = 500_000\n"
        + "[node.talker]\npart = 'talker'\non = ['left']\n[part.talker]\n"
        + message.format("One", 1)
        + message.format("Two", 2)
        + part.format("a")
        + part.format("b")
        + route.format("One", "a")
        + route.format("Two", "b"),
        "utf-8",
    )
    run = busplan("timing", plan)
    assert not run.err
    told = run.out
    assert "through a: One from left to right\nthrough b: Two from left to right\n" in told
