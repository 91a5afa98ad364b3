"""Sending a node what it waits for: from a file, checked before anything is sent, and counted.

CRC-8 SAE J1850 is worked out here bit by bit; distances of frames are held against the file.
"""

import time
from pathlib import Path
from typing import Any

import can
import pytest
from support.bench_nodes import (
    BENCH,
    STATUS,
    UNIT,
    Bench,
    Program,
    crc_j1850,
    good_unit,
    serious,
    stated,
    status_values,
    told,
    unsigned,
)
from support.recording_bus import KIND, RememberingBus, install

from busplan.bench.live_run import run_live
from busplan.bench.run import BenchTest
from busplan.capture.read import read_capture
from busplan.definitions.model import Message
from busplan.errors import UsageError
from busplan.frames.kinds import SENT
from busplan.live.feed_file import Fed, read_feed
from busplan.live.interface_spec import parse_single_interface
from busplan.live.interfaces import open_sender
from busplan.plan.vehicle import Vehicle

ENABLE = Message(
    "VehicleEnable",
    0x50,
    False,
    4,
    (
        unsigned("Mode", 0, 4, choices={0: "off", 1: "drive"}, receivers=(UNIT,)),
        unsigned("EnableCounter", 4, 4),
        unsigned("MaxCurrent", 8, 16, scale=0.1, unit="A", receivers=(UNIT,)),
        unsigned("EnableChecksum", 24, 8),
    ),
    ("vehicle",),
    cycle=stated(50),
)
PLAIN = Message("Lamp", 0x51, False, 1, (unsigned("Lamp", 0, 8, receivers=(UNIT,)),), ("vehicle",))
GOOD = """
[[feed]]
message = "VehicleEnable"
values = { Mode = "drive", MaxCurrent = 12.5 }
checksum = "CRC-8 SAE J1850"
"""


def bench() -> Bench:
    return Bench(
        [Program(STATUS, 100, status_values, crc=True)], more={"received": (ENABLE, PLAIN)}
    )


def read(tmp_path: Path, text: str, vehicle: Vehicle | None = None) -> tuple[Fed, ...]:
    path = tmp_path / "feed.toml"
    path.write_text(text, encoding="utf-8")
    return read_feed(path, vehicle or bench().vehicle(), UNIT, BENCH)


def test_values_counter_and_checksum_are_as_told(tmp_path: Path) -> None:
    (fed,) = read(tmp_path, GOOD)
    assert fed.every_ns == 50_000_000
    frames = fed.payloads(14, 3)
    assert [f[0] for f in frames] == [0xE1, 0xF1, 0x01], "mode 1, counter 14, 15, 0"
    assert all(f[1:3] == (125).to_bytes(2, "little") for f in frames)
    assert all(f[3] == crc_j1850(f[:3]) for f in frames)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "write one"),
        ("feed = 1", "write one"),
        (GOOD + "x = 1\n[y]", "write one"),
        ("[[feed]]", 'message = "NAME"'),
        ("[[feed", "is no TOML"),
        ("[[feed]]\nmessage = 'VehicelEnable'", "VehicleEnable"),
        ("[[feed]]\nmessage = 'UnitStatus'", "nobody else sends"),
        ("[[feed]]\nmessage = 'Lamp'", "every_ms"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = 0", "every_ms"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = true", "every_ms"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = nan", "every_ms"),
        ("[[feed]]\nmessage = 'Lamp'\nevery = 9", "no key 'every'"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = 9\nvalues = { Lump = 1 }", "Lamp"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = 9\nvalues = { Lamp = 300 }", "fit"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = 9\nvalues = { Lamp = true }", "number"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = 9\nvalues = { Lamp = 'on' }", "it has: none"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = 9\nvalues = 5", "is a table"),
        ("[[feed]]\nmessage = 'Lamp'\nevery_ms = 9\n" * 2, "two entries"),
        ("[[feed]]\nmessage = 'VehicleEnable'", "write checksum = KIND"),
        (GOOD.replace("J1850", "J1851"), "one of CRC-8 SAE J1850"),
        (GOOD.replace("drive", "fly"), "it has: off, drive"),
    ],
)
def test_what_cannot_be_sent_is_told_before(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read(tmp_path, text)


def test_what_the_node_sends_itself_is_never_fed(tmp_path: Path) -> None:
    own = Message("Copy", STATUS.identifier, False, 8, (unsigned("A", 0, 8, receivers=(UNIT,)),))
    vehicle = Bench(good_unit(), more={"received": (own,)}).vehicle()
    with pytest.raises(UsageError, match="what unit sends itself"):
        read(tmp_path, "[[feed]]\nmessage = 'Copy'\nevery_ms = 10", vehicle)


def run(tmp_path: Path, fed: tuple[Fed, ...], **options: Any) -> Any:
    test = BenchTest.of(bench().vehicle(), UNIT)
    return run_live(
        test,
        parse_single_interface(f"{KIND}:x", BENCH),
        seconds=0.6,
        folder=tmp_path,
        fed=fed,
        **options,
    )


def test_feeding_needs_the_consent(tmp_path: Path) -> None:
    install()
    with pytest.raises(UsageError, match="explicit consent"):
        run(tmp_path, read(tmp_path, GOOD))
    assert RememberingBus.opened == 0


def test_fed_frames_keep_their_distance_are_counted_and_logged_as_ours(tmp_path: Path) -> None:
    install()
    RememberingBus.incoming.append(
        can.Message(arbitration_id=STATUS.identifier, is_extended_id=False, data=bytes(8))
    )
    record = run(tmp_path, read(tmp_path, GOOD), sender=open_sender)
    sent = [m for m in RememberingBus.sent if m.arbitration_id == ENABLE.identifier]
    assert len(sent) == len(RememberingBus.sent)
    assert 8 <= len(sent) <= 15, "every 50 ms for 0.6 s"
    assert [m.data[0] >> 4 for m in sent] == [n % 16 for n in range(len(sent))]
    assert record.sent is not None
    (told_so,) = record.sent
    assert (told_so.fed, told_so.times) == (True, len(sent))
    assert told_so.purpose == "VehicleEnable, every 50 ms"
    kept = read_capture(tmp_path / record.capture).frames
    assert int(((kept.flags & SENT) != 0).sum()) == len(sent)
    assert "message-undefined" not in {f.code for f in record.report.findings}
    at_end = time.monotonic()
    time.sleep(0.12)
    assert len(RememberingBus.sent) == len(sent), (at_end, "nothing is sent after the test")


def test_what_nobody_sends_is_told_with_what_it_likely_does() -> None:
    made = bench()
    report = made.judge()
    words = told(report, "inputs-not-sent")
    assert "2 messages of 2 that it receives" in words
    assert "VehicleEnable (0x050, every 50 ms, likely enables it)" in words
    assert serious(report) == []
    heard = [Program(PLAIN, 100, lambda k: {"Lamp": k % 3})]
    rows = [*made.rows(), *Bench(heard).rows()]
    assert "1 message of 2 that it receives" in told(made.judge(rows), "inputs-not-sent")
