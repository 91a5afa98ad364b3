"""Decoding against cantools, asammdf's bus-logging extraction and plain numpy: one core, one run.

    python tests/benchmarks/bench_decode.py [frames]

The frames are made from the demo's definitions: one message of each kind (little-endian,
big-endian, multiplexed, CAN FD), equally often and in turns, as in a capture. Every contestant
decodes every signal of every frame to physical values, in a process of its own (``measuring.py``
says how memory is measured); processor time, best of three.

* *busplan*: ``Codec.decode`` from the frame table.
* *numpy*: the floor. The same job from the same frame table, as somebody who knows numpy writes it
  for a known message: lengths checked, each payload gathered as 64-bit words by one index into an
  unaligned view, shifts, masks and scaling in as few passes as numpy needs, NaN or 0 where a
  multiplexed signal is not sent; times and values come out. No 9-byte signals, no short frames.
* *words ready*: only the shifts, masks and scaling, on words gathered beforehand; no times, no
  lengths, no multiplexing. Less than the job; printed for comparison.
* *cantools*: ``Message.decode`` frame by frame in a Python loop, the message known beforehand (a
  tenth of the frames, scaled up).
* *asammdf* (needs the extra ``mf4``): ``MDF.extract_bus_logging`` on an opened bus-logging file,
  classical frames only (a tenth of them, scaled up).

The parent compares the values of the first three with each other before any time is taken.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from measuring import best, in_own_process, memory_of, rows_printed

from busplan.decode.codec import Codec
from busplan.decode.layout import place_of
from busplan.definitions.dbc import load_dbc
from busplan.definitions.model import Message, Signal
from busplan.frames.kinds import EXTENDED, FD, REMOTE
from busplan.frames.table import FrameTable

DEMO = Path(__file__).parents[2] / "dbc_examples"
KINDS = (
    ("monitor.dbc", "CellVoltages1"),
    ("inverter.dbc", "InverterTorque"),
    ("charger.dbc", "ChargerStatus"),
    ("supervisor_telemetry.dbc", "TelemetryPack"),
)
CLASSICAL = 3
"""The first so many are classical CAN."""
COLUMNS = ("time_ns", "network", "identifier", "flags", "length", "payload")
Job = Callable[[], Any]


def messages() -> list[Message]:
    return [
        next(m for m in load_dbc(DEMO / file).messages if m.name == name) for file, name in KINDS
    ]


def made(frames: int) -> FrameTable:
    """Random payloads; multiplexed messages carry only pages that exist."""
    rng = np.random.default_rng(1)
    which = np.arange(frames) % len(KINDS)
    length = np.array([m.length for m in messages()])[which]
    start = np.concatenate([[0], np.cumsum(length)])
    payload = rng.integers(0, 256, int(start[-1]), np.uint8)
    for number, message in enumerate(messages()):
        if any(s.condition for s in message.signals):
            at = start[:-1][which == number]
            payload[at] = np.arange(len(at)) % 3
    identifiers = np.array([m.identifier for m in messages()])
    flags = np.array([(EXTENDED if m.extended else 0) | (FD if m.fd else 0) for m in messages()])
    return FrameTable.from_columns(
        ["can0"],
        np.arange(frames) * 100_000,
        np.zeros(frames),
        identifiers[which],
        flags[which],
        length,
        payload,
    )


def window_of(signal: Signal) -> int:
    """First of eight bytes that hold the signal, on an eight-byte border where that is possible."""
    first, last, _ = place_of(signal)
    return first - first % 8 if first // 8 == last // 8 else first


def words_of(table: FrameTable, start: np.ndarray, message: Message) -> dict[int, np.ndarray]:
    """Little-endian 64-bit words of the payloads by their first byte, each gathered by one index
    into an unaligned view that begins at every byte of the buffer."""
    size = len(table.payload) - 7
    everywhere = np.ndarray((size,), "<u8", table.payload, strides=(1,))
    return {w: everywhere[start + w] for w in sorted({window_of(s) for s in message.signals})}


def values_of(
    message: Message, words: dict[int, np.ndarray]
) -> Iterator[tuple[Signal, np.ndarray]]:
    """Every signal by shifts and masks; no pass over the values that is not needed."""
    swapped: dict[int, np.ndarray] = {}
    for s in message.signals:
        first, last, shift = place_of(s)
        window = window_of(s)
        source = words[window]
        if s.big_endian:
            shift += 8 * (window + 7 - last)
            if window not in swapped:
                swapped[window] = source.byteswap()
            source = swapped[window]
        else:
            shift += 8 * (first - window)
        if s.is_float:
            bits = source >> np.uint64(shift)
            yield s, bits.astype(np.uint32).view(np.float32).astype(np.float64)
            continue
        if s.signed:
            raw = (source << np.uint64(64 - s.length - shift)).view(np.int64)
            raw >>= np.int64(64 - s.length)
        else:
            raw = source >> np.uint64(shift) if shift else source.copy()
            if shift + s.length < 64:
                raw &= np.uint64((1 << s.length) - 1)
        if s.scale == 1 and s.offset == 0:
            yield s, raw.view(np.int64)
            continue
        values = raw * s.scale
        if s.offset:
            values += s.offset
        yield s, values


def by_numpy(message: Message, table: FrameTable, rows: np.ndarray) -> Any:
    length, flags = table.length[rows], table.flags[rows]
    if (flags & REMOTE).any() or (length != message.length).any():
        raise ValueError("frames of another length need the long way")
    time_ns = table.time_ns[rows]
    values = list(values_of(message, words_of(table, table.start[rows], message)))
    found = {s.name: v for s, v in values}
    there: dict[Any, np.ndarray] = {}
    for s, v in values:
        if s.condition:
            if s.condition not in there:
                ((low, high),) = s.condition.ranges
                assert low == high
                there[s.condition] = found[s.condition.selector] != low
            v[there[s.condition]] = np.nan if v.dtype == np.float64 else 0
    return time_ns, found


def contestant(name: str, message: Message, table: FrameTable, rows: np.ndarray) -> tuple[Job, int]:
    """A job and the number of frames it decodes."""
    if name == "busplan":
        codec = Codec(message)
        codec.decode(table, rows[:10])
        return lambda: codec.decode(table, rows), len(rows)
    if name == "numpy":
        return lambda: by_numpy(message, table, rows), len(rows)
    if name == "words ready":
        words = words_of(table, table.start[rows], message)
        return lambda: list(values_of(message, words)), len(rows)
    from cantools import database

    file = next(file for file, kind in KINDS if kind == message.name)
    reference = database.load_file(DEMO / file).get_message_by_name(message.name)
    payloads = [table.bytes_of(int(r)) for r in rows[::10]]
    return (
        lambda: [reference.decode(p, decode_choices=False) for p in payloads],
        len(payloads),
    )


def loaded(folder: Path) -> tuple[FrameTable, list[np.ndarray]]:
    """The table and the rows of each message."""
    table = FrameTable.from_columns(["can0"], *(np.load(folder / f"{c}.npy") for c in COLUMNS))
    found = {key.identifier: rows for key, rows in table.groups.items()}
    return table, [found[m.identifier] for m in messages()]


def one(name: str, folder: Path) -> dict[str, Any]:
    """What a contestant's own process measures: seconds a frame by message, MB a million frames."""
    if name == "asammdf":
        return by_asammdf(folder)
    table, rows = loaded(folder)
    jobs = [contestant(name, m, table, r) for m, r in zip(messages(), rows, strict=True)]
    megabytes = memory_of(lambda: [job() for job, _ in jobs])
    return {
        "seconds": [best(job, 1 if name == "cantools" else 3) / n for job, n in jobs],
        "memory": megabytes / sum(n for _, n in jobs) * 1e6,
    }


def write_mf4(table: FrameTable, rows: list[np.ndarray], folder: Path) -> None:
    """A tenth of the classical frames as a bus-logging file."""
    import can

    with can.MF4Writer(folder / "bus.mf4") as writer:
        for row in np.sort(np.concatenate([r[::10] for r in rows[:CLASSICAL]])):
            writer(
                can.Message(
                    timestamp=table.time_ns[row] / 1e9,
                    arbitration_id=int(table.identifier[row]),
                    is_extended_id=bool(table.flags[row] & EXTENDED),
                    data=table.bytes_of(int(row)),
                )
            )


def by_asammdf(folder: Path) -> dict[str, Any]:
    from asammdf import MDF

    databases = {"CAN": [(str(DEMO / file), 0) for file, _ in KINDS[:CLASSICAL]]}
    with MDF(folder / "bus.mf4") as mdf:
        megabytes = memory_of(lambda: mdf.extract_bus_logging(databases))
        seconds = best(lambda: mdf.extract_bus_logging(databases), 2)
        frames = sum(group.channel_group.cycles_nr for group in mdf.groups)
    return {"seconds": [seconds / frames] * CLASSICAL, "memory": megabytes / frames * 1e6}


def check_equal(table: FrameTable, rows: list[np.ndarray]) -> None:
    """busplan, numpy and cantools find the same values."""
    for message, every in zip(messages(), rows, strict=True):
        part = every[: 30 * 10]
        ours = Codec(message).decode(table, part)
        _, theirs = by_numpy(message, table, part)
        job, _ = contestant("cantools", message, table, part)
        for s in message.signals:
            np.testing.assert_array_equal(ours[s.name].values, theirs[s.name])
            assert ours[s.name].values.dtype == theirs[s.name].dtype
            for i, decoded in enumerate(job()):
                assert (s.name in decoded) == ours[s.name].present[10 * i]
                if s.name in decoded:
                    np.testing.assert_allclose(decoded[s.name], ours[s.name].values[10 * i])


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(one(sys.argv[2], Path(sys.argv[3]))))
        return
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    names = ["busplan", "numpy", "words ready", "cantools"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        table = made(frames)
        for column in COLUMNS:
            np.save(folder / f"{column}.npy", getattr(table, column))
        table, rows = loaded(folder)
        check_equal(table, rows)
        try:
            import asammdf  # noqa: F401
        except ImportError:
            print("asammdf is not installed (extra mf4)")
        else:
            write_mf4(table, rows, folder)
            names.append("asammdf")
        del table
        results = {n: in_own_process(__file__, ["--one", n, folder]) for n in names}
    report(frames, results)


def report(frames: int, results: dict[str, Any]) -> None:
    kinds, ours = messages(), results["busplan"]["seconds"]
    print(f"{frames:,} frames, {len(kinds)} messages in turns; one core, processor time")

    def cells(label: str, which: slice, signals: int) -> list[str]:
        mean = {n: float(np.mean(r["seconds"][which] or np.nan)) for n, r in results.items()}
        ratio = mean["busplan"] / mean["numpy"]
        rates = [f"{1e-6 / m:.2f}" if m == m else "-" for m in mean.values()]
        return [label, str(signals), *rates, f"{ratio:.2f}"]

    head = ["M frames/s", "signals", *results, "busplan's time / numpy's"]
    lines = [cells(m.name, slice(i, i + 1), len(m.signals)) for i, m in enumerate(kinds)]
    lines.append(cells("all", slice(None), sum(len(m.signals) for m in kinds)))
    memory = [f"{r['memory']:.0f}" for r in results.values()]
    lines.append(["peak MB a million frames", "", *memory, ""])
    rows_printed(head, lines)
    mean = {n: np.mean(r["seconds"]) for n, r in results.items()}
    mine = mean["busplan"]
    print(f"against cantools in a loop: {mean['cantools'] / mine:.0f} times as fast")
    print(f"against the numpy floor:    {mine / mean['numpy']:.2f} times its time")
    print(f"against words ready:        {mine / mean['words ready']:.2f} times its time")
    if "asammdf" in results:
        ratio = results["asammdf"]["seconds"][0] / np.mean(ours[:CLASSICAL])
        print(f"against asammdf, classical: {ratio:.0f} times as fast")


if __name__ == "__main__":
    main()
