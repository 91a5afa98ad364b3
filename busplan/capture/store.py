"""Captures kept ready to use: columns and index as files that are mapped, not read.

One folder an entry, named by what went in: path, size, inode, times and a hash of head and tail of
each file, offsets, and the version of this layout. An entry appears by one rename, so that a
killed or interrupted run leaves none behind; it is checked whole when opened and thrown away when
damaged. The folder is bounded: the entries longest unused go first, and one that is larger than
the bound alone is not kept.

Some systems refuse to rename and to remove what somebody has open or mapped. So nothing of an entry
is mapped when it gets its name, and an entry goes by a rename first: where the system refuses that,
it stays whole for who uses it and goes another time.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO
from uuid import uuid4

import numpy as np

from busplan.capture.assembly import COLUMNS, Assembled, Columns, Lane
from busplan.capture.capture import Source
from busplan.errors import UsageError
from busplan.files import open_ordinary, read_whole
from busplan.findings import Finding

VERSION = 5
"""Changes with the layout, and with readers that give other frames for the same file."""
LIMIT_BYTES = 20 * 10**9
"""Most bytes the folder holds, unless ``BUSPLAN_CACHE_GB`` says otherwise."""
_ENDS = 1 << 16
"""Bytes of head and tail that identify a file."""
_ABANDONED_S = 3600
"""An entry in the making that nobody has written to for so long was left by a killed run [s]."""
_LARGEST_DESCRIPTION = 100_000_000
"""Bytes of an entry's description: findings, channels, files."""
_MAKING = ".part"
_PAUSES_S = (0.05, 0.2, 0.5)
"""Between tries to give an entry its name [s]."""
_NAME = re.compile("[0-9a-f]{40}")
_INDEX = {"rows": np.int64, "keys": np.int64, "begin": np.int64}
_FILES = {**COLUMNS, **_INDEX}


@dataclass(frozen=True)
class Entry:
    """One kept capture."""

    folder: Path
    sources: tuple[str, ...]
    frames: int
    bytes: int
    used: float
    """Seconds since 1970 when it was last opened."""

    @property
    def used_at(self) -> datetime:
        """When it was last opened, UTC."""
        return datetime.fromtimestamp(self.used, UTC)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "sources": list(self.sources),
            "frames": self.frames,
            "bytes": self.bytes,
            "used": self.used_at.isoformat(timespec="seconds"),
        }


class DamagedError(Exception):
    """An entry cannot be trusted; never leaves this package."""


def cache_root() -> Path:
    """Where busplan keeps what it can make again: ``BUSPLAN_CACHE_DIR`` or the user's cache."""
    own = os.environ.get("BUSPLAN_CACHE_DIR")
    if own:
        return Path(own)
    from platformdirs import user_cache_path

    return user_cache_path("busplan")


def cache_folder() -> Path:
    """Where captures are kept."""
    return cache_root() / "captures"


def identity(
    paths: Sequence[Path], offsets: Sequence[int | None], columns: Sequence[str] = ()
) -> str:
    """The name of the entry for these files as they are now, and what is told of their columns.

    The time of change and the inode belong to it: size and time of writing can be put back, also by
    accident, with a copying tool.
    """
    facts: list[Any] = [VERSION, *columns]
    for path, offset in zip(paths, offsets, strict=True):
        ends = hashlib.sha256()
        with open_ordinary(path) as file:
            state = os.fstat(file.fileno())
            ends.update(file.read(_ENDS))
            file.seek(max(0, state.st_size - _ENDS))
            ends.update(file.read(_ENDS))
        same = state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns
        facts.append([str(path.resolve()), *same, ends.hexdigest(), offset])
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()[:40]


def load(
    folder: Path, name: str
) -> tuple[Assembled, tuple[Source, ...], tuple[Finding, ...]] | None:
    """The kept capture of that name, columns mapped; ``None`` when there is none.

    Raises :class:`DamagedError` after removing an entry that fails its check.
    """
    place = folder / name
    if not place.is_dir():
        return None
    try:
        found = _opened(place)
    except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
        damage = str(error)
    else:
        with suppress(OSError):
            os.utime(place / "meta.json")
        return found
    # Only now is nothing of it mapped by what the error held.
    if not place.is_dir():  # another run made room just now
        return None
    _remove(place)
    raise DamagedError(damage)


def _opened(place: Path) -> tuple[Assembled, tuple[Source, ...], tuple[Finding, ...]]:
    meta = _description(place)
    _check(place, meta)
    arrays = {n: _mapped(place / n, kind) for n, kind in _FILES.items()}
    assembled = Assembled(
        {n: arrays[n] for n in COLUMNS},
        [Lane(**{**lane, "file": Path(lane["file"])}) for lane in meta["lanes"]],
        arrays["rows"],
        arrays["keys"],
        arrays["begin"],
        (meta["bounds"][0], meta["bounds"][1]),
        [Finding.from_dict(f) for f in meta["findings"]],
    )
    sources = tuple(Source(**s) for s in meta["sources"])
    return assembled, sources, tuple(Finding.from_dict(f) for f in meta["reader_findings"])


def _description(place: Path) -> Any:
    return json.loads(read_whole(place / "meta.json", _LARGEST_DESCRIPTION))


def _mapped(path: Path, kind: type[np.generic]) -> Any:
    if not path.stat().st_size:
        return np.empty(0, kind)
    # A plain view: a memmap subclass would slow down every slice and upset compiled kernels.
    return np.asarray(np.memmap(path, kind, "r"))


def _check(place: Path, meta: dict[str, Any]) -> None:
    from busplan.capture.checksum import file_checksum

    meta_digest = meta.pop("digest")
    if _digest(meta) != meta_digest:
        raise ValueError("its description is damaged")
    with ThreadPoolExecutor(2) as pool:
        found = dict(zip(_FILES, pool.map(lambda n: file_checksum(place / n), _FILES), strict=True))
    if found != meta["checksums"]:
        raise ValueError("its columns are damaged")


def _digest(meta: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(meta, sort_keys=True).encode()).hexdigest()


class StoreWriter:
    """A sink that writes columns into an entry in the making; see :func:`writing`."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self._files: dict[str, BinaryIO] = {n: (place / n).open("wb") for n in COLUMNS}

    def append(self, columns: Columns) -> None:
        """Write the next block of every column."""
        for name, file in self._files.items():
            file.write(np.ascontiguousarray(columns[name]).data)

    def columns(self) -> Columns:
        """Everything written, mapped."""
        self.close()
        return {n: _mapped(self.place / n, kind) for n, kind in COLUMNS.items()}

    def close(self) -> None:
        """Close the column files, all of them even when the disk is full."""
        with ExitStack() as stack:
            for file in self._files.values():
                stack.callback(file.close)

    def finish(
        self,
        assembled: Assembled,
        sources: Sequence[Source],
        reader_findings: Sequence[Finding],
    ) -> None:
        """Write the index and the description."""
        from busplan.capture.checksum import file_checksum

        for name in _INDEX:
            getattr(assembled, name).astype(np.int64, copy=False).tofile(self.place / name)
        with ThreadPoolExecutor(2) as pool:
            sums = pool.map(lambda n: file_checksum(self.place / n), _FILES)
            checksums = dict(zip(_FILES, sums, strict=True))
        meta = {
            "checksums": checksums,
            "lanes": [{**asdict(lane), "file": str(lane.file)} for lane in assembled.lanes],
            "bounds": list(assembled.bounds),
            "findings": [f.as_dict() for f in assembled.findings],
            "sources": [asdict(s) for s in sources],
            "reader_findings": [f.as_dict() for f in reader_findings],
        }
        text = json.dumps({**meta, "digest": _digest(json.loads(json.dumps(meta)))})
        (self.place / "meta.json").write_text(text, "utf-8")


@contextmanager
def writing(folder: Path, name: str) -> Iterator[StoreWriter]:
    """An entry in the making; it appears under its name when the block ends without an error.

    Nothing of the writer's columns may be in use any more when the block ends. Raises ``OSError``
    when the system refuses the name.
    """
    folder.mkdir(parents=True, exist_ok=True)
    _remove_abandoned(folder)
    place = Path(tempfile.mkdtemp(_MAKING, f"{name}.", folder))
    try:
        writer = StoreWriter(place)
        with closing(writer):
            yield writer
        _take_name(place, folder / name)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _take_name(place: Path, name: Path) -> None:
    for pause in (*_PAUSES_S, None):
        try:
            place.rename(name)
            return
        except OSError:
            if name.is_dir():  # another run was faster: its entry is as good as ours
                return
            if pause is None:
                raise
            time.sleep(pause)  # a virus scanner looks into new files


def _remove(place: Path) -> None:
    """Remove an entry, whole or not at all: not one that the system keeps for who uses it."""
    doomed = place.with_name(f"{place.name.partition('.')[0]}.{uuid4().hex}{_MAKING}")
    with suppress(OSError):
        shutil.rmtree(place.rename(doomed), ignore_errors=True)


def _remove_abandoned(folder: Path) -> None:
    for part in _places(folder, _MAKING):
        with suppress(OSError):
            written = max(f.stat().st_mtime for f in (part, *part.iterdir()))
            if time.time() - written > _ABANDONED_S:
                _remove(part)


def leftover_bytes(folder: Path) -> int:
    """Bytes of entries that stopped runs did not finish, and of those being made just now."""
    readable = {e.folder for e in entries(folder)}
    ours = (*_places(folder), *_places(folder, _MAKING))
    return sum(folder_bytes(place) for place in ours if place not in readable)


def entries(folder: Path) -> list[Entry]:
    """The kept captures, last used first."""
    found = []
    for place in _places(folder):
        try:
            meta = _description(place)
            found.append(
                Entry(
                    place,
                    tuple(s["path"] for s in meta["sources"]),
                    sum(s["frames"] for s in meta["sources"]),
                    sum(f.stat().st_size for f in place.iterdir()),
                    (place / "meta.json").stat().st_mtime,
                )
            )
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return sorted(found, key=lambda e: -e.used)


def _places(folder: Path, suffix: str = "") -> list[Path]:
    """The folders of entries, or of those in the making; the user's own things are not ours."""
    found = folder.iterdir() if folder.is_dir() else ()
    return [
        place
        for place in found
        if place.is_dir()
        and place.suffix == suffix
        and _NAME.fullmatch(place.name.partition(".")[0])
    ]


def limit_bytes() -> int:
    """Most bytes to keep. Raises :class:`UsageError` when the user's own bound is no number."""
    own = os.environ.get("BUSPLAN_CACHE_GB", "")
    try:
        limit = int(float(own) * 1e9) if own else LIMIT_BYTES
    except (ValueError, OverflowError):
        limit = -1
    if limit < 0:
        raise UsageError(f"BUSPLAN_CACHE_GB wants a number of gigabytes, not {own!r}")
    return limit


def make_room(folder: Path) -> None:
    """Remove the entries longest unused until the folder is within its bound, and ruins."""
    limit, total = limit_bytes(), 0
    kept = entries(folder)
    for entry in kept:
        total += entry.bytes
        if total > limit:
            _remove(entry.folder)
            total -= entry.bytes
    readable = {e.folder for e in kept}
    for place in _places(folder):
        if place not in readable:
            _remove(place)


def clear(folder: Path) -> int:
    """Remove every kept capture that the system lets go; return the bytes freed."""
    before = folder_bytes(folder)
    for place in (*_places(folder), *_places(folder, _MAKING)):
        _remove(place)
    return before - folder_bytes(folder)


def folder_bytes(folder: Path) -> int:
    """Bytes of all files in a folder, 0 when it is not there."""
    total = 0
    for file in folder.rglob("*"):
        with suppress(OSError):
            total += file.stat().st_size if file.is_file() else 0
    return total
