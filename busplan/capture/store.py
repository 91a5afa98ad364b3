"""Captures kept ready to use: columns and index as files that are mapped, not read.

One folder an entry, named by what went in: path, size, time stamp and a hash of head and tail of
each file, offsets, and the version of this layout. An entry appears by one rename, so that a
killed or interrupted run leaves none behind; it is checked whole when opened and thrown away when
damaged. The folder is bounded: the entries longest unused go first.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from busplan.capture.assembly import COLUMNS, Assembled, Columns, Lane
from busplan.capture.capture import Source
from busplan.findings import Finding

VERSION = 1
"""Changes with the layout, and with readers that give other frames for the same file."""
LIMIT_BYTES = 20 * 10**9
"""Most bytes the folder holds, unless ``BUSPLAN_CACHE_GB`` says otherwise."""
_ENDS = 1 << 16
"""Bytes of head and tail that identify a file."""
_ABANDONED_S = 24 * 3600
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


class DamagedError(Exception):
    """An entry cannot be trusted; never leaves this package."""


def cache_folder() -> Path:
    """Where captures are kept: ``BUSPLAN_CACHE_DIR`` or the user's cache folder."""
    own = os.environ.get("BUSPLAN_CACHE_DIR")
    if own:
        return Path(own) / "captures"
    from platformdirs import user_cache_path

    return user_cache_path("busplan") / "captures"


def identity(paths: Sequence[Path], offsets: Sequence[int]) -> str:
    """The name of the entry for these files as they are now."""
    facts: list[Any] = [VERSION]
    for path, offset in zip(paths, offsets, strict=True):
        state = path.stat()
        ends = hashlib.sha256()
        with path.open("rb") as file:
            ends.update(file.read(_ENDS))
            file.seek(max(0, state.st_size - _ENDS))
            ends.update(file.read(_ENDS))
        facts.append(
            [str(path.resolve()), state.st_size, state.st_mtime_ns, ends.hexdigest(), offset]
        )
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
        meta = json.loads((place / "meta.json").read_text("utf-8"))
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
        kept = tuple(Finding.from_dict(f) for f in meta["reader_findings"])
    except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
        shutil.rmtree(place, ignore_errors=True)
        raise DamagedError(str(error)) from error
    with suppress(OSError):
        os.utime(place / "meta.json")
    return assembled, sources, kept


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
        """Close the column files."""
        for file in self._files.values():
            file.close()

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
    """An entry in the making; it appears under its name when the block ends without an error."""
    folder.mkdir(parents=True, exist_ok=True)
    _remove_abandoned(folder)
    place = folder / f"{name}.{os.getpid()}.part"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    writer = StoreWriter(place)
    try:
        yield writer
        with suppress(OSError):  # another run was faster: its entry is as good as ours
            place.rename(folder / name)
    finally:
        writer.close()
        shutil.rmtree(place, ignore_errors=True)
    make_room(folder, keep=name)


def _remove_abandoned(folder: Path) -> None:
    for part in folder.glob("*.part"):
        with suppress(OSError):
            if time.time() - part.stat().st_mtime > _ABANDONED_S:
                shutil.rmtree(part, ignore_errors=True)


def entries(folder: Path) -> list[Entry]:
    """The kept captures, last used first."""
    found = []
    for place in folder.glob("*") if folder.is_dir() else ():
        try:
            meta = json.loads((place / "meta.json").read_text("utf-8"))
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


def limit_bytes() -> int:
    """Most bytes to keep."""
    try:
        return int(float(os.environ["BUSPLAN_CACHE_GB"]) * 1e9)
    except (KeyError, ValueError, OverflowError):
        return LIMIT_BYTES


def make_room(folder: Path, keep: str) -> None:
    """Remove the entries longest unused until the folder is within its bound."""
    total = 0
    for entry in entries(folder):
        total += entry.bytes
        if total > limit_bytes() and entry.folder.name != keep:
            shutil.rmtree(entry.folder, ignore_errors=True)
            total -= entry.bytes


def clear(folder: Path) -> int:
    """Remove every kept capture; return the bytes freed."""
    freed = 0
    for place in folder.glob("*") if folder.is_dir() else ():
        freed += sum(f.stat().st_size for f in place.rglob("*") if f.is_file())
        shutil.rmtree(place, ignore_errors=True)
    return freed
