"""Records of bench tests in a folder: kept whole or not at all, found again by node and serial."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplan.cli.output import json_text, say
from busplan.errors import UsageError
from busplan.wording import counted, listing

if TYPE_CHECKING:
    from busplan.bench.record import BenchRecord

LARGEST = 20_000_000
"""Bytes of a record that is read; usual ones have some thousands."""
MOST_RECORDS = 10_000
"""Records of a folder that are looked at."""
_PART = ".part"


def keep_record(made: BenchRecord, folder: Path) -> None:
    """Write the record in all its forms; see :func:`keep_files`."""
    texts = {
        "json": json_text(made.as_dict()) + "\n",
        "md": made.to_markdown(),
        "html": made.to_html(),
    }
    keep_files(folder, made.stem, texts)


def keep_files(folder: Path, stem: str, texts: Mapping[str, str]) -> None:
    """Write texts as ``stem`` with each ending and say where; each file is whole or not there.

    What has the name already stays: another number is taken, also for two tests of one second.
    Raises :class:`UsageError` when it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stem, reserved = _free_stem(folder, stem)
        try:
            for ending, text in texts.items():
                final = folder / f"{stem}.{ending}"
                part = reserved if ending == "json" else final.with_name(final.name + _PART)
                # A DBC file is read as Windows-1252.
                part.write_text(text, encoding="cp1252" if ending == "dbc" else "utf-8")
                part.replace(final)
                say(f"record: {final}", err=True)
        finally:
            with contextlib.suppress(OSError):
                reserved.unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: the record cannot be written: {error.strerror}") from error


def _free_stem(folder: Path, wanted: str) -> tuple[str, Path]:
    """A name that no record has, and the file that reserves it."""
    for number in range(1, MOST_RECORDS):
        stem = wanted if number == 1 else f"{wanted}-{number}"
        part = folder / f"{stem}.json{_PART}"
        if any((folder / f"{stem}.{e}").exists() for e in ("json", "md", "html", "dbc")):
            continue
        with contextlib.suppress(FileExistsError):
            part.open("x").close()
            return stem, part
    raise UsageError(f"{folder}: holds too many records named {wanted}")


def read_record(path: Path) -> dict[str, Any]:
    """One record as its JSON document; :class:`UsageError` when the file is none."""
    from busplan.files import read_whole

    try:
        document = json.loads(read_whole(path, LARGEST))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError):
        document = None
    if not isinstance(document, dict) or not isinstance(document.get("messages"), list):
        raise UsageError(f"{path}: is no record of busplan bench (JSON)")
    return document


def read_records(folder: Path) -> tuple[dict[str, dict[str, Any]], tuple[str, ...]]:
    """The records of a folder by file name, and the names of what is none."""
    found, odd = {}, []
    try:
        paths = sorted(p for p in folder.glob("bench-*.json"))[:MOST_RECORDS]
    except OSError as error:
        raise UsageError(f"{folder}: cannot be read: {error.strerror}") from error
    for path in paths:
        try:
            found[path.name] = read_record(path)
        except UsageError:
            odd.append(path.name)
    return found, tuple(odd)


def earlier_tests(folder: Path, node: str, serial: str) -> tuple[str, ...]:
    """Earlier tests of a serial number in a folder: when, and with which verdict."""
    if not serial or not folder.is_dir():
        return ()
    found, _ = read_records(folder)
    return tuple(
        f"{d.get('date') or 'no date'}: {d.get('verdict')}"
        for d in found.values()
        if d.get("serial") == serial and d.get("node") == node
    )


def say_tested_before(folder: Path, node: str, serial: str) -> None:
    """Tell on stderr that a serial number was tested before."""
    before = earlier_tests(folder, node, serial)
    if before:
        times = counted(len(before), "time")
        say(f"! {node} {serial} was tested {times} before ({listing(before, 3)})", err=True)


def typed_details(
    hardware: str,
    firmware: str,
    supply_v: float | None,
    supply_a: float | None,
    notes: Sequence[str],
) -> tuple[tuple[str, str], ...]:
    """What the tester typed, as rows of the record; what was not typed is left out."""
    rows = [
        ("hardware", hardware),
        ("firmware", firmware),
        ("supply", "" if supply_v is None else f"{supply_v:g} V"),
        ("takes", "" if supply_a is None else f"{supply_a:g} A"),
        *(("note", note) for note in notes),
    ]
    return tuple((name, text) for name, text in rows if text)


def hashed_photos(paths: Sequence[Path]) -> tuple[tuple[str, str], ...]:
    """Names of pictures and the SHA-256 of each; :class:`UsageError` when one cannot be read."""
    from busplan.capture.checksum import sha256_of
    from busplan.files import open_ordinary

    found = []
    for path in paths:
        try:
            open_ordinary(path).close()
            found.append((path.name, sha256_of(path)))
        except OSError as error:
            raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    return tuple(found)
