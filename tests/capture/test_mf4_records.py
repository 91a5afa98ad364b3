"""Records of MF4 read as they lie are those that the library reads, in sound and damaged files."""

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("asammdf")
from support.mf4_files import records, write_mf4

from busplan.capture import mf4
from busplan.capture.chunks import ChannelNames, Chunk
from busplan.capture.mf4_records import _Field
from busplan.capture.tally import Tally
from busplan.errors import CaptureError

WINDOW = 50
COUNT = 230


def made(path: Path, seed: int, packed: int, block_bytes: int) -> None:
    """Frames of every kind, some of them impossible."""
    rng = np.random.default_rng(seed)
    groups = {}
    for kind, n in (("CAN_DataFrame", COUNT), ("CAN_ErrorFrame", 20), ("CAN_RemoteFrame", 60)):
        fd = rng.random(n) < 0.3
        fields = {
            "BusChannel": rng.integers(0, 4, n),
            "ID": rng.integers(0, 0x900, n),
            "IDE": rng.integers(0, 2, n),
            "DLC": rng.integers(0, 9, n),
            "DataLength": np.where(fd, rng.integers(0, 66, n), rng.integers(0, 10, n)),
            "Dir": rng.integers(0, 2, n),
        }
        if kind != "CAN_RemoteFrame":
            more = {"EDL": fd, "BRS": fd, "ESI": rng.integers(0, 2, n)}
            fields |= more | {"DataBytes": rng.integers(0, 256, (n, 64))}
        time_s = np.sort(rng.uniform(0, 100, n))
        time_s[rng.integers(n)] = np.nan
        groups[kind] = (time_s, records(kind, fields))
    write_mf4(path, groups, packed=packed, block_bytes=block_bytes)


def read(path: Path) -> tuple[list[Chunk], Tally, list[str]]:
    tally, names = Tally(str(path)), ChannelNames()
    try:
        return list(mf4.mf4_chunks(path, tally, names)), tally, list(names.names)
    except CaptureError as error:
        tally.torn = f"refused: {error}"
        return [], tally, []


def told(path: Path) -> list[object]:
    chunks, tally, names = read(path)
    columns = [getattr(c, n).tolist() for c in chunks for n in Chunk.COLUMNS]
    return [columns, tally.entries, tally.wrong, tally.places, tally.torn, names]


def careful(path: Path, monkeypatch: pytest.MonkeyPatch) -> list[object]:
    with monkeypatch.context() as patch:
        patch.setattr(mf4, "plain_records", lambda *given: iter(()))
        return told(path)


@pytest.mark.parametrize(("packed", "block_bytes"), [(0, 0), (1, 0), (2, 0), (0, 4000), (2, 4000)])
def test_plain_records_are_those_of_the_library(
    packed: int, block_bytes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "made.mf4"
    made(path, packed, packed, block_bytes)
    monkeypatch.setattr(mf4, "_RECORDS", WINDOW)
    expected = careful(path, monkeypatch)
    assert expected[1] == COUNT + 20 + 60
    assert len(expected[2]) == 4  # every reason to set a record aside
    with monkeypatch.context() as patch:
        patch.setattr(mf4, "_read", lambda *given: pytest.fail("read by the library"))
        assert told(path) == expected
    rng = np.random.default_rng(packed)
    whole = path.read_bytes()
    for _ in range(4):  # cut, and with a byte changed, anywhere
        at = int(rng.integers(len(whole)))
        path.write_bytes(whole[:at])
        assert told(path) == careful(path, monkeypatch)
        path.write_bytes(
            whole[:at] + bytes([whole[at] ^ 1 << int(rng.integers(8))]) + whole[at + 1 :]
        )
        assert told(path) == careful(path, monkeypatch)


def test_a_field_is_its_bits_wherever_they_begin() -> None:
    # Python's own integers are the reference.
    rng = np.random.default_rng(3)
    rows = rng.integers(0, 256, (40, 9), np.uint8)
    for shift in range(8):
        for bits in (1, 3, 8, 11, 29, 32):
            size = (shift + bits + 7) // 8
            found = _Field(2, size, shift, bits).of(rows).tolist()
            whole = [int.from_bytes(r[2 : 2 + size].tobytes(), "little") for r in rows]
            assert found == [(w >> shift) & ((1 << bits) - 1) for w in whole]
