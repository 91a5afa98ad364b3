"""Where numba keeps busplan's compiled kernels; worked out without importing numba."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from hashlib import sha1
from pathlib import Path

_SUFFIXES = (".nbi", ".nbc")
"""numba's index and code."""


def compiled_files() -> Iterator[Path]:
    """Kept kernels of this installation, from all runs: whatever folder each of them could use."""
    package = Path(__file__).parent
    for sources in (package, *(p for p in package.rglob("*") if p.is_dir())):
        for place in _places(sources):
            with suppress(OSError):
                yield from sorted(f for f in place.iterdir() if f.suffix in _SUFFIXES)


def _places(sources: Path) -> Iterator[Path]:
    """Folders that numba may use for the kernels of one folder of sources."""
    from platformdirs import user_cache_path

    yield sources / "__pycache__"
    # numba names a folder of its caches so, to keep packages apart.
    name = f"{sources.name}_{sha1(str(sources).encode(), usedforsecurity=False).hexdigest()}"
    yield user_cache_path("numba", appauthor=False) / name
    if own := os.environ.get("NUMBA_CACHE_DIR"):
        yield Path(own) / name


def compiled_bytes() -> int:
    """Bytes of all of them."""
    total = 0
    for file in compiled_files():
        with suppress(OSError):
            total += file.stat().st_size
    return total


def remove_compiled() -> None:
    """Remove them; the next run compiles anew. Those that the system keeps for a user stay."""
    for file in compiled_files():
        with suppress(OSError):
            file.unlink()
