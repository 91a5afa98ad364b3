"""Which reader a file needs, judged by its content first and its name second."""

from __future__ import annotations

import re
import zlib
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

from busplan.capture.blocks import GZIP_MAGIC
from busplan.capture.chunks import ChannelNames, Chunk, Progress
from busplan.capture.csv_columns import LIBRARY_HEAD
from busplan.capture.tally import Tally
from busplan.errors import CaptureError

Reader = Callable[[Path, Tally, ChannelNames, Progress | None], Iterator[Chunk]]


@dataclass(frozen=True, slots=True)
class Format:
    """A file format and what it can hold. ``reader`` is ``module:function`` of this package."""

    name: str
    suffix: str
    reader: str
    channels: bool = True
    fd: bool = True
    remote: bool = True
    errors: bool = True
    direction: bool = True
    absolute: bool = True
    """Whether its times count from 1970."""
    step_ns: int = 1
    """Smallest time step it keeps."""
    gzip: bool = True
    columns: str = ""
    """What the user says of a table's columns; see :func:`csv_columns.parse_columns`."""

    @property
    def limits(self) -> tuple[str, ...]:
        """What of a frame the format cannot hold, in words for the user."""
        kept = {
            "channels": self.channels,
            "CAN FD": self.fd,
            "remote frames": self.remote,
            "error frames": self.errors,
            "direction": self.direction,
            "absolute time": self.absolute,
        }
        return tuple(what for what, held in kept.items() if not held)

    def open(self) -> Reader:
        """The reader's function; its module is imported now."""
        module, function = self.reader.split(":")
        reader: Reader = getattr(import_module(f"busplan.capture.{module}"), function)
        told: Any = reader
        return partial(told, columns=self.columns) if self.columns else reader


_LISTING = re.compile(rb"\s*(\(\S+\)\s+)?\S+\s+[0-9A-Fa-f]{3,8}\s+\[\d+\]\s")
TEXT_LOG = Format("text log", ".log", "textlog:text_chunks")
FORMATS = (
    TEXT_LOG,
    Format("ASC text", ".asc", "asclog:asc_chunks", absolute=False),
    Format("BLF binary", ".blf", "canformats:blf_chunks"),
    Format(
        "CSV",
        ".csv",
        "tablelog:table_chunks",
        channels=False,
        fd=False,
        direction=False,
        step_ns=1000,
    ),
    Format("TRC text", ".trc", "canformats:trc_chunks", absolute=False, errors=False, step_ns=1000),
    Format(
        "SQLite",
        ".db",
        "sqlitelog:sqlite_chunks",
        channels=False,
        fd=False,
        direction=False,
        step_ns=1000,
        gzip=False,
    ),
    Format("MF4", ".mf4", "mf4:mf4_chunks", step_ns=1000, gzip=False),
)


_OTHER_SUFFIXES = tuple(f.suffix for f in FORMATS if f.suffix != ".csv")
TABLE = Format("CSV table", ".csv", "tablelog:table_chunks", fd=False, step_ns=1000)
"""CSV of any other layout than the one above; what else it lacks depends on its columns."""


def format_named(name: str) -> Format:
    """The format of that name."""
    return next(f for f in (*FORMATS, TABLE) if f.name == name)


def recognise(path: Path, columns: str = "") -> Format:
    """The format of a file; with ``columns``, any text that no other format claims is a table.

    Raises :class:`CaptureError` when it is missing, empty or nothing we can read.
    """
    if not path.exists():
        raise CaptureError(f"{path}: no such file")
    if not path.is_file():
        raise CaptureError(f"{path}: not a file")
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read ({error.strerror})") from error
    if not head:
        raise CaptureError(f"{path}: the file is empty")
    name = path.name.lower().removesuffix(".gz")
    packed = head.startswith(GZIP_MAGIC)
    if packed:
        try:
            head = zlib.decompressobj(wbits=31).decompress(head, 4096)
        except zlib.error as error:
            raise CaptureError(f"{path}: the gzip stream is damaged ({error})") from error
    if head.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        raise CaptureError(f"{path}: is UTF-16 text; save it as UTF-8 or plain text first")
    if _LISTING.match(head):
        raise CaptureError(
            f"{path}: is a listing for reading on screen (can0  123   [8]  00 11 …), not a text "
            "log; record as a log, for example with busplan record"
        )
    found = _by_content(head.removeprefix(BOM_UTF8)) or _by_name(name, columns)
    if found is None:
        known = ", ".join(f.suffix for f in FORMATS)
        raise CaptureError(
            f"{path}: not a capture busplan can read (known by content or by name: {known}, "
            "gzipped too; a table under any other name with --columns)"
        )
    if packed and not found.gzip:
        raise CaptureError(f"{path}: unpack the file first; {found.name} cannot be read gzipped")
    return found


def _by_name(name: str, columns: str) -> Format | None:
    if name.endswith(TABLE.suffix) or (columns and not name.endswith(_OTHER_SUFFIXES)):
        return replace(TABLE, columns=columns)
    return next((f for f in FORMATS if name.endswith(f.suffix)), None)


def _by_content(head: bytes) -> Format | None:
    signs = {
        ".blf": b"LOGG",
        ".mf4": b"MDF     ",
        ".db": b"SQLite format 3\0",
        ".csv": LIBRARY_HEAD.encode(),
        ".asc": b"date ",
        ".trc": b";$FILEVERSION=",
    }
    for found in FORMATS:
        if found.suffix in signs and head.startswith(signs[found.suffix]):
            return found
    first = head.lstrip()[:2]
    if len(first) == 2 and first[:1] == b"(" and first[1:].isdigit():
        return TEXT_LOG
    return None
