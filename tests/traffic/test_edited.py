"""Drafts from recorded frames: what was sent is found, what people edited stays.

Outside truth: the definitions the frames were encoded from, which the draft has not read; cantools
reads what is written.
"""

import json
from pathlib import Path

import cantools
import pytest
from support.command import busplan
from support.frames import frames
from support.plans import PUMP

from busplan.definitions.dbc import load_dbc
from busplan.definitions.model import Message, Origin, Signal, Stated
from busplan.demo.files import shipped
from busplan.traffic.edited import impossible_values, merged

BENCH = shipped("captures") / "bench_charger_short.log.gz"
CHARGER = shipped("dbc_examples") / "charger.dbc"


def test_what_people_edited_stays_whole() -> None:
    signal = Signal("Inlet", 0, 8, scale=0.5, comment="measured by hand")
    edited = Message("Temps", 5, False, 8, (signal,), ("BOX",), comment="mine")
    cycle = Stated(100_000_000, Origin.MEASURED)
    other = Message("Message_006", 6, False, 8, confidence=0.5, cycle=cycle)
    draft = Message("Message_005", 5, False, 8, confidence=0.5)
    note = Message("Relays", 6, False, 8, senders=("RELAY",))
    result = merged((edited,), (note,), (draft, other))
    assert result.messages[0] == edited
    assert (result.kept, result.noted, result.drafted) == (1, 1, 0)
    assert (result.messages[1].name, result.messages[1].cycle) == ("Relays", cycle)
    assert result.messages[1].confidence == 0.5


def test_impossible_values_are_told() -> None:
    table = frames([bytes([i % 200, 3]) for i in range(400)])
    (key,) = table.groups
    inside = Signal("Level", 0, 8, minimum=0, maximum=100, unit="%")
    state = Signal("State", 8, 8, choices={0: "Off", 1: "On"})
    message = Message("M", key.identifier, key.extended, 2, (inside, state))
    found = {w.signal: w for w in impossible_values(table, (message,))}
    assert found["Level"].values == sum(i % 200 > 100 for i in range(400))
    assert "outside 0 to 100 %" in found["Level"].reason
    assert found["State"].values == 400


def test_a_dbc_is_written_once_and_keeps_the_base(tmp_path: Path) -> None:
    target = tmp_path / "draft.dbc"
    run = busplan("draft", BENCH, "--base", CHARGER, "--to", target)
    assert run.code == 0, run.err
    assert "0x18FFA3E5" in run.out
    base, written = load_dbc(CHARGER), load_dbc(target)
    by_id = {m.identifier: m for m in written.messages}
    for message in base.messages:
        again = by_id[message.identifier]
        assert (again.name, again.signals, again.comment) == (
            message.name,
            message.signals,
            message.comment,
        )
    assert by_id[0x18FFA3E5].confidence is not None
    cantools.database.load_file(target)
    again = busplan("draft", BENCH, "--base", CHARGER, "--to", target)
    assert again.code == 3
    assert "stays as it is" in again.err


def test_notes_name_what_frames_show(tmp_path: Path) -> None:
    notes = tmp_path / "notes.csv"
    notes.write_text("identifier,name,sender\n0x18FFA3E5,Cooling,CHARGER\n", "utf-8")
    run = busplan("draft", BENCH, "--base", CHARGER, "--notes", notes, "--json")
    told = json.loads(run.out)
    assert (told["kept"], told["from_notes"], told["drafted"][0]["name"]) == (4, 1, "Cooling")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((BENCH,), "--to"),
        ((BENCH, "--to", "x.txt"), "a .dbc file"),
        ((BENCH, "--to", "x.dbc", "--network", "can9"), "no network"),
        ((BENCH, "--base", CHARGER, "--notes", CHARGER), "no table of messages"),
    ],
)
def test_wrong_calls(arguments: tuple[str | Path, ...], words: str) -> None:
    run = busplan("draft", *arguments)
    assert run.code == 3
    assert words in run.err
    assert not Path("x.dbc").exists()


def test_the_pump_file_has_nothing_impossible_in_nothing() -> None:
    table = frames([b"\x01\x02"])
    assert impossible_values(table, load_messages(PUMP)) == ()


def load_messages(text: str) -> tuple[Message, ...]:
    from busplan.definitions.dbc import parse_dbc

    return parse_dbc(text, "p.dbc").messages
