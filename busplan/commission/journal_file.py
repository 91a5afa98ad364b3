"""The journal's file: read whole, appended one line at a time, by one program at a time.

The rules of this file: a line is written by one call and is on the disk before anybody is told; a
write that fails half way is taken back; nothing else is ever taken away. A lock beside the file
makes two programs wait for each other.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from busplan.commission.entry import LARGEST, Entry, Journal, read_journal, sealed
from busplan.errors import UsageError
from busplan.files import read_whole

Make = Callable[[Journal], Entry]


def load_journal(path: Path) -> Journal:
    """The journal in a file, an empty one when there is no file.

    :class:`busplan.errors.UsageError` when it cannot be read.
    """
    try:
        return read_journal(read_whole(path, LARGEST))
    except FileNotFoundError:
        return Journal()
    except OSError as error:
        raise UsageError(f"cannot read the journal {path}: {error.strerror or error}") from None


def append_entry(path: Path, make: Make) -> Journal:
    """Append the entry that ``make`` gives for the journal as it stands; the journal after it.

    :class:`busplan.errors.UsageError` when its chain is broken, or it cannot be written: then
    nothing has been added.
    """
    try:
        with _locked(path):
            journal = load_journal(path)
            if journal.broken:
                raise UsageError(
                    f"{path} has been changed ({journal.broken[0]}): nothing is added to it. Keep "
                    "it, and begin another with --journal"
                )
            _, line = sealed(make(journal))
            # A line that a crash left unfinished is ended, not removed: the entry names its hash.
            ended = b"\n" if _ends_open(path) else b""
            _write(path, ended + line)
            return load_journal(path)
    except OSError as error:
        raise UsageError(f"cannot write the journal {path}: {error.strerror or error}") from None


def _ends_open(path: Path) -> bool:
    if not path.exists():
        return False
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        if not size:
            return False
        file.seek(size - 1)
        return file.read(1) != b"\n"


def _write(path: Path, line: bytes) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
    try:
        begin = os.lseek(handle, 0, os.SEEK_END)
        try:
            done = 0
            while done < len(line):
                done += os.write(handle, line[done:])
            os.fsync(handle)
        except OSError:
            os.ftruncate(handle, begin)
            raise
    finally:
        os.close(handle)


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Nobody else appends meanwhile; the lock goes when the program ends, however it ends."""
    beside = path.with_name(path.name + ".lock")
    handle = os.open(beside, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        _lock(handle)
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> None:
    try:
        import fcntl
    except ImportError:
        import msvcrt

        system: Any = msvcrt
        system.locking(handle, system.LK_LOCK, 1)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX)
