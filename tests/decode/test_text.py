"""Text signals: VIN, serial number, software names; whole, delimited, in messages of any length.

The layouts of the sessions are those of SAE J1939-21 and ISO 15765-2, of the identifications those
of SAE J1939-71 and ISO 14229-1; all from memory. Names and numbers are invented.
"""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.command import busplan
from support.frames import frames
from support.transport_traffic import MS, Frame, broadcast, connection, segmented, spread

import busplan as face
from busplan.decode.codec import decode_message
from busplan.decode.encode import encode_message
from busplan.decode.single import FrameReader
from busplan.decode.text import text_of
from busplan.definitions.dbc import parse_dbc
from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.errors import UsageError
from busplan.frames.kinds import REMOTE

VIN = "MAGPIE0INVENTED17"
MAKE = Message(
    "Identity",
    0x18FEEB21,
    True,
    200,
    (Signal("Make", 0, 40 * 8), Signal("Model", 320, 80 * 8), Signal("Serial", 960, 80 * 8)),
    j1939=split_identifier(0x18FEEB21),
)


def read(message: Message, payload: bytes) -> list[str | None]:
    """Both readers, which must agree."""
    values, _ = FrameReader(message).read(payload)
    decoded = decode_message(frames([payload, b"", payload]), [0, 2], message)
    for signal, value in zip(message.signals, values, strict=True):
        column = decoded[signal.name]
        assert column.present.tolist() == [value is not None] * 2
        if isinstance(value, str):
            assert column.values.tolist() == column.texts().tolist() == [value] * 2
        else:
            assert value is None or column.values.tolist() == [value] * 2
    return values


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"ABC", "ABC"),
        (b"ABC  \x00\x00\xff\xff", "ABC"),
        (b"Stra\xdfe", "Straße"),  # ISO 8859-1
        (b"\xff" * 17, ""),
        (b"A\x1b[31mB", "41 1B 5B 33 31 6D 42"),
        (b"AB\x00CD", "41 42 00 43 44"),
        (b"\x9b31mABC", "9B 33 31 6D 41 42 43"),
    ],
)
def test_text_is_latin_characters_or_else_its_bytes(content: bytes, text: str) -> None:
    assert text_of(content) == text


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b"PIE*LOOP 2*0042*", ["PIE", "LOOP 2", "0042"]),
        (b"PIE*LOOP 2*0042", ["PIE", "LOOP 2", "0042"]),
        (b"PIE**0042*", ["PIE", "", "0042"]),
        (b"PIE*LOOP 2*", ["PIE", "LOOP 2", None]),
        (b"PIE*LOOP 2", ["PIE", "LOOP 2", None]),
        (b"PIE*LOOP 2*0042*UNIT 7*", ["PIE", "LOOP 2", "0042*UNIT 7"]),
        (b"PIE*\xff\xff\xff\xff", ["PIE", None, None]),
        # Without a delimiter each lies where the definition says.
        (b"PIE".ljust(40) + b"LOOP 2".ljust(80) + b"0042", ["PIE", "LOOP 2", "0042"]),
        (b"PIE", ["PIE", None, None]),
        (b"", [None, None, None]),
    ],
)
def test_j1939_fields_end_with_a_star_wherever_it_is(payload, expected) -> None:
    assert read(MAKE, payload) == expected
    # No message of any such length is short.
    assert decode_message(frames([payload]), [0], MAKE).short == 0


def test_text_of_a_plain_message_is_there_when_it_is_whole() -> None:
    fd = Message("F", 1, False, 24, (Signal("Kind", 0, 8), Signal("Name", 8, 128)), fd=True)
    assert read(fd, b"\x05" + b"ABCDEFGHIJKLMNOP".ljust(23)) == [5, "ABCDEFGHIJKLMNOP"]
    assert read(fd, b"\x05ABCDEFGHIJKLMNO") == [5, None]
    # Big-endian text starts at the highest bit of its first byte and reads the same.
    big = Message("F", 1, False, 24, (Signal("Name", 15, 128, big_endian=True),), fd=True)
    assert big.signals[0].last_byte == 16
    assert read(big, b"\x05" + b"ABCDEFGHIJKLMNOP".ljust(23)) == ["ABCDEFGHIJKLMNOP"]


def test_text_on_a_page_is_there_with_its_selector() -> None:
    paged = Message(
        "P",
        0x7E8,
        False,
        20,
        (
            Signal("Did", 15, 16, big_endian=True, selects=True),
            Signal("Vin", 24, 136, condition=MuxCondition("Did", ((0xF190, 0xF190),))),
        ),
        segmented="normal",
    )
    assert read(paged, b"\x62\xf1\x90" + VIN.encode()) == [0xF190, VIN]
    assert read(paged, b"\x62\xf1\x87" + VIN.encode()) == [0xF187, None]
    # A segmented answer may be shorter: what came is shown, and counted as short.
    assert read(paged, b"\x62\xf1\x90MAGPIE") == [0xF190, "MAGPIE"]
    assert decode_message(frames([b"\x62\xf1\x90MAGPIE"]), [0], paged).short == 1


def test_remote_frames_carry_no_text_and_raw_values_are_refused() -> None:
    table = frames([b"PIE*"], flags=REMOTE)
    decoded = decode_message(table, [0], MAKE)
    assert not decoded["Make"].present.any()
    with pytest.raises(TypeError, match="text"):
        _ = decoded["Make"].raw
    assert not decoded["Make"].out_of_range.any()


@settings(max_examples=60)
@given(st.lists(st.binary(max_size=210), max_size=12))
def test_many_frames_say_what_single_ones_say(payloads) -> None:
    reader = FrameReader(MAKE)
    decoded = decode_message(frames(payloads), np.arange(len(payloads)), MAKE)
    for i, payload in enumerate(payloads):
        for signal, value in zip(MAKE.signals, reader.read(payload)[0], strict=True):
            column = decoded[signal.name]
            assert column.present[i] == (value is not None)
            assert column.values[i] == (value or "")


def test_encoding_and_decoding_text_are_inverse() -> None:
    message = Message("F", 1, False, 24, (Signal("Kind", 0, 8), Signal("Name", 8, 128)), fd=True)
    rows = encode_message(message, {"Kind": [1, 2], "Name": ["Straße", "B"]}, 2)
    assert read(message, rows[0].tobytes()) == [1, "Straße"]
    assert read(message, rows[1].tobytes()) == [2, "B"]
    for wrong in ("x" * 17, "Ω"):
        with pytest.raises(UsageError, match="Name"):
            encode_message(message, {"Name": wrong}, 1)


def test_wide_signals_are_text_or_told() -> None:
    def codes(signal: str) -> list[str]:
        text = f'VERSION ""\nBU_: A\nBO_ 1 M: 30 A\n SG_ Kind : 0|8@1+ (1,0) [0|0] "" A\n{signal}'
        found = parse_dbc(text, "m.dbc")
        assert len(found.messages) == 1
        return [f.summary for f in found.findings if f.code == "definition-line-set-aside"]

    fine = codes(' SG_ Vin : 8|136@1+ (1,0) [0|0] "" A\n')
    assert fine == []
    for wrong in ("9|136@1+", "8|137@1+", "8|136@0+"):
        (told,) = codes(f' SG_ Vin : {wrong} (1,0) [0|0] "" A\n')
        assert "whole bytes" in told
    (told,) = codes(' SG_ Vin M : 8|136@1+ (1,0) [0|0] "" A\n')
    assert "selector" in told


DBC = """VERSION ""
BU_: BOX TOOL
BO_ 2566843425 VehicleId: 200 BOX
 SG_ Vin : 0|1600@1+ (1,0) [0|0] "" TOOL
BO_ 2566838817 Software: 125 BOX
 SG_ Fields : 0|8@1+ (1,0) [0|0] "" TOOL
 SG_ Program : 8|496@1+ (1,0) [0|0] "" TOOL
 SG_ Loader : 504|496@1+ (1,0) [0|0] "" TOOL
BO_ 2024 Answer: 4200 BOX
 SG_ Service : 7|8@0+ (1,0) [0|0] "" TOOL
 SG_ Number : 15|16@0+ (1,0) [0|0] "" TOOL
 SG_ Notes : 24|33576@1+ (1,0) [0|0] "" TOOL
BA_DEF_ "ProtocolType" STRING ;
BA_DEF_DEF_ "ProtocolType" "";
BA_ "ProtocolType" "J1939";
"""
PLAN = """[vehicle]
name = "Invented"
[network.charge]
bit_rate = 250_000
channels = ["a"]
[part.box]
definitions = "box.dbc"
bit_rates = [250_000]
[node.box]
part = "box"
on = ["charge"]
[message."box/VehicleId"]
cycle_ms = 1000
[message."box/Software"]
cycle_ms = 1000
[message."box/Answer"]
segmented = "normal"
min_distance_ms = 1000
"""
NOTES = "".join(f"line {i:04} of the invented log; " for i in range(130))
"""4,160 characters: longer than a J1939 session and than the 12 bits of a first frame allow."""


def written(frame: Frame) -> str:
    label = f"{frame.identifier:0{8 if frame.identifier > 0x7FF else 3}X}"
    return f"({frame.time_ns / 1e9:.6f}) a {label}#{frame.payload.hex().upper()}"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan and twelve seconds in which a box tells who it is."""
    here = tmp_path_factory.mktemp("texts")
    (here / "box.dbc").write_text(DBC, "utf-8")
    (here / "plan.toml").write_text(PLAN, "utf-8")
    sent: list[Frame] = []
    for second in range(12):
        begin = (1000 + second) * 1000 * MS
        sent += spread(broadcast(0x21, 0xFEEC, VIN.encode() + b"*"), begin, MS)
        name = b"\x02WARM 1.4*BOOT 2*"
        sent += spread(connection(0x21, 0x10, 0xFEDA, name), begin + 100 * MS, MS)
        sent += spread(segmented(0x7E8, b"\x62\xf1\x95" + NOTES.encode()), begin + 200 * MS, MS)
    sent.sort(key=lambda f: f.time_ns)
    (here / "run.log").write_text("\n".join(map(written, sent)) + "\n", "utf-8")
    return here


def test_text_comes_out_of_every_command(folder: Path) -> None:
    where = ("--plan", folder / "plan.toml", folder / "run.log", "--no-cache")
    run = busplan("decode", *where)
    rows = list(csv.DictReader(io.StringIO(run.out)))
    told = {(r["signal"], r["value"], r["text"]) for r in rows}
    assert {
        ("Vin", "", VIN),
        ("Program", "", "WARM 1.4"),
        ("Loader", "", "BOOT 2"),
        ("Notes", "", NOTES.rstrip()),
        ("Fields", "2", ""),
    } <= told
    busplan("decode", *where, "--layout", "wide", "--every", "1", "--out", folder / "w.parquet")
    wide = pq.read_table(folder / "w.parquet").to_pandas()
    column = next(name for name in wide.columns if name.endswith("/Vin"))
    assert wide[column].iloc[-1] == VIN

    shown = busplan("replay", *where, "--screen", "messages", "--json")
    messages = {m["message"]: m["signals"] for m in json.loads(shown.out)["messages"]}
    assert messages["VehicleId"]["Vin"]["value"] == VIN
    assert messages["Answer"]["Notes"]["value"] == NOTES.rstrip()
    assert f'Vin "{VIN}"' in busplan("replay", *where, "--screen", "messages", "--text").out
    span = busplan("replay", *where, "--screen", "span", "--signal", "Vin", "--text")
    assert f'"{VIN}"' in span.out

    # Without any definition the survey guesses that it is text.
    survey = busplan("survey", folder / "run.log", "--no-cache", "--segmented", "0x7E8", "--json")
    guesses = str(json.loads(survey.out)["messages_of_several_frames"])
    assert f'text "{VIN}*"' in guesses
    assert "line 0000 of the invented log" in guesses

    record = busplan("bench", "box", "--plan", folder / "plan.toml", "--json", "--no-cache",
                     "--capture", folder / "run.log")  # fmt: skip
    proofs = {s["name"]: s for m in json.loads(record.out)["messages"] for s in m["signals"]}
    assert (proofs["Vin"]["role"], proofs["Vin"]["detail"]) == ("text", f'"{VIN}"')
    assert not [f for f in json.loads(record.out)["findings"] if f["code"] == "payload-short"
                and "Answer" not in str(f["where"])]  # fmt: skip


def test_text_comes_out_of_the_python_face(folder: Path) -> None:
    capture = face.read_capture(folder / "run.log", face.load_plan(folder / "plan.toml"))
    assert capture.decode("Vin").iloc[-1].item() == VIN


def test_the_pack_takes_no_text_for_a_number(folder: Path) -> None:
    pack = """[pack]
chemistry = "NMC"
quantities = { current = "Vin" }
[[pack.enclosure]]
name = "A"
node = "box"
modules = ["A1"]
cells_per_module = [1]
cells = ["Program"]
sensors_per_module = [0]
sensors = []
"""
    (folder / "pack.toml").write_text(PLAN + pack, "utf-8")
    run = busplan("check", folder / "pack.toml")
    assert run.code == 3
    assert '"Vin" is text' in run.err
    assert '"Program" is text' in run.err
