"""An append-only text log that survives a killed process and a full disk.

The rules of this file: bytes go to the operating system unbuffered, whole lines at a time; nothing
already written is ever changed. When the disk takes only part of a block, the rest is kept and
offered again, so no line is joined to another one. What does not fit into the waiting room is
dropped whole and counted.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from busplan.errors import UsageError

WAITING_LIMIT = 64 * 1024 * 1024
"""Bytes kept in memory while the disk takes nothing."""

CHECK_EVERY_NS = 500_000_000
"""So often [ns] it is looked whether the file is still there."""
_COPY_BYTES = 8 * 1024 * 1024

FOREIGN = frozenset({".asc", ".blf", ".trc", ".mf4", ".mdf", ".csv", ".db", ".dbc", ".toml"})
"""Endings of other formats: a file that is not what its name says is not found again."""


@dataclass(frozen=True, slots=True)
class GoneFile:
    """A file that was removed while it was written, the one written now, and frames lost."""

    was: Path
    now: Path
    frames: int

    @property
    def told(self) -> str:
        """What happened, in words."""
        lost = f"{self.frames:,} frames lost" if self.frames else "nothing lost"
        return f"{self.was} was removed while it was written; going on in {self.now}; {lost}"


class LogWriter:
    """Writes blocks of log lines to one file, or to a numbered series of files.

    ``rotate_bytes`` and ``rotate_ns`` start the next file when the current one has reached that
    size or age; files are then called ``name-0001.log`` and so on. Existing files are never
    overwritten nor appended to: :class:`UsageError`, as for a name that promises another format.

    A file that is removed while it is written is noticed within a second: what it held is copied
    from the handle that is still open, into a new file beside it or, when its folder has gone too,
    in the working folder, and that is written from then on.
    """

    def __init__(
        self,
        path: Path,
        *,
        rotate_bytes: int | None = None,
        rotate_ns: int | None = None,
        waiting_limit: int = WAITING_LIMIT,
        open_file: Callable[[Path], int] | None = None,
    ) -> None:
        if not path.name:
            raise UsageError(f"{str(path)!r} names no file to record into")
        if path.suffix.lower() in FOREIGN or path.name.lower().endswith(".gz"):
            raise UsageError(f"{path}: a recording is a plain text log; call it .log, for example")
        self._path = path
        self._rotate_bytes = rotate_bytes
        self._rotate_ns = rotate_ns
        self._waiting_limit = waiting_limit
        self._open_file = open_file or _create
        self._watched = open_file is None
        self._checked_ns = 0
        self._in_file = 0
        self._number = 0
        self._handle = -1
        self._size = 0
        self._born_ns = 0
        self._waiting: list[bytes] = []
        self._waiting_bytes = 0
        self.files: list[Path] = []
        self.gone: list[GoneFile] = []
        self.written_frames = 0
        self.dropped_frames = 0
        self.trouble: str | None = None
        """Why the disk takes nothing at the moment, in words; ``None`` when it does."""
        self.rotation_trouble: str | None = None
        """Why the last rotation did not happen, in words; nothing is lost by that."""

    @property
    def waiting_frames(self) -> int:
        """Frames that are in memory because the disk has not taken them yet."""
        return sum(block.count(b"\n") for block in self._waiting)

    def open(self, now_ns: int) -> None:
        """Create the first file; raises :class:`UsageError` when it exists or cannot be made."""
        self._next_file(now_ns)

    def write(self, block: bytes, now_ns: int) -> None:
        """Append a block of whole lines, one a frame."""
        if self._watched and now_ns - self._checked_ns >= CHECK_EVERY_NS:
            self._checked_ns = now_ns
            self._look_after_file()
        if block:
            if not self._waiting and self._due(now_ns):
                self._next_file(now_ns)
            if self._waiting_bytes + len(block) > self._waiting_limit:
                self.dropped_frames += block.count(b"\n")
            else:
                self._waiting.append(block)
                self._waiting_bytes += len(block)
        self._push()

    def close(self) -> None:
        """Offer what waits one last time; what the disk still refuses counts as dropped."""
        if self._handle < 0:
            return
        self._push()
        if self._watched:
            self._look_after_file()
            self._push()
        self.dropped_frames += self.waiting_frames
        self._waiting.clear()
        self._waiting_bytes = 0
        os.close(self._handle)
        self._handle = -1

    def _push(self) -> None:
        while self._waiting:
            block = self._waiting[0]
            try:
                taken = os.write(self._handle, block)
            except OSError as error:
                self.trouble = f"{self.files[-1].name}: {error.strerror or error}"
                return
            self._size += taken
            self._waiting_bytes -= taken
            lines = block.count(b"\n", 0, taken)
            self.written_frames += lines
            self._in_file += lines
            if taken < len(block):
                self._waiting[0] = block[taken:]
                continue
            self._waiting.pop(0)
            self.trouble = None

    def _look_after_file(self) -> None:
        """Go on in another file when the one that is written has no name any more."""
        if self._handle < 0 or os.fstat(self._handle).st_nlink > 0:
            return
        was = self.files[-1]
        for folder in dict.fromkeys((was.parent, Path.cwd(), Path(tempfile.gettempdir()))):
            for number in range(1, 100):
                now = folder / f"{was.stem}-again-{number}{was.suffix}"
                try:
                    handle = self._open_file(now)
                except FileExistsError:
                    continue
                except OSError:
                    break
                self._change_to(handle, was, now)
                return
        self.trouble = f"{was} was removed, and no other file can be made"

    def _change_to(self, handle: int, was: Path, now: Path) -> None:
        saved = _copied(self._handle, handle)
        lost = 0 if saved else self._in_file
        if not saved:
            os.ftruncate(handle, 0)
            self.written_frames -= lost
            self.dropped_frames += lost
            self._in_file = 0
        os.close(self._handle)
        self._handle, self._size = handle, os.fstat(handle).st_size
        self.files[-1] = now
        self.gone.append(GoneFile(was, now, lost))

    def _due(self, now_ns: int) -> bool:
        if not self._size:
            return False
        full = self._rotate_bytes is not None and self._size >= self._rotate_bytes
        old = self._rotate_ns is not None and now_ns - self._born_ns >= self._rotate_ns
        return full or old

    def _next_file(self, now_ns: int) -> None:
        rotating = self._rotate_bytes is not None or self._rotate_ns is not None
        path = self._path
        if rotating:
            self._number += 1
            path = path.with_name(f"{path.stem}-{self._number:04d}{path.suffix}")
        try:
            handle = self._open_file(path)
        except OSError as error:
            if not self.files:
                raise UsageError(
                    f"{path}: cannot start a recording there: {_refusal(error)}"
                ) from error
            self.rotation_trouble = (
                f"{path.name}: {_refusal(error)}; going on in {self.files[-1].name}"
            )
            self._born_ns, self._size = now_ns, 0
            return
        self.rotation_trouble = None
        if self._handle >= 0:
            os.close(self._handle)
        self._handle, self._size, self._born_ns = handle, 0, now_ns
        self._in_file = 0
        self.files.append(path)


def _refusal(error: OSError) -> str:
    """Why a file cannot be made, in words."""
    return "it exists already" if isinstance(error, FileExistsError) else error.strerror or "?"


def _copied(source: int, target: int) -> bool:
    """Copy all that a removed file still holds; false when that does not work whole."""
    try:
        os.lseek(source, 0, os.SEEK_SET)
        while block := os.read(source, _COPY_BYTES):
            while block:
                block = block[os.write(target, block) :]
    except OSError:
        return False
    return True


def _create(path: Path) -> int:
    # Readable too, so that what a removed file holds can be saved; binary, where a system asks.
    binary = getattr(os, "O_BINARY", 0)
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | binary, 0o644)
