"""Files that somebody else made: ordinary files only, whole ones up to a stated size."""

from __future__ import annotations

import os
import stat
from io import BufferedReader
from pathlib import Path

from busplan.errors import UsageError


class UnfitFileError(OSError):
    """What is no ordinary file, or larger than what is read; ``strerror`` says which."""


def open_ordinary(path: Path) -> BufferedReader:
    """An ordinary file, opened to read its bytes.

    Raises ``OSError`` when it cannot be opened, :class:`UnfitFileError` for devices, pipes and
    sockets, and for what can be no path. It never waits, as opening a pipe that nobody writes to
    does.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags)
    except ValueError:  # a NUL in it
        raise UnfitFileError(0, "is no path that a file can have", str(path)) from None
    kind = os.fstat(handle).st_mode
    if stat.S_ISREG(kind):
        return os.fdopen(handle, "rb")
    os.close(handle)
    if stat.S_ISDIR(kind):
        raise IsADirectoryError(21, "Is a directory", str(path))
    raise UnfitFileError(0, "is a device, a pipe or a socket, not a file", str(path))


def read_whole(path: Path, most: int) -> bytes:
    """The bytes of an ordinary file of at most ``most`` bytes; errors as :func:`open_ordinary`."""
    with open_ordinary(path) as file:
        data = file.read(most + 1)
    if len(data) > most:
        text = f"is larger than the {most // 1_000_000} MB that are read of such a file"
        raise UnfitFileError(0, text, str(path))
    return data


def write_new(path: Path, text: str | bytes) -> None:
    """Write a new file, text in UTF-8; no part of it is left when it could not be written whole.

    ``UsageError`` when it is there already or cannot be written.
    """
    data = text.encode() if isinstance(text, str) else text
    made = False
    try:
        with path.open("xb") as file:
            made = True
            file.write(data)
    except FileExistsError as error:
        raise UsageError(f"{path}: exists already, and stays as it is: name a new file") from error
    except OSError as error:
        if made:
            path.unlink(missing_ok=True)
        raise UsageError(f"cannot write {path}: {error.strerror}") from error
