"""The bytes of a file in blocks, gzip unpacked on the way, torn ends noted."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import numpy as np

from busplan.capture.frames import U8
from busplan.capture.tally import Tally
from busplan.errors import CaptureError

BLOCK = 1 << 24
"""Bytes handled at a time."""
GZIP_MAGIC = b"\x1f\x8b"

Consumed = Callable[[int], None]
"""Called with the bytes of the file consumed so far."""


def byte_blocks(
    path: Path, tally: Tally, block: int = BLOCK, consumed: Consumed | None = None
) -> Iterator[bytes]:
    """The content of a file, unpacked when it is gzipped, in blocks of at most ``block``."""
    with path.open("rb") as raw:
        packed = raw.read(2) == GZIP_MAGIC
        raw.seek(0)
        stream = _unpacked(raw, tally, block) if packed else iter(lambda: raw.read(block), b"")
        for data in stream:
            yield data
            if consumed:
                consumed(raw.tell())


def _unpacked(raw: IO[bytes], tally: Tally, block: int) -> Iterator[bytes]:
    """Unpack gzip members one after the other; keep what comes before a damage or cut."""
    unpacker = zlib.decompressobj(wbits=31)
    data = b""
    while True:
        if not data:
            data = raw.read(1 << 18)
            if not data:
                break
        if unpacker.eof:
            unpacker = zlib.decompressobj(wbits=31)
        try:
            yield unpacker.decompress(data, block)
        except zlib.error as error:
            tally.torn = f"the gzip stream is damaged ({error})"
            return
        data = unpacker.unconsumed_tail or unpacker.unused_data
    if not unpacker.eof:
        yield unpacker.flush()
    if not unpacker.eof:
        tally.torn = "the gzip stream is cut"


def whole_lines(blocks: Iterator[bytes], tally: Tally, longest: int = BLOCK) -> Iterator[U8]:
    """Blocks of whole lines as uint8 arrays; a last line without a line end is not among them.

    Raises :class:`CaptureError` when no line end comes within ``longest`` bytes.
    """
    rest = b""
    for data in blocks:
        cut = data.rfind(b"\n") + 1
        if cut:
            yield np.frombuffer(rest + data[:cut] if rest else data[:cut], np.uint8)
            rest = data[cut:]
        else:
            rest += data
        if len(rest) > longest:
            raise CaptureError(f"{tally.file}: not a text log: no line end in {len(rest)} bytes")
    tally.open_line = bool(rest)
