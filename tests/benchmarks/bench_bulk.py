"""Reading CSV files and MF4 bus logging in bulk, side by side with the libraries' own readers.

    python tests/benchmarks/bench_bulk.py [--frames 1000000]

It makes the files itself. Rates are frames a second of one core: of CSV the reader's work on whole
blocks, of MF4 the reader from the file on.
"""

from __future__ import annotations

import argparse
import base64
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import can
import numpy as np

from busplan.capture import tablelog
from busplan.capture.chunks import ChannelNames
from busplan.capture.mf4 import mf4_chunks
from busplan.capture.tally import Tally

SLOW_FRAMES = 100_000
ROUNDS = 3


def traffic(frames: int) -> Iterator[tuple[int, int, int, bytes]]:
    """Time [µs], channel, identifier and payload (invented): 50 identifiers, 3 channels."""
    payload = np.random.default_rng(1).integers(0, 256, (frames, 8), np.uint8)
    for k in range(frames):
        yield 100 * k, k % 3 + 1, 0x100 + k % 50, payload[k].tobytes()


def library_csv(path: Path, frames: int) -> None:
    """As python-can writes it."""
    with path.open("w") as file:
        file.write("timestamp,arbitration_id,extended,remote,error,dlc,data\n")
        for us, _, identifier, data in traffic(frames):
            said = base64.b64encode(data).decode()
            file.write(f"{1_700_000_000 + us / 1e6:.6f},0x{identifier:x},0,0,0,8,{said}\n")


def one_column(path: Path, frames: int) -> None:
    """Payload in one column."""
    with path.open("w") as file:
        file.write("Time [s],Bus,ID,Extended,DLC,Data\n")
        for us, bus, identifier, data in traffic(frames):
            said = data.hex(" ").upper()
            file.write(f"{us / 1e6:.6f},{bus},{identifier:03X},0,8,{said}\n")


def byte_columns(path: Path, frames: int) -> None:
    """Dates, and a column for each byte."""
    with path.open("w") as file:
        file.write("Date and time;Channel;Identifier;Dir;D0;D1;D2;D3;D4;D5;D6;D7\n")
        for us, bus, identifier, data in traffic(frames):
            minute, rest = divmod(us, 60_000_000)
            stamp = f"2026-05-04T{8 + minute // 60:02d}:{minute % 60:02d}:{rest / 1e6:09.6f}"
            said = ";".join(f"{byte:02X}" for byte in data)
            file.write(f"{stamp};{bus};0x{identifier:X};Rx;{said}\n")


def bulk_mf4(path: Path, frames: int) -> None:
    """As python-can lays it out, turned and deflated."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from support.mf4_files import records, write_mf4

    at = np.arange(frames)
    payload = np.random.default_rng(1).integers(0, 256, (frames, 8), np.uint8)
    fields = {
        "BusChannel": at % 3 + 1,
        "ID": 0x100 + at % 50,
        "DLC": np.full(frames, 8),
        "DataLength": np.full(frames, 8),
        "DataBytes": np.hstack((payload, np.zeros((frames, 56), np.uint8))),
    }
    write_mf4(path, {"CAN_DataFrame": (at * 1e-4, records("CAN_DataFrame", fields))})


def csv_rate(path: Path) -> float:
    """Frames a second of one core: the kernel's and all that follows, block by block."""
    best = 0.0
    for _ in range(ROUNDS):
        begin = time.process_time()
        frames = sum(len(c) for c in tablelog.table_chunks(path, Tally(str(path)), ChannelNames()))
        best = max(best, frames / (time.process_time() - begin))
    return best


def mf4_rate(path: Path) -> float:
    """Frames a second of one core, from opening the file on."""
    best = 0.0
    for _ in range(ROUNDS):
        begin = time.process_time()
        frames = sum(len(c) for c in mf4_chunks(path, Tally(str(path)), ChannelNames()))
        best = max(best, frames / (time.process_time() - begin))
    return best


def library_rate(reader: Iterable[can.Message]) -> float:
    """Messages a second of the library's reader."""
    begin = time.process_time()
    count = sum(1 for _ in zip(range(SLOW_FRAMES), reader, strict=False))
    return count / (time.process_time() - begin)


def main() -> None:
    """Print a line a layout."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=1_000_000)
    asked = parser.parse_args()
    layouts: list[tuple[str, str, Callable[[Path, int], None]]] = [
        ("CSV, the library's own", "a.csv", library_csv),
        ("CSV, one column", "b.csv", one_column),
        ("CSV, dates, byte columns", "c.csv", byte_columns),
        ("MF4", "d.mf4", bulk_mf4),
    ]
    with tempfile.TemporaryDirectory() as name:
        for said, file, make in layouts:
            path = Path(name) / file
            make(path, asked.frames)
            ours = (mf4_rate if path.suffix == ".mf4" else csv_rate)(path)
            theirs = {"a.csv": can.CSVReader, "d.mf4": can.MF4Reader}.get(file)
            beside = ""
            if theirs is not None:
                rate = library_rate(theirs(path))
                beside = f"; python-can {rate / 1e6:.2f} ({ours / rate:.0f} times less)"
            print(f"{said:26s} {ours / 1e6:5.2f} M frames/s{beside}")


if __name__ == "__main__":
    main()
