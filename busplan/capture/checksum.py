"""Checksums of files: one as fast as memory, and SHA-256 for records that people keep.

The fast one is to notice a damaged store and no protection against intent: four lanes take the
64-bit words in turn; each step is reversible, so no change of a single word goes unnoticed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from busplan.files import open_ordinary
from busplan.frames.table import FrameTable
from busplan.kernels import kernel
from busplan.wording import moment_text

_BLOCK = 1 << 22
_FACTOR = np.uint64(0x9E37_79B9_7F4A_7C15)
_SHIFT = np.uint64(29)


@kernel
def _mix(words: Any, lanes: Any) -> None:
    a, b, c, d = lanes[0], lanes[1], lanes[2], lanes[3]
    for i in range(0, len(words) - 3, 4):
        a = (a ^ words[i]) * _FACTOR
        b = (b ^ words[i + 1]) * _FACTOR
        c = (c ^ words[i + 2]) * _FACTOR
        d = (d ^ words[i + 3]) * _FACTOR
        a ^= a >> _SHIFT
        b ^= b >> _SHIFT
        c ^= c >> _SHIFT
        d ^= d >> _SHIFT
    lanes[0], lanes[1], lanes[2], lanes[3] = a, b, c, d


def file_checksum(path: Path) -> str:
    """The checksum of a file's content and length, as hexadecimal text."""
    lanes = np.arange(1, 5, dtype=np.uint64) * _FACTOR
    buffer = np.zeros(_BLOCK, np.uint8)
    size = 0
    with open_ordinary(path) as file:
        while got := file.readinto(buffer.data):
            size += got
            padded = -(-got // 32) * 32
            buffer[got:padded] = 0
            _mix(buffer[:padded].view(np.uint64), lanes)
    return "".join(f"{int(lane):016x}" for lane in lanes) + f"-{size}"


def sha256_of(path: Path) -> str:
    """SHA-256 of a file (FIPS 180-4), as hexadecimal text; ``""`` when it has gone."""
    import hashlib

    try:
        with open_ordinary(path) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def file_facts(path: Path, table: FrameTable) -> dict[str, Any]:
    """What a record keeps of a file of a capture: name, size, SHA-256, beginning and length [s]."""
    return {
        "name": path.name,
        "sha256": sha256_of(path),
        "bytes": path.stat().st_size,
        "from": moment_text(table.origin_ns, epoch=table.epoch),
        "span_s": table.span_ns / 1e9,
    }
