"""Opening captures: from files to a :class:`Capture`, whatever format they are in."""

from __future__ import annotations

import logging
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np

from busplan.capture import store
from busplan.capture.assembly import Assembled, Assembly, MemorySink, as_table
from busplan.capture.capture import Capture, Source
from busplan.capture.chunks import EPOCH_FROM_NS, LATEST_S, ChannelNames, Chunk
from busplan.capture.csv_columns import parse_columns
from busplan.capture.formats import TEXT_LOG, Format, recognise
from busplan.capture.memory import Foresight
from busplan.capture.merging import merged
from busplan.capture.tally import Tally, channels_lost
from busplan.errors import CaptureError, UsageError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.table import MINUTE_NS

KEPT_FROM = 30_000_000
"""Captures cheaper to read than this, in bytes of plain text log, are not kept."""

ReadProgress = Callable[[int, int, int], None]
"""Called now and then with bytes read, bytes in all and frames found."""


@dataclass
class _File:
    """One input file on its way."""

    path: Path
    format: Format
    size: int
    offset_ns: int
    aligned: bool
    """Whether the user has said how its times lie to those of other files."""
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

    def chunks(self) -> Iterator[Chunk]:
        """All blocks of the file, the one peeked at first; refuses it when too much is wrong."""
        for chunk in chain(() if self.peeked is None else (self.peeked,), self.source):
            self.peeked = None
            self.frames += len(chunk)
            yield chunk
        self.tally.check_share()

    def close(self) -> None:
        """Let go of the file, also when reading broke off."""
        if isinstance(self.source, Generator):
            self.source.close()


def read_capture(
    paths: str | Path | Sequence[str | Path],
    *,
    offsets: Mapping[str, int] | None = None,
    channels: Mapping[str, str] | None = None,
    columns: str = "",
    cache: bool = True,
    progress: ReadProgress | None = None,
) -> Capture:
    """Read one capture of one or several files. Wrong entries become findings.

    ``offsets`` adds nanoseconds to the times of a file, by path or file name; ``channels`` renames
    channels; ``columns`` says what the columns of CSV files hold, as
    :func:`~busplan.capture.csv_columns.parse_columns` reads it. With ``cache``, a capture that
    takes long to read is kept in the user's cache folder and mapped from there the next time.

    Raises :class:`CaptureError` when a file is missing, empty,
    no capture, or wrong beyond the tolerated share, :class:`UsageError` when an option names no
    file.
    """
    listed = [Path(p) for p in ([paths] if isinstance(paths, str | Path) else paths)]
    if not listed:
        raise UsageError("name at least one capture file")
    formats = [recognise(path, columns) for path in listed]
    if columns:
        parse_columns(columns)
        if not any(kind.columns for kind in formats):
            raise UsageError("--columns is for CSV files of a layout of their own; there is none")
    shifts = _offsets(listed, offsets or {})
    places = [path.resolve() for path in listed]
    for path, place in zip(listed, places, strict=True):
        if places.count(place) > 1:
            raise UsageError(f"{path} is named twice")
    try:
        kept = cache and sum(map(reading_cost, listed, formats)) >= KEPT_FROM
        with _quiet_library():
            read = _open_kept if kept else _open_in_memory
            assembled, sources, findings = read(listed, formats, shifts, progress)
    except OSError as error:
        raise CaptureError(f"{error.filename or listed[0]}: {error.strerror or error}") from error
    table, channel_rows, naming = as_table(assembled, channels or {})
    _check_renames(channels or {}, [lane.name for lane in assembled.lanes], table.networks)
    told = _answered(findings, assembled, channels or {})
    return Capture(table, sources, channel_rows, (*told, *naming, *assembled.findings))


def _answered(
    findings: Sequence[Finding], assembled: Assembled, named: Mapping[str, str]
) -> list[Finding]:
    """The findings of files; whose one channel the user has named, that is no more than a note."""
    sure = {str(lane.file) for lane in assembled.lanes if lane.name in named}
    return [
        channels_lost(f.where.file, named=True)
        if f.code == "channels-not-recorded" and f.where.file in sure
        else f
        for f in findings
    ]


_Opened = tuple[Assembled, tuple[Source, ...], tuple[Finding, ...]]


def reading_cost(path: Path, kind: Format) -> int:
    """Bytes of plain text log that would take as long to read as this file."""
    slow = 1 if kind is TEXT_LOG else 40
    packed = 8 if path.suffix == ".gz" else 1
    return path.stat().st_size * slow * packed


def _open_in_memory(
    paths: list[Path],
    formats: list[Format],
    shifts: list[int | None],
    progress: ReadProgress | None,
) -> _Opened:
    assembly = Assembly(MemorySink())
    files = _gather(paths, formats, shifts, assembly, progress, kept=False)
    assembled = assembly.finish()
    return assembled, _sources(files, assembled), _tallied(files)


def _open_kept(
    paths: list[Path],
    formats: list[Format],
    shifts: list[int | None],
    progress: ReadProgress | None,
) -> _Opened:
    """From the store, or through it on first opening; from memory when it cannot be written."""
    folder = store.cache_folder()
    store.limit_bytes()
    remark: tuple[Finding, ...] = ()
    try:
        told = [kind.columns for kind in formats]
        name = store.identity(paths, shifts, told)
        try:
            found = store.load(folder, name)
            if found:
                return found
        except store.DamagedError as damage:
            remark = (
                _remark(folder, "capture-cache-damaged", f"was damaged ({damage}), built anew"),
            )
        with store.writing(folder, name) as writer:
            _write(writer, paths, formats, shifts, progress)
            if store.identity(paths, shifts, told) != name:
                raise store.DamagedError("the file changed while it was read")
        found = store.load(folder, name)
        store.make_room(folder)
    except (OSError, store.DamagedError) as error:
        action = _NOT_WRITTEN if isinstance(error, OSError) else _CHECK_DISK
        text = f"cannot be used ({_said(error)})"
        remark = (_remark(folder, "capture-cache-unusable", text, action),)
        found = None
    if not found:
        found = _open_in_memory(paths, formats, shifts, progress)
    return found[0], found[1], (*found[2], *remark)


def _write(
    writer: store.StoreWriter,
    paths: list[Path],
    formats: list[Format],
    shifts: list[int | None],
    progress: ReadProgress | None,
) -> None:
    """Everything into the store; what it maps is let go when this returns."""
    assembly = Assembly(writer)
    files = _gather(paths, formats, shifts, assembly, progress, kept=True)
    assembled = assembly.finish()
    writer.finish(assembled, _sources(files, assembled), _tallied(files))


def _said(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


_CHECK_DISK = "Check the disk when this comes back; --no-cache reads without keeping."
_NOT_WRITTEN = (
    "Let BUSPLAN_CACHE_DIR name a folder that can be written and has room; --no-cache reads "
    "without keeping."
)


def _remark(folder: Path, code: str, text: str, action: str = _CHECK_DISK) -> Finding:
    return Finding(
        code,
        Weight.NOTE,
        Where(file=str(folder)),
        f"the kept copy of this capture {text}",
        why="Only the time to open the capture changes, never its frames.",
        action=action,
    )


def _sources(files: Sequence[_File], assembled: Assembled) -> tuple[Source, ...]:
    epoch = assembled.bounds[0] >= EPOCH_FROM_NS
    return tuple(
        Source(
            str(f.path),
            f.format.name,
            f.size,
            f.frames,
            f.offset_ns,
            f.tally.clock if epoch else "the recorder's own start",
        )
        for f in files
    )


def _tallied(files: Sequence[_File]) -> tuple[Finding, ...]:
    return tuple(f for file in files for f in file.tally.findings())


def _gather(
    paths: list[Path],
    formats: list[Format],
    shifts: list[int | None],
    assembly: Assembly,
    progress: ReadProgress | None,
    *,
    kept: bool,
) -> list[_File]:
    files = [
        _File(path, kind, path.stat().st_size, shift or 0, shift is not None, Tally(str(path)))
        for path, kind, shift in zip(paths, formats, shifts, strict=True)
    ]
    size = sum(f.size for f in files)
    foresight = Foresight(size, kept=kept)

    def tell() -> None:
        done = sum(f.done for f in files)
        foresight.check(done, assembly.frames)
        if progress:
            progress(done, size, assembly.frames)

    try:
        for file in files:
            file.peek(tell)
            if file.first_ns is None:
                _refuse_empty(file)
        files[0].tally.remarks += _check_clocks(files)
        streams = [
            assembly.file(file.path, file.names, file.offset_ns, file.chunks())
            for file in sorted(files, key=lambda f: f.first_ns or 0)
        ]
        for chunk in merged(streams):
            assembly.add(chunk)
            tell()
    finally:
        for file in files:
            file.close()
    return files


def _refuse_empty(file: _File) -> None:
    file.tally.check_share()
    found = file.tally.findings()
    why = f" ({found[0].summary})" if found else ""
    raise CaptureError(f"{file.path}: holds no readable frame{why}")


def _check_clocks(files: list[_File]) -> list[Finding]:
    """All files count from 1970, or all from an own start.

    Files that begin near their own zero are aligned by nothing but the user's offsets.
    """
    own = [f for f in files if (f.first_ns or 0) < EPOCH_FROM_NS]
    if own and len(own) < len(files):
        other = next(f for f in files if f not in own)
        raise CaptureError(
            f"{own[0].path}: its times count from the recorder's own start, those of {other.path} "
            f"from 1970; say how they align with --offset {own[0].path.name}=SECONDS"
        )
    loose = [f for f in own if not f.aligned and abs(f.first_ns or 0) < MINUTE_NS]
    if len(loose) < 2:
        return []
    return [
        Finding(
            "files-not-aligned",
            Weight.CAUTION,
            Where(file=str(loose[-1].path)),
            f"{len(loose)} files each count from their own start, so nothing says how they lie in "
            "time to each other; they are shown as if they had begun together",
            why="What happened together and what came first cannot be told across files.",
            action=f"Say how they align, for example --offset {loose[-1].path.name}=SECONDS.",
            figures=(Figure("files", len(loose)),),
        )
    ]


def _offsets(paths: Sequence[Path], wanted: Mapping[str, int]) -> list[int | None]:
    """The offset of each file, ``None`` where none is given."""
    names = [p.name for p in paths]
    known = {str(p) for p in paths} | set(names)
    for name in wanted:
        if name not in known:
            raise UsageError(
                f"--offset names {name}, which is not among the capture files: {', '.join(names)}"
            )
        if names.count(name) > 1 and name not in map(str, paths):
            raise UsageError(
                f"--offset names {name}, which several files are called; give its path"
            )
        if abs(wanted[name]) > LATEST_S * 10**9:
            raise UsageError(f"--offset of {name} is beyond {LATEST_S} s")
    return [wanted.get(str(p), wanted.get(p.name)) for p in paths]


def _check_renames(rename: Mapping[str, str], lanes: Sequence[str], labels: Sequence[str]) -> None:
    for name, new in rename.items():
        if name not in lanes and new not in labels:
            raise UsageError(f"--channel names {name}, which is not among the channels: {lanes}")


@contextmanager
def _quiet_library() -> Iterator[None]:
    """Keep the format libraries' log messages off the terminal; findings say it instead."""
    loggers = [logging.getLogger(name) for name in ("can", "asammdf")]
    before = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, before, strict=True):
            logger.setLevel(level)
