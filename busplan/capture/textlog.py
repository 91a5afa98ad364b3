"""The text log, one line a frame: ``(seconds.fraction) channel identifier#payload``.

Reading goes block by block, plain or gzipped, so memory stays bounded; wrong lines are counted
with their numbers and set aside. A last line without a line end may be torn and is set aside too,
because a payload cut between two bytes would look like a shorter frame.
"""

from __future__ import annotations

import gzip
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from busplan.capture.ahead import in_order
from busplan.capture.blocks import BLOCK, Reach, byte_blocks, whole_lines
from busplan.capture.chunks import ChannelNames, Chunk, Progress, join
from busplan.capture.tally import Tally
from busplan.errors import UsageError
from busplan.frames.columns import I64, U8, read_only
from busplan.frames.kinds import SENT
from busplan.frames.table import FrameTable

_WRITTEN = 1 << 16
"""Frames written at a time."""
_SHORTEST_LINE = 12
"""``(0) c 123#`` and a line end: bounds the frames a block can hold."""


def read_textlog(path: str | Path) -> tuple[FrameTable, Tally]:
    """Read a whole text log into memory; the tally holds what was set aside."""
    tally = Tally(str(path))
    names = ChannelNames()
    table = join(text_chunks(Path(path), tally, names), names)
    return table, tally


def text_chunks(
    path: Path,
    tally: Tally,
    names: ChannelNames,
    progress: Progress | None = None,
    block: int = BLOCK,
) -> Iterator[Chunk]:
    """The frames of a text log, block by block; the next blocks are parsed meanwhile."""
    frames = 0
    reach = Reach()
    lines = whole_lines(byte_blocks(path, tally, block, reach.consumed), tally)
    for parsed in in_order(reach.noted(lines), _parse):
        done = reach.next_end()
        chunk = _settle(parsed, tally, names)
        frames += len(chunk)
        yield chunk
        if progress:
            progress(done, frames)
    tally.close_lines()


@dataclass(frozen=True, eq=False)
class _Parsed:
    """What the kernel made of one block; line numbers count from the block's first line."""

    columns: Chunk
    names: list[str]
    lines: int
    wrong: I64
    places: I64
    codes: int


def _parse(text: U8) -> _Parsed:
    from busplan.capture import textkernels as kernels

    room = len(text) // _SHORTEST_LINE + 1
    time_ns, network = np.empty(room, np.int64), np.empty(room, np.uint16)
    identifier, flags = np.empty(room, np.uint32), np.empty(room, np.uint8)
    length, payload = np.empty(room, np.uint8), np.empty(len(text) // 2 + 64, np.uint8)
    name_bytes = np.zeros((kernels.CHANNEL_ROOM, kernels.NAME_ROOM), np.uint8)
    name_length = np.zeros(kernels.CHANNEL_ROOM, np.int64)
    wrong = np.zeros(len(kernels.REASONS), np.int64)
    places = np.zeros((kernels.PLACES, 2), np.int64)
    frames, used, lines, channels, codes = kernels.parse_lines(
        text,
        time_ns,
        network,
        identifier,
        flags,
        length,
        payload,
        name_bytes,
        name_length,
        wrong,
        places,
    )
    return _Parsed(
        Chunk(
            time_ns[:frames].copy(),
            network[:frames].copy(),
            identifier[:frames].copy(),
            flags[:frames].copy(),
            length[:frames].copy(),
            payload[:used].copy(),
        ),
        [
            name_bytes[i, : name_length[i]].tobytes().decode("utf-8", "backslashreplace")
            for i in range(channels)
        ],
        lines,
        wrong,
        places[: wrong.sum()],
        codes,
    )


def _settle(parsed: _Parsed, tally: Tally, names: ChannelNames) -> Chunk:
    """Count a block's wrong lines and give its channels their numbers in the file."""
    from busplan.capture.textkernels import REASONS

    for line, reason in parsed.places:
        tally.set_aside(REASONS[reason], int(tally.entries + line))
    for reason in np.flatnonzero(parsed.wrong):
        beyond = int(parsed.wrong[reason]) - int((parsed.places[:, 1] == reason).sum())
        if beyond > 0:
            tally.set_aside(REASONS[reason], tally.entries + parsed.lines, beyond)
    tally.entries += parsed.lines
    tally.length_codes += parsed.codes
    lookup = np.array([names.index(name) for name in parsed.names], np.uint16)
    if not len(parsed.columns) or np.array_equal(lookup, np.arange(len(lookup))):
        return parsed.columns
    return replace(parsed.columns, network=lookup[parsed.columns.network])


def write_textlog(
    table: FrameTable,
    path: str | Path,
    *,
    rows: I64 | None = None,
    digits: int | None = None,
) -> None:
    """Write a table, or some of its ``rows``, as a text log, gzipped when the name ends in ``.gz``.

    ``digits`` are the decimals of the time: by default 6, as the format is usually written, or 9
    when a time would lose something; an explicit smaller number cuts the rest off. The file
    appears only when it is whole.
    """
    target = Path(path)
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as raw:
            if target.suffix == ".gz":
                # No name and no time inside, so that equal frames make equal files.
                with gzip.GzipFile("", "wb", 6, raw, mtime=0) as packed:
                    for text in textlog_lines(table, rows=rows, digits=digits):
                        packed.write(text)
            else:
                for text in textlog_lines(table, rows=rows, digits=digits):
                    raw.write(text)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


def textlog_lines(
    table: FrameTable, *, rows: I64 | None = None, digits: int | None = None
) -> Iterator[bytes]:
    """The lines of a text log, many to a block; see :func:`write_textlog`."""
    from busplan.capture.textkernels import NAME_ROOM
    from busplan.capture.writekernel import format_lines

    name_bytes = np.zeros((len(table.networks), NAME_ROOM), np.uint8)
    name_length = np.zeros(len(table.networks), np.int64)
    for i, name in enumerate(table.networks):
        data = name.encode()
        if not 0 < len(data) <= NAME_ROOM or any(b <= 32 or b == 127 for b in data):
            raise UsageError(f"a text log cannot hold the channel name {name!r}")
        name_bytes[i, : len(data)] = np.frombuffer(data, np.uint8)
        name_length[i] = len(data)
    fine, direction = _demands(table, rows)
    if digits is None:
        digits = 9 if fine else 6
    widest = int(name_length.max(initial=0)) + digits + 32
    for part in _parts(table, rows):
        length = part.length
        out = np.empty(len(length) * widest + 2 * int(length.sum(dtype=np.int64)), np.uint8)
        size = format_lines(
            out,
            read_only(part.time_ns),
            read_only(part.network),
            read_only(part.identifier),
            read_only(part.flags),
            read_only(length),
            read_only(part.start),
            read_only(part.payload),
            name_bytes,
            name_length,
            digits,
            direction,
        )
        yield out[:size].tobytes()


def _parts(table: FrameTable, rows: I64 | None) -> Iterator[FrameTable]:
    """The table, or its ``rows``, in pieces that fit the memory."""
    count = len(table) if rows is None else len(rows)
    for first in range(0, count, _WRITTEN):
        piece = slice(first, first + _WRITTEN)
        yield table.take(piece if rows is None else rows[piece])


def _demands(table: FrameTable, rows: I64 | None) -> tuple[bool, bool]:
    """Whether any time needs more than microseconds, and whether any frame was sent."""
    fine = sent = False
    for part in _parts(table, rows):
        if int(part.time_ns.min()) < 0:
            raise UsageError("a text log cannot hold times before its zero")
        fine = fine or bool((part.time_ns % 1000).any())
        sent = sent or bool((part.flags & SENT).any())
    return fine, sent
