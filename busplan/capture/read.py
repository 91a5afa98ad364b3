"""Opening captures: from files to a :class:`Capture`, whatever format they are in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from busplan.capture.capture import Capture, Source, channel_table
from busplan.capture.frames import FrameTable
from busplan.capture.tally import Tally
from busplan.capture.textlog import read_textlog
from busplan.errors import CaptureError


def read_capture(paths: str | Path | Sequence[str | Path]) -> Capture:
    """Read one capture. Wrong entries become findings.

    Raises :class:`CaptureError` when a file is missing, empty, no capture, or wrong beyond the
    tolerated share.
    """
    listed = [paths] if isinstance(paths, str | Path) else list(paths)
    table, tally, source = _read_file(Path(listed[0]))
    return Capture(table, (source,), channel_table(table), tuple(tally.findings()))


def _read_file(path: Path) -> tuple[FrameTable, Tally, Source]:
    if not path.is_file():
        raise CaptureError(f"{path}: no such file")
    size = path.stat().st_size
    if not size:
        raise CaptureError(f"{path}: the file is empty")
    table, tally = read_textlog(path)
    tally.check_share()
    if not len(table):
        raise CaptureError(f"{path}: holds no readable frame")
    return table, tally, Source(str(path), "text log", size, len(table))
