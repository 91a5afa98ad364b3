"""Decoding against cantools, asammdf's bus-logging extraction and plain numpy, one core, one run.

    python tests/benchmarks/bench_decode.py [frames]

The frames are made from the demo's definitions: one message of each kind (little-endian,
big-endian, multiplexed, CAN FD), equally often. Times are processor times of this process, the best
of three; every contestant decodes every signal of every frame to physical values.

* *cantools*: ``Message.decode`` frame by frame in a Python loop, the message known beforehand (a
  tenth of the frames, scaled up, or it would take minutes).
* *asammdf* (needs the extra ``mf4``): ``MDF.extract_bus_logging`` on an opened bus-logging file,
  classical frames only (a tenth of them, scaled up).
* *numpy*: shifts and masks on payloads that lie ready as 64-bit words (nothing gathered, no
  presence, no counts): the floor.
* *numpy, same job*: the payloads gathered from the frame table first.
"""

import resource
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from cantools import database

from busplan.capture.frames import EXTENDED, FD, FrameTable
from busplan.decode.codec import Codec
from busplan.decode.layout import place_of
from busplan.definitions.dbc import load_dbc
from busplan.definitions.model import Message

DEMO = Path(__file__).parents[2] / "dbc_examples"
KINDS = (
    ("monitor.dbc", "CellVoltages1"),
    ("inverter.dbc", "InverterTorque"),
    ("charger.dbc", "ChargerStatus"),
    ("supervisor_telemetry.dbc", "TelemetryPack"),
)


def best(job: Callable[[], object], times: int = 3) -> float:
    spent = []
    for _ in range(times):
        begin = time.process_time()
        job()
        spent.append(time.process_time() - begin)
    return min(spent)


def peak(job: Callable[[], object]) -> float:
    """Peak of newly allocated memory [MB], as Python's allocators and numpy report it."""
    tracemalloc.start()
    job()
    size = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return size / 1e6


def made(messages: list[Message], frames: int) -> FrameTable:
    """Random payloads; multiplexed messages carry only pages that exist."""
    rng = np.random.default_rng(1)
    which = np.arange(frames) % len(messages)
    length = np.array([m.length for m in messages])[which]
    start = np.concatenate([[0], np.cumsum(length)])
    payload = rng.integers(0, 256, int(start[-1]), np.uint8)
    for number, message in enumerate(messages):
        if any(s.condition for s in message.signals):
            at = start[:-1][which == number]
            payload[at] = np.arange(len(at)) % 3
    return FrameTable.from_columns(
        ["can0"],
        np.arange(frames) * 100_000,
        np.zeros(frames),
        np.array([m.identifier for m in messages])[which],
        np.array([(EXTENDED if m.extended else 0) | (FD if m.fd else 0) for m in messages])[which],
        length,
        payload,
    )


def floor(message: Message, words: np.ndarray) -> list[np.ndarray]:
    """Every signal by numpy from payloads as little-endian 64-bit words, shape (frame, word)."""
    swapped = words.byteswap()
    values = []
    for s in message.signals:
        place = place_of(s)
        word, first = place.first // 8, place.first % 8
        source = swapped if s.big_endian else words
        shift = place.shift + 8 * (7 - place.last % 8 if s.big_endian else first)
        raw = source[:, word] >> np.uint64(shift) & np.uint64((1 << s.length) - 1)
        if s.is_float:
            values.append(raw.astype(np.uint32).view(np.float32).astype(np.float64))
            continue
        if s.signed:
            up = np.uint64(64 - s.length)
            raw = (raw << up).view(np.int64) >> up.astype(np.int64)
        plain = s.scale == 1 and s.offset == 0
        values.append(raw if plain else raw * s.scale + s.offset)
    return values


def as_words(matrix: np.ndarray) -> np.ndarray:
    width = -(-matrix.shape[1] // 8) * 8
    padded = np.zeros((len(matrix), width), np.uint8)
    padded[:, : matrix.shape[1]] = matrix
    return padded.view("<u8")


def by_asammdf(table: FrameTable, files: list[Path]) -> float | None:
    """Seconds to extract a tenth of the classical frames of ``table``, scaled up to all of them;
    ``None`` without asammdf."""
    try:
        from asammdf import MDF
    except ImportError:
        return None
    import can

    rows = np.flatnonzero(table.length <= 8)[::10]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bus.mf4"
        with can.MF4Writer(path) as writer:
            for row in rows:
                writer(
                    can.Message(
                        timestamp=table.time_ns[row] / 1e9,
                        arbitration_id=int(table.identifier[row]),
                        is_extended_id=bool(table.flags[row] & EXTENDED),
                        data=table.bytes_of(int(row)),
                    )
                )
        databases = {"CAN": [(str(f), 0) for f in files]}
        with MDF(path) as mdf:
            return 10 * best(lambda: mdf.extract_bus_logging(databases), 2)


class Contest:
    """One message, every contestant."""

    def __init__(self, message: Message, reference: Any, table: FrameTable, rows: Any) -> None:
        self.message, self.reference, self.table, self.rows = message, reference, table, rows
        self.codec = Codec(message)
        self.codec.decode(table, rows[:10])
        self.words = as_words(table.payload_matrix(rows, message.length))
        self.payloads = [table.bytes_of(int(r)) for r in rows[::10]]

    def busplan(self) -> object:
        return self.codec.decode(self.table, self.rows)

    def numpy(self) -> object:
        return floor(self.message, self.words)

    def same_job(self) -> object:
        matrix = self.table.payload_matrix(self.rows, self.message.length)
        return floor(self.message, as_words(matrix))

    def cantools(self) -> object:
        return [self.reference.decode(p, decode_choices=False) for p in self.payloads]

    def seconds(self) -> dict[str, float]:
        return {
            "busplan": best(self.busplan),
            "numpy": best(self.numpy),
            "same job": best(self.same_job),
            "cantools": 10 * best(self.cantools, 1),
        }


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    files = [DEMO / file for file, _ in KINDS]
    names = [name for _, name in KINDS]
    messages = [
        next(m for m in load_dbc(file).messages if m.name == name)
        for file, name in zip(files, names, strict=True)
    ]
    table = made(messages, frames)
    rows = {key.identifier: found for key, found in table.groups.items()}
    contests = [
        Contest(m, database.load_file(f).get_message_by_name(m.name), table, rows[m.identifier])
        for f, m in zip(files, messages, strict=True)
    ]
    spent = [c.seconds() for c in contests]
    print(f"{frames:,} frames, {len(messages)} messages, one core, processor time")
    print(f"{'M frames/s':26}{'signals':>8}" + "".join(f"{n:>10}" for n in spent[0]))
    total = {name: sum(s[name] for s in spent) for name in spent[0]}
    for contest, seconds in zip(contests, spent, strict=True):
        rates = "".join(f"{len(contest.rows) / s / 1e6:10.2f}" for s in seconds.values())
        print(f"{contest.message.name:26}{len(contest.message.signals):8}{rates}")
    rates = "".join(f"{frames / s / 1e6:10.2f}" for s in total.values())
    print(f"{'all':26}{sum(len(m.signals) for m in messages):8}{rates}")
    print(f"against cantools in a loop: {total['cantools'] / total['busplan']:.0f} times as fast")
    print(f"against the numpy floor:    {total['busplan'] / total['numpy']:.2f} times its time")
    print(f"against numpy, same job:    {total['same job'] / total['busplan']:.2f} times as fast")
    extraction = by_asammdf(table, files[:3])
    if extraction is None:
        print("asammdf is not installed (extra bench)")
    else:
        mine = sum(s["busplan"] for s in spent[:3])
        print(f"against asammdf, classical: {extraction / mine:.0f} times as fast")
    memory = peak(lambda: [c.busplan() for c in contests])
    print(f"memory newly taken while decoding all: {memory:.0f} MB; ", end="")
    print(
        f"whole process at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB"
    )


if __name__ == "__main__":
    main()
