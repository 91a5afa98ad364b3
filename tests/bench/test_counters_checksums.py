"""Counters and checksums on the bench: named, told, or in bits that no signal names."""

import binascii
import functools
import zlib
from pathlib import Path

import numpy as np
import pytest
from truth.nodes import crc8_j1850

from busplan.bench.checksum_cover import said_to_cover_identifier
from busplan.bench.node_report import BenchLimits, BenchReport, NodeVerdict, SignalProof
from busplan.bench.prove import prove_node
from busplan.decode.protection import KINDS, SAE_J1850, checksum
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.frames.table import FrameTable
from busplan.plan.single import vehicle_of_part

HEAD = (
    'VERSION ""\nBU_: UNIT\nBO_ 291 Status: 8 UNIT\n SG_ Speed : 0|16@1+ (1,0) [0|65535] "km/h" X\n'
)
COUNTER = ' SG_ {} : 48|4@1+ (1,0) [0|15] "" X\n'
LAST_BYTE = ' SG_ {} : 56|8@1+ (1,0) [0|255] "" X\n'
CYCLE = 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_ "GenMsgCycleTime" BO_ 291 100;\n'
SUM = next(k for k in KINDS if k.name == "sum")


def payloads(n: int = 200, kind: object = SAE_J1850, constant: int = 0) -> np.ndarray:
    """A value in bytes 0 and 1, a counter in the low half of byte 6, a checksum in byte 7."""
    k = np.arange(n)
    data = np.zeros((n, 8), np.uint8)
    value = (1000 + 37 * k * k) % 5000
    data[:, 0], data[:, 1], data[:, 6] = value & 0xFF, value >> 8, k % 16
    data[:, 7] = checksum(data[:, :7], kind) ^ constant  # type: ignore[arg-type]
    return data


def prove(
    folder: Path, signals: str, data: np.ndarray, checksums: dict[str, object] | None = None
) -> BenchReport:
    dbc = folder / "unit.dbc"
    dbc.write_text(HEAD + signals + CYCLE)
    n = len(data)
    table = FrameTable.from_columns(
        ["bench"],
        10**18 + np.arange(n) * 10**8,
        np.zeros(n),
        np.full(n, 291),
        np.zeros(n),
        np.full(n, 8),
        data.ravel(),
    )
    vehicle = vehicle_of_part(dbc, "UNIT", bit_rate=500_000)
    limits = BenchLimits(checksums=checksums or {})  # type: ignore[arg-type]
    return prove_node(table, vehicle, "UNIT", limits=limits)


def roles(report: BenchReport) -> dict[str, SignalProof]:
    return {s.name: s for s in report.messages[0].signals if s.role != "value"}


def serious(report: BenchReport) -> list[tuple[str, str | None]]:
    return [(f.code, f.where.signal) for f in report.findings if f.weight > Weight.NOTE]


NAMED = COUNTER.format("AliveCounter") + LAST_BYTE.format("Checksum")
GENERIC = COUNTER.format("Spare6") + LAST_BYTE.format("Byte7")
FORMS = pytest.mark.parametrize(
    ("signals", "counter", "check"),
    [
        (NAMED, "AliveCounter", "Checksum"),
        (GENERIC, "Spare6", "Byte7"),
        ("", "bits 48 to 51", "byte 7"),
    ],
)


@FORMS
def test_counter_and_checksum_are_found_whatever_their_names(
    tmp_path: Path, signals: str, counter: str, check: str
) -> None:
    report = prove(tmp_path, signals, payloads(constant=0x5A))
    found = roles(report)
    assert (found[counter].role, found[check].role) == ("counter", "checksum")
    assert found[check].detail.startswith("CRC-8 SAE J1850, combined with 0x5A")
    assert found[counter].detail.startswith("counts by 1 modulo 16")
    assert serious(report) == []


@FORMS
def test_one_wrong_checksum_is_that_finding_and_no_other(
    tmp_path: Path, signals: str, counter: str, check: str
) -> None:
    data = payloads()
    data[120, 7] ^= 0x10
    report = prove(tmp_path, signals, data)
    assert serious(report) == [("checksum-wrong", check if signals else None)]
    assert f"{check} is wrong in 1 of 200 frames" in report.findings[0].summary
    assert report.findings[0].where.time_ns == 120 * 10**8


@FORMS
def test_one_skip_is_that_finding_and_no_other(
    tmp_path: Path, signals: str, counter: str, check: str
) -> None:
    data = payloads()
    data[100:, 6] = (data[100:, 6] + 1) % 16
    data[:, 7] = checksum(data[:, :7], SAE_J1850)
    report = prove(tmp_path, signals, data)
    assert serious(report) == [("counter-skips", counter if signals else None)]


def test_a_checksum_can_be_told_where_no_signal_names_it(tmp_path: Path) -> None:
    few = payloads(60, SUM)
    report = prove(tmp_path, "", few, {"Status": SUM})
    assert roles(report)["byte 7"].detail.startswith("sum")
    assert serious(report) == []
    wrong = prove(tmp_path, NAMED, few, {"Status": SAE_J1850})
    assert serious(wrong) == [("checksum-wrong", "Checksum")]


def test_a_checksum_told_for_a_message_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"'Nothing'.*it sends Status"):
        prove(tmp_path, NAMED, payloads(20), {"Nothing": SUM})


def test_a_byte_that_repeats_another_is_no_checksum(tmp_path: Path) -> None:
    data = payloads()
    data[:, 1] = data[:, 6] = 0
    data[:, 7] = data[:, 0]
    data[150, 7] ^= 1
    assert serious(prove(tmp_path, LAST_BYTE.format("Byte7"), data)) == []


def test_a_frame_counter_that_stands_still_is_told(tmp_path: Path) -> None:
    data = payloads()
    data[:, 6] = 3
    data[:, 7] = checksum(data[:, :7], SAE_J1850)
    assert serious(prove(tmp_path, NAMED, data)) == [("counter-stuck", "AliveCounter")]


@pytest.mark.parametrize("name", ["ErrorCounter", "RestartCnt", "PulseCounter"])
def test_what_counts_events_may_stand_still_or_leap(tmp_path: Path, name: str) -> None:
    data = payloads()
    data[:, 6] = np.arange(200) // 90
    data[:, 7] = checksum(data[:, :7], SAE_J1850)
    assert serious(prove(tmp_path, COUNTER.format(name), data)) == []
    data[:, 6] = np.arange(200) ** 2 % 11
    data[:, 7] = checksum(data[:, :7], SAE_J1850)
    assert serious(prove(tmp_path, COUNTER.format(name), data)) == []


def crc(data: np.ndarray, bits: int) -> np.ndarray:
    """Checksums that busplan has no name for, by Python's own CRCs and by hand; shape (n, bytes).

    16 bits: ``binascii.crc_hqx`` (polynomial 0x1021) from a start of its own, which an identifier
    mixed in amounts to. 32 bits: ``zlib.crc32``. 8 bits: polynomial 0x4D, bit by bit. 4 bits: the
    exclusive or of all half bytes.
    """
    made = []
    for row in data:
        if bits == 16:
            made.append(binascii.crc_hqx(row.tobytes(), 0x1D0F).to_bytes(2, "little"))
        elif bits == 32:
            made.append(zlib.crc32(row.tobytes()).to_bytes(4, "little"))
        elif bits == 4:
            made.append(
                bytes([functools.reduce(lambda x, b: x ^ b >> 4 ^ b & 15, row.tolist(), 5)])
            )
        else:
            rest = 0x77
            for byte in row.tolist():
                rest ^= byte
                for _ in range(8):
                    rest = (rest << 1 ^ 0x4D if rest & 0x80 else rest << 1) & 0xFF
            made.append(bytes([rest]))
    return np.frombuffer(b"".join(made), np.uint8).reshape(len(data), -1)


@pytest.mark.parametrize("bits", [4, 8, 16, 32])
@pytest.mark.parametrize("wrong", [0, 3])
def test_a_linear_checksum_of_any_kind_and_width_is_checked(
    tmp_path: Path, bits: int, wrong: int
) -> None:
    data, width = payloads(), max(bits // 8, 1)
    data[:, 8 - width :] = crc(data[:, : 8 - width], bits)
    data[50 : 50 + wrong, 7] ^= 1
    report = prove(tmp_path, f' SG_ Crc : {64 - 8 * width}|{bits}@1+ (1,0) [0|0] "" X\n', data)
    assert roles(report)["Crc"].detail == "linear, of no published kind"
    told = [f.summary for f in report.findings if f.where.signal == "Crc"]
    assert [words[:31] for words in told] == ["Crc is wrong in 3 of 200 frames"] * (wrong > 0)


@pytest.mark.parametrize(
    ("made", "code", "verdict"),
    [
        ("noise", "checksum-not-recognised", NodeVerdict.NOT_PROVEN),
        ("still", "checksum-still", NodeVerdict.DOUBTFUL),
    ],
)
def test_a_checksum_that_nothing_explains_does_not_pass(
    tmp_path: Path, made: str, code: str, verdict: NodeVerdict
) -> None:
    data = payloads()
    data[:, 7] = np.random.default_rng(5).integers(0, 256, 200) if made == "noise" else 0x5A
    report = prove(tmp_path, NAMED, data)
    assert serious(report) == [(code, "Checksum")]
    assert report.verdict is verdict


@pytest.mark.parametrize(("skips", "counts"), [(8, True), (12, False)])
def test_a_nameless_counter_counts_nearly_every_frame(
    tmp_path: Path, skips: int, counts: bool
) -> None:
    """95 of 100 steps: 8 skips of 199 steps leave 96 %, 12 leave 94 %."""
    data = payloads()
    jumps = np.zeros(200, np.int64)
    jumps[10 : 10 + 15 * skips : 15] = 1
    data[:, 6] = (np.arange(200) + np.cumsum(jumps)) % 16
    data[:, 7] = checksum(data[:, :7], SAE_J1850)
    report = prove(tmp_path, GENERIC, data)
    assert ("Spare6" in roles(report)) is counts
    assert serious(report) == ([("counter-skips", "Spare6")] if counts else [])


@pytest.mark.parametrize(("moves", "counts"), [(5, True), (4, False)])
def test_a_name_makes_a_counter_when_it_counts_most_frames(
    tmp_path: Path, moves: int, counts: bool
) -> None:
    """It moves in so many of nine frames; half of them decide."""
    data = payloads(181)
    data[:, 6] = np.cumsum(np.arange(181) % 9 < moves) % 16
    data[:, 7] = checksum(data[:, :7], SAE_J1850)
    report = prove(tmp_path, COUNTER.format("EventCounter") + LAST_BYTE.format("Checksum"), data)
    assert ("EventCounter" in roles(report)) is counts


SAYS = 'CM_ SG_ 291 Checksum "CRC-8 SAE J1850 over the CAN identifier (high, low) and bytes 0-6";\n'


@pytest.mark.parametrize(
    ("prefix", "code"),
    [
        (b"", "checksum-covers-less"),
        (b"\x01\x23", None),
        (b"\x23\x01", None),
        (b"\x23\x01\x00\x00", None),
        (b"maker", "checksum-cover-open"),
    ],
)
def test_a_checksum_covers_the_identifier_as_its_comment_says(
    tmp_path: Path, prefix: bytes, code: str | None
) -> None:
    """291 is 0x123; the CRC is made bit by bit over identifier and payload, as it is sent."""
    data = payloads()
    data[:, 7] = [crc8_j1850(prefix + row[:7].tobytes()) for row in data]
    report = prove(tmp_path, NAMED + SAYS, data)
    told = [f for f in report.findings if f.where.signal == "Checksum"]
    assert [f.code for f in told] == ([] if code is None else [code])
    doubtful = code == "checksum-covers-less"
    assert report.verdict is (NodeVerdict.DOUBTFUL if doubtful else NodeVerdict.PASS)


def test_of_a_kind_that_has_no_name_it_is_not_told_whether_it_covers_the_identifier(
    tmp_path: Path,
) -> None:
    data = payloads()
    data[:, 7:] = crc(data[:, :7], 8)
    report = prove(tmp_path, NAMED + SAYS.replace("CRC-8 SAE J1850", "CRC"), data)
    assert [f.code for f in report.findings] == ["checksum-cover-open"]


@pytest.mark.parametrize(
    ("comment", "sure"),
    [
        ("CRC over the identifier and bytes 0 to 6", True),
        ("Checksum. Covers bytes 0..6 and the CAN ID.", True),
        ("covers payload plus message identifier", True),
        ("includes the low byte of the identifier", True),
        ("XOR over the 11-bit identifier, all other bytes", True),
        ("CRC over bytes 0 to 6, without the identifier", False),
        ("CRC over bytes 0 to 6 of the frame with this identifier", False),
        ("over the data identifier 0x55 and bytes 0-6", False),
        ("covers bytes 0-6. The identifier is not covered.", False),
        ("covers the identifier only if bit 3 is set", False),
        ("CRC over bytes 0 to 6 of identifier 0x123", False),
        ("CRC; see the identifier list", False),
        ("", False),
    ],
)
def test_a_comment_is_read_where_it_says_so_plainly(comment: str, sure: bool) -> None:
    assert said_to_cover_identifier(comment) is sure
