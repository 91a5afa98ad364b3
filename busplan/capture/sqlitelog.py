"""SQLite captures with the table ``messages`` that python-can writes.

Read straight from the database rather than through python-can, whose reader stops at the first row
it cannot convert. The table keeps neither channel nor direction nor CAN FD.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from busplan.capture.chunks import ChannelNames, Chunk, Progress
from busplan.capture.gather import CHUNK, NO_CHANNEL, Gatherer
from busplan.capture.tally import Tally
from busplan.errors import CaptureError
from busplan.frames.kinds import ERROR, EXTENDED, REMOTE
from busplan.wording import counted

_LEAF_OF_TABLE = 13
_PAGES = frozenset((2, 5, 10, _LEAF_OF_TABLE))
"""First bytes of pages of tables and indexes."""
_DAMAGE = (sqlite3.DatabaseError, UnicodeDecodeError)
"""What a damaged database raises; the second when its own names are no text any more."""


def sqlite_chunks(
    path: Path, tally: Tally, names: ChannelNames, progress: Progress | None = None
) -> Iterator[Chunk]:
    """The frames of the table ``messages`` in the order of the file."""
    tally.entry = "row"
    tally.channels_lost()
    gatherer = Gatherer(tally, names, knows_fd=False)
    size = path.stat().st_size
    missing, gone = _cut_rows(path, size)
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
        try:
            (state,) = database.execute("PRAGMA quick_check(1)").fetchone()
            cursor = database.execute(
                "SELECT ts, arbitration_id, extended, remote, error, dlc, data FROM messages"
                f" WHERE rowid NOT IN ({','.join(map(str, sorted(gone)))})"
            )
        except _DAMAGE as error:
            raise CaptureError(f"{path}: not a readable SQLite capture ({error})") from error
        if missing:
            tally.torn = f"the database is cut: {counted(missing, 'byte')} of its last page missing"
        if gone:
            tally.set_aside("lies where the file is cut", min(gone), len(gone))
        if state != "ok":
            tally.torn = f"the database is damaged ({state}); rows may be missing"
        row = 0
        try:
            for row, fields in enumerate(cursor, start=1):
                time_s, identifier, extended, remote, error_frame, stated, data = fields
                flags = EXTENDED * bool(extended) | REMOTE * bool(remote)
                flags |= ERROR * bool(error_frame)
                try:
                    gatherer.add_fields(
                        float(time_s),
                        NO_CHANNEL,
                        int(identifier),
                        flags,
                        int(stated),
                        bytes(data or b""),
                        row,
                    )
                except (TypeError, ValueError):
                    tally.set_aside("cannot be understood", row)
                if len(gatherer) >= CHUNK:
                    yield gatherer.chunk()
                    if progress:
                        progress(size // 2, row)
        except _DAMAGE as error:
            tally.torn = f"the database is damaged after row {row} ({error})"
    tally.entries = row + len(gone)
    yield gatherer.chunk()
    gatherer.remark()


def _cut_rows(path: Path, size: int) -> tuple[int, frozenset[int]]:
    """Bytes that a cut database lacks, and the rows that lay there; ``CaptureError`` if too many.

    SQLite reads a last page that is cut as if zeros followed, and cells fill a page from its end:
    rows of it would have other bytes and nothing would say so. Only where the page is one of a
    table or an index its missing cells are known. Page size, page count and reserved bytes stand at
    16, 28 and 20 of the header, cells as in 1.6 (SQLite file format).
    """
    with path.open("rb") as file:
        header = file.read(100)
        page = int.from_bytes(header[16:18], "big")
        page = 65536 if page == 1 else page
        stated = page * int.from_bytes(header[28:32], "big")
        missing = stated - size
        if len(header) == 100 and missing <= 0:
            return 0, frozenset()
        if len(header) == 100 and missing < page and stated > page:
            file.seek(stated - page)
            last = file.read()
            if last[:1] and last[0] in _PAGES:
                cells = last[0] == _LEAF_OF_TABLE
                return missing, _rows_beyond(last, page - header[20]) if cells else frozenset()
    raise CaptureError(
        f"{path}: the database is cut: its header states {stated} bytes, the file has {size}"
    )


def _rows_beyond(page: bytes, usable: int) -> frozenset[int]:
    """The rows of a leaf of a table whose cells begin but do not end in what there is of it.

    Of cells that lie wholly beyond SQLite makes rows without values, which are counted as such.
    """
    rows = set()
    for number in range(int.from_bytes(page[3:5], "big")):
        at = int.from_bytes(page[8 + 2 * number : 10 + 2 * number], "big")
        length, at = _varint(page, at)
        row, at = _varint(page, at)
        # What does not fit lies on other pages; at the least this much is here (1.6).
        local = length if length <= usable - 35 else (usable - 12) * 32 // 255 - 23
        if at <= len(page) < at + local:
            rows.add(row)
    return frozenset(rows)


def _varint(page: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, and where it ends."""
    value = 0
    for step in range(9):
        byte = page[at + step] if at + step < len(page) else 0
        if step == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + step + 1
    raise AssertionError
