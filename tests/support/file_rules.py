"""File rules of other systems on this one: what is open or mapped is not renamed nor removed.

Windows refuses to rename, replace and remove a file that somebody has open without sharing it for
that (Python's ``open`` does not) or has mapped, and a folder that holds one; and a rename never
takes the place of something (documentation of Python's ``os.rename`` and of MoveFileEx; rules from
memory). Here they hold for this process, by what ``/proc/self`` says is open and mapped.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

KNOWN = Path("/proc/self/maps").exists()


def in_use() -> set[Path]:
    """Real paths of all files that this process has open or mapped."""
    found = set()
    for link in Path("/proc/self/fd").iterdir():
        with suppress(OSError):  # the listing itself
            found.add(link.readlink())
    maps = Path("/proc/self/maps").read_text("utf-8", "surrogateescape")
    found |= {Path(line.split(maxsplit=5)[-1]) for line in maps.splitlines() if "/" in line}
    return {path for path in found if path.is_file()}


def refuse(path: Any, dir_fd: int | None = None) -> None:
    """Raise what Windows raises when a file, or one within a folder, is in use."""
    base = Path() if dir_fd is None else Path(f"/proc/self/fd/{dir_fd}").readlink()
    named = base / os.fsdecode(path)
    # The folder is resolved, not the name itself: a link is not what it leads to.
    real = named.parent.resolve() / named.name
    if any(used.is_relative_to(real) for used in in_use()):
        raise PermissionError(13, "used by this process", os.fsdecode(path))


def apply(patch: pytest.MonkeyPatch) -> None:
    """Let these rules hold until ``patch`` is undone."""
    rename, replace, unlink = os.rename, os.replace, os.unlink

    def strict_rename(source: Any, target: Any, **more: Any) -> None:
        refuse(source, more.get("src_dir_fd"))
        if os.path.lexists(target):
            raise FileExistsError(17, "exists already", os.fsdecode(target))
        rename(source, target, **more)

    def strict_replace(source: Any, target: Any, **more: Any) -> None:
        refuse(source, more.get("src_dir_fd"))
        refuse(target, more.get("dst_dir_fd"))
        replace(source, target, **more)

    def removing(really: Callable[..., None]) -> Callable[..., None]:
        def strict(path: Any, *, dir_fd: int | None = None) -> None:
            refuse(path, dir_fd)
            really(path, dir_fd=dir_fd)

        return strict

    patch.setattr(os, "rename", strict_rename)
    patch.setattr(os, "replace", strict_replace)
    patch.setattr(os, "unlink", removing(unlink))
    patch.setattr(os, "remove", removing(unlink))
