"""What is kept beside a capture: notes, and who has seen which alarms. Both are only added to.

``CAPTURE.notes.toml`` holds notes, headed by the capture's first bytes as SHA-256, so that a
recording that still grows can have them too; ``CAPTURE.alarms`` holds JSON lines.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from busplan.errors import UsageError
from busplan.files import open_ordinary, read_whole
from busplan.wording import escaped

LARGEST = 20_000_000
"""Bytes of the largest such file that is read."""
HEAD = 1 << 20
"""Bytes of the capture that say which one it is."""


def notes_path(capture: Path) -> Path:
    """Where the notes of a capture are."""
    return capture.with_name(capture.name + ".notes.toml")


def alarms_path(capture: Path) -> Path:
    """Where it is kept who has seen the alarms of a capture."""
    return capture.with_name(capture.name + ".alarms")


def head_of(capture: Path, most: int = HEAD) -> tuple[int, str]:
    """The number of a capture's first bytes, ``most`` at most, and their SHA-256 (FIPS 180-4).

    (0, ``""``) when there is no such file.
    """
    try:
        with open_ordinary(capture) as file:
            data = file.read(most)
    except OSError:
        return 0, ""
    return len(data), hashlib.sha256(data).hexdigest()


def belongs(capture: Path, head_bytes: int, head_sha256: str) -> bool:
    """Whether a capture begins with these bytes; true where nothing is known of them."""
    if not head_bytes or not head_sha256:
        return True
    return head_of(capture, min(head_bytes, HEAD)) == (min(head_bytes, HEAD), head_sha256)


def read_text(path: Path) -> str:
    """A small file as text, empty when there is none. ``UsageError`` when it cannot be read."""
    try:
        return read_whole(path, LARGEST).decode("utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "is not text in UTF-8"
        raise UsageError(f"{path}: {reason}") from error


def append_text(path: Path, text: str, head: str = "") -> None:
    """Add to a file, after ``head`` when it is new. ``UsageError`` when that cannot be done."""
    try:
        new = not path.exists() or path.stat().st_size == 0
        with path.open("a", encoding="utf-8") as file:
            file.write((head if new else "") + text)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error


def read_lines(path: Path) -> list[Mapping[str, Any]]:
    """The entries of a file of JSON lines; lines that are none are left out."""
    found: list[Mapping[str, Any]] = []
    for line in read_text(path).splitlines():
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(entry, dict):
            found.append(entry)
    return found


def append_lines(path: Path, entries: Sequence[Mapping[str, Any]]) -> None:
    """Add entries, each with the time of the wall clock (UTC)."""
    at = datetime.now(UTC).isoformat(timespec="milliseconds")
    lines = [escaped(json.dumps({"at": at, **entry}, ensure_ascii=False)) for entry in entries]
    append_text(path, "".join(f"{line}\n" for line in lines))


def user_name() -> str:
    """Who works here, as the system knows them; empty when it does not say."""
    import getpass

    try:
        return getpass.getuser()[:100]
    except (KeyError, OSError, ImportError):
        return ""
