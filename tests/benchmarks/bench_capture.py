"""Reading a text log side by side on one core, then opening a made capture of an hour: one run.

    python tests/benchmarks/bench_capture.py [--seconds 3600] [--folder /tmp]

Makes a capture (10,000 frames a second; 3600 s are 36 million frames, 1.7 GB of text and as much
again for the kept copy). On the beginning of it, each in a process of its own (``measuring.py``
says how memory is measured; processor time, a million frames each, the slow ones fewer):

* *busplan, opening*: ``read_capture`` without kept copy: file to columns, groups by identifier,
  time stamps and channels checked.
* *busplan, reader*: the text log's reader alone, file to columns: what python-can's does.
* *busplan, parsing*: the parser alone on text in memory, best of ten.
* *numpy*: the floor. Lines grouped by their length, digits by position, hexadecimal by table; no
  line is checked, so it works for this log only.
* *python-can*: its log reader in a loop, messages kept.
* *asammdf* (needs the extra ``mf4``): the same frames in a bus-logging file, read as arrays.

Openings of the whole capture use all cores, as users do; wall time, each in its own process, and
the process's largest resident size with mapped pages.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from make_capture import make
from measuring import best, in_own_process, largest_size, memory_of, rows_printed

FRAMES = {"busplan": 1_000_000, "numpy": 1_000_000, "python-can": 200_000, "asammdf": 50_000}
"""Frames each one reads."""
DIGIT = np.array([int(chr(c), 16) if chr(c) in "0123456789ABCDEF" else 0 for c in range(256)])


def by_numpy(path: Path) -> list[tuple[np.ndarray, ...]]:
    """Times [ns], channels, identifiers and payloads, for each length of line."""
    text = np.fromfile(path, np.uint8)
    ends = np.flatnonzero(text == ord("\n"))
    begins = np.concatenate([[0], ends[:-1] + 1])
    columns = []
    for size in np.unique(ends - begins):
        begin = begins[ends - begins == size]
        lines = text[begin[:, None] + np.arange(size)]
        mark = int(np.flatnonzero(lines[0] == ord("#"))[0])
        space = int(np.flatnonzero(lines[0, : mark - 1] == ord(" "))[-1])
        dot = int(np.flatnonzero(lines[0] == ord("."))[0])
        close = int(np.flatnonzero(lines[0] == ord(")"))[0])

        def number(at: int, end: int, base: int, lines: np.ndarray = lines) -> np.ndarray:
            digits = DIGIT[lines[:, at:end]]
            return digits @ base ** np.arange(end - at - 1, -1, -1)

        fraction = number(dot + 1, close, 10) * 10 ** (9 - (close - dot - 1))
        nibbles = DIGIT[lines[:, mark + 1 :]].astype(np.uint8)
        columns.append(
            (
                number(1, dot, 10) * 10**9 + fraction,
                lines[:, space - 1],
                number(space + 1, mark, 16),
                nibbles[:, ::2] << 4 | nibbles[:, 1::2],
            )
        )
    return columns


def one(name: str, path: Path) -> dict[str, float]:
    """Frames a second and peak memory [MB a million frames] of one way to read."""
    frames = FRAMES[name.split(",")[0]]
    if name == "busplan, parsing":
        from busplan.capture.textlog import _parse

        text = np.frombuffer(path.read_bytes()[: 1 << 24], np.uint8)
        text = text[: np.flatnonzero(text == ord("\n"))[-1] + 1]
        frames = len(_parse(text).columns)
        memory = memory_of(lambda: _parse(text)) / frames * 1e6
        return {"rate": frames / best(lambda: _parse(text), 10), "memory": memory}
    if name == "busplan, reader":
        from busplan.capture.textlog import read_textlog

        read_textlog(path.with_suffix(".first.log"))

        def job() -> Any:
            return read_textlog(path)
    elif name == "busplan, opening":
        from busplan.capture.read import read_capture

        read_capture(path.with_suffix(".first.log"), cache=False)

        def job() -> Any:
            return read_capture(path, cache=False).frames.groups
    elif name == "numpy":

        def job() -> Any:
            return by_numpy(path)
    elif name == "python-can":
        import can

        def job() -> Any:
            return list(islice(can.LogReader(path), frames))
    else:
        from asammdf import MDF

        def job() -> Any:
            with MDF(path.with_suffix(".mf4")) as mdf:
                names = [n for n in mdf.channels_db if n.startswith("CAN_DataFrame")]
                return [
                    mdf.get(n, group=g, index=i, raw=True)
                    for n in names
                    for g, i in mdf.channels_db[n]
                ]

    memory = memory_of(job) / frames * 1e6
    return {"rate": frames / best(job, 1 if name == "python-can" else 3), "memory": memory}


def opened(path: Path) -> dict[str, float]:
    """One opening, seeks, one message, in a process of its own."""
    begin = time.perf_counter()
    from busplan.capture.read import read_capture

    table = read_capture(path).frames
    seconds = time.perf_counter() - begin
    groups = list(table.groups.values())
    rng = np.random.default_rng(3)
    seeks = []
    for when in table.origin_ns + rng.integers(0, table.span_ns, 200):
        begin = time.perf_counter()
        _state(table, groups, int(when))
        seeks.append(time.perf_counter() - begin)
    from busplan.decode.codec import decode_message
    from busplan.definitions.model import Message, Signal

    signals = (Signal("a", 8, 16, True), Signal("b", 24, 16, scale=0.1))
    message = Message("M", 0x100, False, 8, signals)
    rows = max(groups, key=len)
    decode_message(table, rows[:10], message)
    begin = time.perf_counter()
    decode_message(table, rows, message)
    return {
        "opening": seconds,
        "frames": len(table),
        "slowest seek": max(seeks),
        "message": time.perf_counter() - begin,
        "message frames": len(rows),
        "peak": largest_size(),
    }


def _state(table: Any, groups: list[np.ndarray], when: int) -> list[bytes]:
    """The last payload of every identifier at a moment: what a screen shows after a jump."""
    from bisect import bisect_right

    last = (bisect_right(rows, when, key=table.time_ns.__getitem__) - 1 for rows in groups)
    return [table.bytes_of(int(rows[at])) for rows, at in zip(groups, last, strict=True) if at >= 0]


def part_of(path: Path, part: Path, frames: int) -> None:
    """The first ``frames`` lines."""
    with path.open("rb") as whole, part.open("wb") as out:
        out.writelines(islice(whole, frames))


def write_mf4(log: Path, frames: int) -> bool:
    """The first frames of a log as a bus-logging file; false without asammdf."""
    try:
        import asammdf  # noqa: F401
    except ImportError:
        print("asammdf is not installed (extra mf4)")
        return False
    import can

    with can.MF4Writer(log.with_suffix(".mf4")) as writer:
        for message in islice(can.LogReader(log), frames):
            message.channel = int(message.channel[-1])
            writer(message)
    return True


def main() -> None:
    """Print everything."""
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(one(sys.argv[2], Path(sys.argv[3]))))
        return
    if sys.argv[1:2] == ["--open"]:
        print(json.dumps(opened(Path(sys.argv[2]))))
        return
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=3600)
    parser.add_argument("--folder", type=Path, default=None)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        path, part = Path(name) / "big.log", Path(name) / "part.log"
        frames = make(path, asked.seconds)
        part_of(path, part, FRAMES["busplan"])
        part_of(path, part.with_suffix(".first.log"), 1000)
        ours = [f"busplan, {part}" for part in ("opening", "reader", "parsing")]
        names = [*ours, "numpy", "python-can"]
        names += ["asammdf"] if write_mf4(part, FRAMES["asammdf"]) else []
        found = {n: in_own_process(__file__, ["--one", n, part]) for n in names}
        print("text log, one core")
        slow = found["python-can"]["rate"]
        rows_printed(
            ["", "M frames/s", "times python-can", "peak MB a million frames"],
            [
                [n, f"{f['rate'] / 1e6:.2f}", f"{f['rate'] / slow:.1f}", f"{f['memory']:.0f}"]
                for n, f in found.items()
            ],
        )
        print(f"{frames:,} frames, {path.stat().st_size:,} bytes, all cores")
        os.environ["BUSPLAN_CACHE_DIR"] = name
        for label in ("first opening", "second opening"):
            o = in_own_process(__file__, ["--open", path], one_core=False)
            print(
                f"{label}: {o['opening']:.2f} s, {o['frames']:,} frames; slowest of 200 seeks "
                f"{1e3 * o['slowest seek']:.1f} ms; a message of {o['message frames']:,} frames "
                f"decoded whole in {o['message']:.3f} s; peak memory {o['peak']:,.0f} MB"
            )


if __name__ == "__main__":
    main()
