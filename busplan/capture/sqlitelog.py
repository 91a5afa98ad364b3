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
    _check_size(path, size)
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
        try:
            (state,) = database.execute("PRAGMA quick_check(1)").fetchone()
            cursor = database.execute(
                "SELECT ts, arbitration_id, extended, remote, error, dlc, data FROM messages"
            )
        except _DAMAGE as error:
            raise CaptureError(f"{path}: not a readable SQLite capture ({error})") from error
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
    tally.entries = row
    yield gatherer.chunk()
    gatherer.remark()


def _check_size(path: Path, size: int) -> None:
    """Refuse a cut database: SQLite would fill its last page with zeros and lose rows silently.

    Page size and page count stand at bytes 16 and 28 of the header (SQLite file format, 1.3).
    """
    with path.open("rb") as file:
        header = file.read(100)
    page = int.from_bytes(header[16:18], "big")
    stated = (65536 if page == 1 else page) * int.from_bytes(header[28:32], "big")
    if len(header) < 100 or (stated and stated > size):
        raise CaptureError(
            f"{path}: the database is cut: its header states {stated} bytes, the file has {size}"
        )
