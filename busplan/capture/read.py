"""Opening captures: from files to a :class:`Capture`, whatever format they are in."""

from __future__ import annotations

import logging
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np

from busplan.capture.assembly import Assembly, MemorySink, as_table
from busplan.capture.capture import Capture, Source
from busplan.capture.chunks import EPOCH_FROM_NS, ChannelNames, Chunk
from busplan.capture.formats import Format, recognise
from busplan.capture.tally import Tally
from busplan.errors import CaptureError, UsageError

ReadProgress = Callable[[int, int, int], None]
"""Called now and then with bytes read, bytes in all and frames found."""


@dataclass
class _File:
    """One input file on its way."""

    path: Path
    format: Format
    offset_ns: int
    tally: Tally
    names: ChannelNames = field(default_factory=ChannelNames)
    source: Iterator[Chunk] = field(default_factory=lambda: iter(()))
    peeked: Chunk | None = None
    first_ns: int | None = None
    done: int = 0
    frames: int = 0

    def peek(self, progress: Callable[[], None]) -> None:
        """Read up to the first frame."""

        def consumed(done: int, frames: int) -> None:
            self.done = done
            progress()

        self.source = self.format.open()(self.path, self.tally, self.names, consumed)
        for chunk in self.source:
            if len(chunk):
                self.first_ns = int(np.median(chunk.time_ns[:1000])) + self.offset_ns
                self.peeked = chunk
                break

    @property
    def chunks(self) -> Iterator[Chunk]:
        """All blocks of the file, the one peeked at first."""
        return chain(() if self.peeked is None else (self.peeked,), self.source)

    def close(self) -> None:
        """Let go of the file, also when reading broke off."""
        if isinstance(self.source, Generator):
            self.source.close()


def read_capture(
    paths: str | Path | Sequence[str | Path],
    *,
    offsets: Mapping[str, int] | None = None,
    channels: Mapping[str, str] | None = None,
    progress: ReadProgress | None = None,
) -> Capture:
    """Read one capture of one or several files. Wrong entries become findings.

    ``offsets`` adds nanoseconds to the times of a file, by path or file name; ``channels`` renames
    channels. Raises :class:`CaptureError` when a file is missing, empty, no capture, or wrong
    beyond the tolerated share, :class:`UsageError` when an option names no file.
    """
    listed = [Path(p) for p in ([paths] if isinstance(paths, str | Path) else paths)]
    if not listed:
        raise UsageError("name at least one capture file")
    files = [
        _File(path, recognise(path), offset, Tally(str(path)))
        for path, offset in zip(listed, _offsets(listed, offsets or {}), strict=True)
    ]
    assembly = Assembly(MemorySink())
    with _quiet_library():
        _gather(files, assembly, progress)
    assembled = assembly.finish()
    table, channel_rows, naming = as_table(assembled, channels or {})
    _check_renames(channels or {}, [lane.name for lane in assembled.lanes], table.networks)
    findings = [f for file in files for f in file.tally.findings()]
    return Capture(
        table,
        tuple(
            Source(
                str(f.path),
                f.format.name,
                f.path.stat().st_size,
                f.frames,
                f.offset_ns,
                f.tally.clock if table.epoch else "the recorder's own start",
            )
            for f in files
        ),
        channel_rows,
        tuple(findings + naming + assembled.findings),
    )


def _gather(files: list[_File], assembly: Assembly, progress: ReadProgress | None) -> None:
    size = sum(f.path.stat().st_size for f in files)

    def tell() -> None:
        if progress:
            progress(sum(f.done for f in files), size, assembly.frames)

    try:
        for file in files:
            file.peek(tell)
            if file.first_ns is None:
                _refuse_empty(file)
        _check_clocks(files)
        for file in sorted(files, key=lambda f: f.first_ns or 0):
            opened = assembly.file(file.path, file.names, file.offset_ns)
            for chunk in file.chunks:
                assembly.add(opened, chunk)
                file.frames += len(chunk)
                tell()
            file.tally.check_share()
    except OSError as error:
        raise CaptureError(f"{error.filename or files[0].path}: {error.strerror}") from error
    finally:
        for file in files:
            file.close()


def _refuse_empty(file: _File) -> None:
    file.tally.check_share()
    found = file.tally.findings()
    why = f" ({found[0].summary})" if found else ""
    raise CaptureError(f"{file.path}: holds no readable frame{why}")


def _check_clocks(files: list[_File]) -> None:
    """All files count from 1970, or all from an own start."""
    kinds = {(f.first_ns or 0) >= EPOCH_FROM_NS for f in files}
    if len(kinds) > 1:
        own = next(f for f in files if (f.first_ns or 0) < EPOCH_FROM_NS)
        other = next(f for f in files if (f.first_ns or 0) >= EPOCH_FROM_NS)
        raise CaptureError(
            f"{own.path}: its times count from the recorder's own start, those of {other.path} "
            f"from 1970; say how they align with --offset {own.path.name}=SECONDS"
        )


def _offsets(paths: Sequence[Path], wanted: Mapping[str, int]) -> list[int]:
    known = {str(p) for p in paths} | {p.name for p in paths}
    for name in wanted:
        if name not in known:
            raise UsageError(f"--offset names {name}, which is not among the capture files")
    return [wanted.get(str(p), wanted.get(p.name, 0)) for p in paths]


def _check_renames(rename: Mapping[str, str], lanes: Sequence[str], labels: Sequence[str]) -> None:
    for name, new in rename.items():
        if name not in lanes and new not in labels:
            raise UsageError(f"--channel names {name}, which is not among the channels: {lanes}")


@contextmanager
def _quiet_library() -> Iterator[None]:
    """Keep the format library's log messages off the terminal; findings say it instead."""
    logger = logging.getLogger("can")
    before = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(before)
