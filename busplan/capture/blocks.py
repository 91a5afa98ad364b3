"""The bytes of a file in blocks, gzip unpacked on the way, torn ends noted."""

from __future__ import annotations

import zlib
from codecs import BOM_UTF8
from collections import deque
from collections.abc import Callable, Iterator
from itertools import chain, repeat
from pathlib import Path
from typing import IO

import numpy as np

from busplan.capture.tally import Tally
from busplan.errors import CaptureError
from busplan.frames.columns import U8

BLOCK = 1 << 22
"""Bytes handled at a time."""
FIRST = 1 << 16
"""Bytes of the first block: a file is looked into, and a small one read, without more ado."""
GZIP_MAGIC = b"\x1f\x8b"

Consumed = Callable[[int], None]
"""Called with the bytes of the file consumed so far."""


def byte_blocks(
    path: Path, tally: Tally, block: int = BLOCK, consumed: Consumed | None = None
) -> Iterator[bytes]:
    """The content of a file, unpacked when it is gzipped, in blocks of at most ``block``.

    ``consumed`` is called before each block that reaches so far. A byte-order mark of UTF-8 at the
    very beginning is left out.
    """
    sizes = chain((min(block, FIRST),), repeat(block))
    with path.open("rb") as raw:
        packed = raw.read(2) == GZIP_MAGIC
        raw.seek(0)
        stream = _unpacked(raw, tally, sizes) if packed else _plain(raw, sizes)
        for data in chain((next(stream, b"").removeprefix(BOM_UTF8),), stream):
            if consumed:
                consumed(raw.tell())
            yield data


class Reach:
    """How far into the file each block of lines reaches, also when blocks are read ahead."""

    def __init__(self) -> None:
        self._at = 0
        self._ends: deque[int] = deque()

    def consumed(self, done: int) -> None:
        """Told by :func:`byte_blocks`."""
        self._at = done

    def noted(self, lines: Iterator[U8]) -> Iterator[U8]:
        """The same blocks, their ends noted on the way."""
        for text in lines:
            self._ends.append(self._at)
            yield text

    def next_end(self) -> int:
        """The end of the block whose turn it is [bytes]."""
        return self._ends.popleft()


def _plain(raw: IO[bytes], sizes: Iterator[int]) -> Iterator[bytes]:
    while data := raw.read(next(sizes)):
        yield data


def _unpacked(raw: IO[bytes], tally: Tally, sizes: Iterator[int]) -> Iterator[bytes]:
    """Unpack gzip members one after the other; keep what comes before a damage or cut.

    Zeros after a member are padding (RFC 1952 leaves them to the reader; tapes and block devices
    add them).
    """
    unpacker = zlib.decompressobj(wbits=31)
    data = b""
    while True:
        if unpacker.eof:
            data = data.lstrip(b"\0")
        if not data:
            data = raw.read(1 << 18)
            if not data:
                break
            continue
        if unpacker.eof:
            unpacker = zlib.decompressobj(wbits=31)
        try:
            yield unpacker.decompress(data, next(sizes))
        except zlib.error as error:
            tally.torn = f"the gzip stream is damaged ({error})"
            return
        data = unpacker.unconsumed_tail or unpacker.unused_data
    if not unpacker.eof:
        yield unpacker.flush()
    if not unpacker.eof:
        tally.torn = "the gzip stream is cut"


def whole_lines(
    blocks: Iterator[bytes],
    tally: Tally,
    longest: int = BLOCK,
    whole: Callable[[bytes], bool] | None = None,
) -> Iterator[U8]:
    """Blocks of whole lines as uint8 arrays; a last line without a line end is not among them.

    Only when it is ``whole``, to which it is given stripped, it cannot have lost anything. Raises
    :class:`CaptureError` when no line end comes within ``longest`` bytes.
    """
    rest = b""
    for data in blocks:
        cut = data.rfind(b"\n") + 1
        if cut:
            # A block is large: it is copied once at most.
            lines = b"".join((rest, memoryview(data)[:cut])) if rest else data
            yield np.frombuffer(lines, np.uint8, len(rest) + cut)
            rest = data[cut:]
        else:
            rest += data
        if len(rest) > longest:
            raise CaptureError(f"{tally.file}: no line end in {len(rest)} bytes")
    if whole is not None and whole(rest.strip()):
        yield np.frombuffer(rest + b"\n", np.uint8)
    else:
        tally.open_line = bool(rest)


def numbered(blocks: Iterator[U8]) -> Iterator[tuple[int, str]]:
    """The lines of blocks of whole lines with their numbers from 1 on, without line ends."""
    number = 0
    for block in blocks:
        for line in block.tobytes().decode("utf-8", "replace").split("\n")[:-1]:
            number += 1
            yield number, line
