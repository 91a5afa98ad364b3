"""Messages of several frames in survey, decode and replay, as their users call them."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.command import busplan
from support.transport_traffic import MS, Frame, broadcast, segmented, spread, table

from busplan.capture.textlog import write_textlog
from busplan.frames.kinds import EXTENDED

DBC = """VERSION ""
BU_: CHARGER BMS
BO_ 2566852837 ChargeLog: 28 CHARGER
 SG_ LogNumber : 0|8@1+ (1,0) [0|255] "" BMS
 SG_ LogLast : 216|8@1+ (0.5,0) [0|255] "A" BMS
BO_ 2024 BmsAnswer: 34 BMS
 SG_ Number : 31|8@0+ (1,0) [0|255] "" CHARGER
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_ "VFrameFormat" BO_ 2566852837 3;
"""
PLAN = """[network.charge]
bit_rate = 250_000
channels = ["can0"]
[part.charger]
definitions = "all.dbc"
sender = "CHARGER"
[part.bms]
definitions = "all.dbc"
sender = "BMS"
[node.charger]
part = "charger"
on = ["charge"]
[node.bms]
part = "bms"
on = ["charge"]
"""
STATED = '[message."charge/BmsAnswer"]\nsegmented = "normal"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A log with ten broadcasts of the charger, one broken, and ten answers of the battery."""
    frames: list[Frame] = []
    for i in range(10):
        begin = i * 1000 * MS
        sent = broadcast(0xE5, 0xFF10, bytes([i, *range(100, 126), 2 * i]))
        if i == 4:
            del sent[2]
        frames += spread(sent, begin)
        answer = segmented(0x7E8, bytes([0x62, 1, 2, i]) + bytes(range(30)))
        flow = Frame(0, 0x7E0, bytes([0x30, 0, 0, 0, 0, 0, 0, 0]))
        frames += spread([answer[0], flow, *answer[1:]], begin + 500 * MS)
    seen = table(sorted(frames), flags=0, networks=("a",))
    seen = replace(
        seen,
        networks=("can0",),
        flags=np.where(seen.identifier > 0x7FF, EXTENDED, 0).astype(np.uint8),
    )
    write_textlog(seen, tmp_path / "run.log")
    (tmp_path / "all.dbc").write_text(DBC)
    (tmp_path / "plan.toml").write_text(PLAN)
    (tmp_path / "stated.toml").write_text(PLAN + STATED)
    return tmp_path


def test_survey_lists_them_and_suggests_segmented_identifiers(folder: Path) -> None:
    log = str(folder / "run.log")
    plain = busplan("survey", log, "--no-cache")
    assert "group 0xFF10, 0xE5 to all" in plain.out
    assert "10 messages of 34 bytes in several frames" in " ".join(plain.out.split())
    told = json.loads(busplan("survey", log, "--no-cache", "--segmented", "0x7E8", "--json").out)
    lengths = {m["label"]: m["lengths"] for m in told["messages_of_several_frames"]}
    assert lengths == {"0x18FF10E5": {"28": 9}, "0x7E8": {"34": 10}}
    assert {t["what"]: t["endings"] for t in told["transport"]} == {
        "group 0xFF10, 0xE5 to all": {"complete": 9, "missing": 1},
        "0x7E8": {"complete": 10},
    }
    (broken,) = [f for f in told["findings"] if f["code"] == "transport-broken"]
    assert broken["where"]["time_ns"] == 4000 * MS
    assert "1 of 10 J1939 broadcasts" in broken["summary"]


def test_survey_of_one_network_tells_nothing_of_another(folder: Path) -> None:
    log = folder / "run.log"
    log.write_text(log.read_text() + "(5.000000) can1 123#00\n")
    told = json.loads(busplan("survey", str(log), "--no-cache", "--network", "can1", "--json").out)
    assert [m["label"] for m in told["identifiers"]] == ["0x123"]
    assert told["transport"] == []
    assert not [f for f in told["findings"] if f["code"].startswith("transport")]


@pytest.mark.parametrize(
    ("plan", "more"), [("stated.toml", []), ("plan.toml", ["--segmented", "charge/0x7E8:0x7E0"])]
)
def test_decode_gives_their_values(folder: Path, plan: str, more: list[str]) -> None:
    done = busplan(
        "decode", str(folder / "run.log"), "--plan", str(folder / plan), "--no-cache", *more
    )
    rows = [line.split(",") for line in done.out.replace('"', "").splitlines()[1:]]
    values = {(row[4], float(row[0])): float(row[5]) for row in rows}
    assert len(values) == 9 * 2 + 10
    assert values["LogLast", 9.08] == 9
    assert values["Number", 9.6] == 9
    assert "transport-broken" in done.err
    assert "0x1CEB" not in done.err


def test_replay_shows_them_beside_their_parts(folder: Path) -> None:
    plan = str(folder / "stated.toml")
    asked = ["replay", str(folder / "run.log"), "--plan", plan, "--no-cache", "--text"]
    text = " ".join(busplan(*asked, "--screen", "messages").out.split())
    assert "LogNumber 9 LogLast 9.0 A" in text.replace("'", "")
    assert "Number 9" in text
    assert "0x1CEBFFE5 (parts)" in text
    found = busplan(*asked, "--screen", "findings").out
    assert "transport-broken" in found
    assert "0x1CEB" not in found


@pytest.mark.parametrize(
    "wrong", ["0x7E8@2", "other/0x7E8", "7E8", "0x7E8:0x18DA10F1", "0x7E8:0x7E0:0x7E1", ""]
)
def test_a_wrong_option_is_told(folder: Path, wrong: str) -> None:
    done = busplan("survey", str(folder / "run.log"), "--no-cache", "--segmented", wrong)
    assert done.code == 3
    assert len(done.err.splitlines()) == 1


def test_a_message_longer_than_a_look_is_surveyed_in_bounded_memory(tmp_path: Path) -> None:
    frames = spread(broadcast(1, 0xFF10, bytes(1785)), step_ns=MS)
    write_textlog(table(frames, networks=("a",)), tmp_path / "long.log")
    done = busplan("survey", str(tmp_path / "long.log"), "--no-cache")
    assert "1 message, 1785 bytes" in done.out
