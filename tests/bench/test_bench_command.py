"""``busplan bench`` as its user calls it."""

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import can
import pytest
from support.bench import PLANS, charger_rows, table_of
from support.command import Run, busplan

from busplan.capture.textlog import write_textlog
from busplan.live import bit_rate
from busplan.live.bit_rate import Heard


def bench(*args: object) -> Run:
    return busplan("bench", *map(str, args))


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.log"
    write_textlog(table_of(charger_rows(10), "can0"), path)
    return path


def test_a_good_node_passes_and_leaves_its_record(good: Path, tmp_path: Path) -> None:
    folder = tmp_path / "records"
    result = bench(
        *("charger", "--plan", PLANS / "as_built.toml", "--capture", good),
        *("--serial", "X1", "--tester", "T", "--record", folder),
    )
    assert result.code == 0, result.err
    assert "charger: pass" in result.out
    assert "invented" in result.out
    assert "charge would go from" in result.out
    assert "ChargerStatus/ChargerCounter: as sent, counts by 1 modulo 16" in result.out
    assert sorted(p.suffix for p in folder.iterdir()) == [".html", ".json", ".md"]
    document = json.loads(next(folder.glob("*.json")).read_text("utf-8"))
    assert (document["serial"], document["verdict"]) == ("X1", "pass")


def test_a_part_without_a_plan(good: Path) -> None:
    result = bench(
        *("CHARGER", "--part", PLANS / "charger.dbc", "--bit-rate", 250_000),
        *("--capture", good, "--json"),
    )
    assert result.code == 0, result.err
    assert json.loads(result.out)["network"] == "bench"


def test_a_bad_node_fails_with_exit_code_2(tmp_path: Path) -> None:
    rows = [(t * 5 // 4, i, p) for t, i, p in charger_rows(10)]
    path = tmp_path / "slow.log"
    write_textlog(table_of(rows, "can0"), path)
    result = bench("charger", "--plan", PLANS / "as_built.toml", "--capture", path)
    assert result.code == 2
    assert "cycle-time-off" in result.out


CHARGER = ("charger", "--plan", PLANS / "as_built.toml")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ([], "say which node"),
        (["charger"], "either --plan or --part"),
        (["charger", "--plan", PLANS / "as_built.toml"], "--capture or --interface"),
        (["charger", "--plan", "none.toml", "--capture", "x.log"], "no such file"),
        (
            ["charger", "--plan", PLANS / "as_built.toml", "--capture", "none.log"],
            "none.log: no such file",
        ),
        (["NOBODY", "--part", PLANS / "charger.dbc", "--capture", "x.log"], "CHARGER"),
        (
            ["charger", "--plan", PLANS / "as_built.toml", "--capture", "x", "--checksum", "a=b"],
            "kinds: CRC-8 SAE J1850",
        ),
        (
            ["charger", "--plan", PLANS / "as_built.toml", "--capture", "x", "--start-within", 1],
            "--power-on",
        ),
        (
            ["charger", "--plan", PLANS / "as_built.toml", "-i", "kvaser:0", "--seconds", 1],
            "charge=kvaser:0: cannot be opened",
        ),
        (["--find-bit-rate", "-i", "socketcan:can0"], "listen only"),
        ([*CHARGER, "-i", "virtual:x", "--fault", "fire"], "there are short, open, terminator"),
        ([*CHARGER, "-i", "virtual:x", "--fault", "all", "--cycles", 2], "prompts of its own"),
        ([*CHARGER, "--capture", "x", "--fault", "short"], "a live node"),
        ([*CHARGER, "--capture", "x", "--supply-signal", "Volts"], "write MESSAGE.SIGNAL"),
        ([*CHARGER, "--capture", "x", "--supply-signal", "No.One"], "messages of others: "),
    ],
)
def test_a_wrong_call_is_one_clear_message(args: list[object], words: str) -> None:
    result = bench(*args)
    assert result.code == 3
    assert words in result.err
    assert "Traceback" not in result.err


def test_the_wiring_table_needs_nothing_else() -> None:
    result = bench("--wiring")
    assert result.code == 0
    for fact in ("60 Ω", "swapped", "2.5 V", "High voltage can kill"):
        assert fact in result.out
    document = json.loads(bench("--wiring", "--json").out)
    assert "High voltage can kill" in document["cautions"][0]
    assert "60 Ω" in document["steps"][0]["expect"]


@pytest.mark.parametrize(("whole", "code", "found"), [(250_000, 0, 250_000), (None, 1, None)])
def test_a_searched_bit_rate_is_one_document(
    whole: int | None, code: int, found: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def heard(*_: object, progress: Callable[[Heard], None], **__: object) -> list[Heard]:
        told = [Heard(500_000, 0, 40), Heard(250_000, 9 if whole else 0, 0)]
        for one in told:
            progress(one)
        return told

    monkeypatch.setattr(bit_rate, "find_bit_rate", heard)
    result = bench("--find-bit-rate", "-i", "pcan:PCAN_USBBUS1", "--json")
    assert result.code == code
    document = json.loads(result.out)
    assert document["bit_rate"] == found
    assert document["heard"][0] == {"bit_rate": 500_000, "frames": 0, "errors": 40}


def test_a_capture_of_several_channels_needs_to_be_told_which(good: Path, tmp_path: Path) -> None:
    two = tmp_path / "two.log"
    lines = good.read_bytes().splitlines(keepends=True)  # in order of time: no doubt about reading
    two.write_bytes(
        b"".join(s for line in lines for s in (line, line.replace(b" can0 ", b" can1 ")))
    )
    part = ("CHARGER", "--part", PLANS / "charger.dbc", "--bit-rate", 250_000, "--capture", two)
    vague = bench(*part)
    assert vague.code == 3
    assert "say with --channel which is the bench's (can0, can1)" in vague.err
    assert bench(*part, "--channel", "can2").code == 3
    told = bench(*part, "--channel", "can1", "--json")
    assert told.code == 0
    document = json.loads(told.out)
    assert document["frames"] == good.read_bytes().count(b"\n")
    assert document["sent"] is None


def test_a_wrong_call_leaves_stdout_empty_for_a_script() -> None:
    result = bench("charger", "--plan", "none.toml", "--capture", "x.log", "--json")
    assert (result.code, result.out) == (3, "")


def test_a_live_test_tells_when_to_switch_on_and_measures_the_start(tmp_path: Path) -> None:
    """The node sends its first frame 0.4 s after the cue at 0.3 s."""
    channel = "bench-start"
    rows = charger_rows(0.4)

    def node() -> None:
        with can.Bus(interface="virtual", channel=channel) as bus:
            wait_until_listening(tmp_path)
            begin = time.monotonic() + 0.7
            for at_ns, identifier, payload in rows:
                time.sleep(max(0.0, begin + at_ns / 1e9 - time.monotonic()))
                bus.send(can.Message(arbitration_id=identifier, data=payload))

    thread = threading.Thread(target=node)
    thread.start()
    result = bench(
        *("charger", "--plan", PLANS / "as_built.toml", "-i", f"virtual:{channel}"),
        *("--seconds", 1.2, "--power-on", 0.3, "--start-within", 5, "--record", tmp_path),
        "--json",
    )
    thread.join()
    assert "Switch charger on NOW." in result.err
    document = json.loads(result.out)
    assert document["start_up_s"] == pytest.approx(0.4, abs=0.2)
    assert document["allowed"]["start_s"] == 5
    assert document["sent"] == []


def wait_until_listening(folder: Path) -> None:
    end = time.monotonic() + 30
    while not list(folder.glob("bench-*.journal")):
        assert time.monotonic() < end
        time.sleep(0.005)


def test_a_played_plan_passes_on_the_bench(tmp_path: Path) -> None:
    """The virtual bench for learning: what ``busplan simulate`` sends is what the plan says."""
    log = tmp_path / "played.log"
    plan = PLANS / "as_built.toml"
    made = busplan(
        *("simulate", str(plan), "--seconds", "12", "--network", "charge"),
        *("--network", "drive", "--out", str(log)),
    )
    assert made.code == 0, made.err
    for node, network in (("charger", "charge"), ("pedal", "drive"), ("inverter", "drive")):
        result = bench(node, "--plan", plan, "--network", network, "--capture", log)
        assert (result.code, result.err.count("Traceback")) == (0, 0), result.out


def test_an_answer_is_timed_on_a_real_software_bus(tmp_path: Path) -> None:
    """Request for the address claim, and its answer: SAE J1939-21 and -81, from memory."""
    channel = "bench-answer"
    heard = []

    def node() -> None:
        with can.Bus(interface="virtual", channel=channel) as bus:
            wait_until_listening(tmp_path)
            for _, identifier, payload in charger_rows(0.3):
                bus.send(can.Message(arbitration_id=identifier, data=payload))
            while (message := bus.recv(10)) is not None:
                heard.append((message.arbitration_id, bytes(message.data)))
                time.sleep(0.03)
                bus.send(can.Message(arbitration_id=0x18EEFFE5, data=bytes(8)))
                return

    thread = threading.Thread(target=node)
    thread.start()
    result = bench(
        *("charger", "--plan", PLANS / "as_built.toml", "-i", f"virtual:{channel}"),
        *("--seconds", 0.5, "--transmit", "--record", tmp_path, "--json"),
    )
    thread.join()
    assert heard == [(0x18EAE5F9, bytes.fromhex("00EE00"))]
    assert "keep hands, tools and people clear" in " ".join(result.err.split())
    document = json.loads(result.out)
    assert [s["frame"] for s in document["sent"]] == ["18EAE5F9#00EE00"]
    assert 25 < document["sent"][0]["answer_ms"] < 1000
    assert "request-answered" in [f["code"] for f in document["findings"]]
