"""Boards, alarms and notes by command: what is printed, how it ends, what is kept."""

import csv
import json
import shutil
from pathlib import Path

import pytest
from support.command import busplan

ROOT = Path(__file__).parents[2]
DRIVE = str(ROOT / "captures/drive_short.log.gz")
PLAN = str(ROOT / "dbc_examples/as_built.toml")
BOARD = """
[[limit]]
signal = "current"
caution_high = {caution}
for_s = 0.2
[[board]]
name = "road"
[[board.tile]]
show = "figure"
signals = "current"
at = [0, 0]
size = [4, 4]
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    path = tmp_path / "road.board.toml"
    path.write_text(BOARD.format(caution=100))
    return path


def test_alarms_end_by_their_weight_and_say_what_was_not_judged(board: Path) -> None:
    told = busplan("alarms", DRIVE, "--plan", PLAN, "--board", board, "--believe-all")
    assert told.code == 1
    assert "! 0:" in told.out
    assert "current >100 peak" in told.out
    board.write_text(BOARD.format(caution=10_000))
    calm = busplan("alarms", DRIVE, "--plan", PLAN, "--board", board, "--believe-all", "--json")
    document = json.loads(calm.out)
    mine = [a for a in document["alarms"] if a["subject"].endswith("PackCurrent")]
    assert mine == []
    board.write_text(BOARD.format(caution=100).replace("caution_high", "fault_high"))
    assert busplan("alarms", DRIVE, "--plan", PLAN, "--board", board, "--believe-all").code == 2


def test_limits_of_what_never_came_are_not_counted_as_judged() -> None:
    warm_up = str(ROOT / "captures/warm_up_short.log.gz")
    told = busplan("alarms", warm_up, "--plan", PLAN, "--json")
    document = json.loads(told.out)
    assert len(document["never_heard"]) > 96
    # Each cell has two limits, and no cell was recorded.
    assert document["limits"] - document["limits_judged"] > 2 * 96
    words = busplan("alarms", warm_up, "--plan", PLAN).err
    assert f"{document['limits_judged']} of {document['limits']} limits judged" in words
    shown = busplan("replay", warm_up, "--plan", PLAN, "--screen", "board", "--text").out
    assert "all in range" not in shown


def test_the_board_screen_says_the_same_as_the_alarms(board: Path) -> None:
    alarms = json.loads(busplan("alarms", DRIVE, "--plan", PLAN, "--board", board, "--json").out)[
        "alarms"
    ]
    shown = json.loads(
        busplan(
            "replay", DRIVE, "--plan", PLAN, "--board", board, "--screen", "board", "--json"
        ).out
    )["board"]["alarms"]
    assert alarms
    assert shown == alarms


def test_a_wrong_board_is_one_located_error(board: Path) -> None:
    board.write_text(BOARD.format(caution=1).replace("figure", "clock"))
    told = busplan("alarms", DRIVE, "--plan", PLAN, "--board", board)
    assert told.code == 3
    assert "road.board.toml:9: board #1.tile #1.show: must be one of" in told.err
    board.write_text("")
    assert "needs [[board]]" in busplan("alarms", DRIVE, "--plan", PLAN, "--board", board).err
    assert busplan("replay", DRIVE, "--board", board.with_name("none.toml")).code == 3


def test_notes_are_kept_beside_the_capture_and_found_in_the_replay(tmp_path: Path) -> None:
    capture = tmp_path / "run.log"
    frames = "".join(f"({100 + i / 10:.6f}) can0 120#{i:02X}00\n" for i in range(50))
    capture.write_text(frames)
    assert "no notes" in busplan("note", capture).out
    assert busplan("note", capture, "heater", "on", "--at", "2", "--by", "me").code == 0
    assert "heater on  (me)" in busplan("note", capture).out
    assert "heater on (me)" in busplan("replay", capture, "--screen", "findings", "--text").out
    assert busplan("note", capture, "late", "--at", "9999").code == 3
    assert busplan("note", tmp_path / "none.log", "x").code == 3
    now = busplan("note", capture, "now")
    assert "noted at 20" in now.out
    capture.write_text(frames.replace("120#", "121#"))
    other = busplan("note", capture, "--json")
    assert other.code == 1
    assert json.loads(other.out)["belongs"] is False


def test_notes_go_with_decoded_values(tmp_path: Path) -> None:
    capture = tmp_path / "bench.log.gz"
    shutil.copy(ROOT / "captures" / "bench_charger_short.log.gz", capture)
    out = tmp_path / "values.csv"
    ask = ("decode", capture, "--plan", PLAN, "--signal", "ChargerVoltage", "--out", out)
    assert busplan("note", capture, "=1+1 bled C2", "--at", "2", "--by", "me").code == 0
    told = busplan(*ask)
    assert "1 note written to" in told.err
    assert "=1+1 bled C2 (me)" in told.err
    rows = list(csv.DictReader((tmp_path / "values.notes.csv").open()))
    assert [(float(r["time_s"]), r["by"]) for r in rows] == [(2.0, "me")]
    assert rows[0]["text"].endswith("=1+1 bled C2")
    assert not rows[0]["text"].startswith("="), "a spreadsheet would take it for a formula"
    notes = json.loads(busplan(*ask, "--json").out)["notes"]
    assert [n["text"] for n in notes] == ["=1+1 bled C2"]
    path = tmp_path / "bench.log.gz.notes.toml"
    path.write_text(path.read_text().replace('head_sha256 = "', 'head_sha256 = "0'))
    assert "made beside another capture; its notes are left out" in busplan(*ask).err
    path.write_text("= x")
    left = busplan(*ask)
    assert left.code == 0
    assert "notes are left out" in left.err


def test_a_damaged_file_of_notes_is_one_error(tmp_path: Path) -> None:
    capture = tmp_path / "run.log"
    capture.write_text("(1.000000) can0 120#00\n(2.000000) can0 120#00\n")
    (tmp_path / "run.log.notes.toml").write_text("[[note]]\ntext = 3\n")
    told = busplan("replay", capture, "--text")
    assert told.code == 3
    assert "run.log.notes.toml: note 1 needs t_ns" in told.err


def test_definitions_without_a_plan_give_names_and_values() -> None:
    dbc = ROOT / "dbc_examples"
    told = busplan("replay", DRIVE, "--definitions", dbc, "--text")
    assert told.code in (0, 1)
    assert "InverterTorque" in told.out
    assert "MotorSpeed" in told.out
    both = busplan("replay", DRIVE, "--plan", PLAN, "--definitions", dbc, "--text")
    assert both.code == 3
    assert "0x038" in busplan("replay", DRIVE, "--text").out


def test_beside_shows_the_pair() -> None:
    told = busplan("replay", DRIVE, "--plan", PLAN, "--beside", DRIVE, "--text")
    assert "change" in told.out


def test_play_never_plays_to_hardware() -> None:
    told = busplan("play", DRIVE, "--to", "socketcan:can0")
    assert told.code == 3
    assert "only software buses" in told.err
    assert busplan("play", DRIVE, "--from", "99999").code == 3


def test_a_workbench_says_what_it_does_not_know() -> None:
    told = busplan(
        "workbench",
        DRIVE,
        "--identifier",
        "drive/0x038",
        "--plan",
        PLAN,
        "--bits",
        "7:16:big:signed",
        "--against",
        "InverterTorque/MotorTorque",
    )
    assert told.code == 0
    assert "InverterTorque" in told.out
    assert "not found: " in told.out
    assert "no second capture confirms it" in told.out
    assert "bit 7, 16 bits big-endian signed: r = 1.0000, × 0.1 +0" in told.out
    for wrong in ("99:8", "0:0", "0:8:odd", "x"):
        assert busplan("workbench", DRIVE, "--identifier", "0x038", "--bits", wrong).code == 3
    assert busplan("workbench", DRIVE, "--identifier", "0x7FE").code == 3
    assert busplan("workbench", DRIVE, "--identifier", "0x038", "--against", "X").code == 3
