"""Where compiled kernels lie, held against the library that puts them there."""

import json
from pathlib import Path

import pytest
from numba.core import caching, config
from support.command import busplan

from busplan import compiled_files
from busplan.frames import words

LOCATORS = (
    caching.InTreeCacheLocator,
    caching.UserWideCacheLocator,
    caching.UserProvidedCacheLocator,
)


def test_every_folder_that_numba_may_take_is_looked_into(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setattr(config, "CACHE_DIR", str(tmp_path))
    source = Path(words.__file__).resolve()
    function = type("", (), {"__code__": compile("", "", "exec")})
    theirs = {Path(kind(function, str(source)).get_cache_path()) for kind in LOCATORS}
    assert theirs == set(compiled_files._places(source.parent))
    assert len(theirs) == 3


def test_clearing_removes_kernels_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "busplan" / "wire" / "__pycache__"
    kept.mkdir(parents=True)
    for name in ("exact.nbi", "exact.1.nbc", "exact.pyc"):
        (kept / name).write_bytes(bytes(500_000))
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(tmp_path / "own"))
    monkeypatch.setattr(compiled_files, "__file__", str(tmp_path / "busplan" / "x.py"))
    assert "1.0 MB of compiled parts" in busplan("cache").out
    assert json.loads(busplan("cache", "--json").out)["compiled_bytes"] == 1_000_000
    assert "1.0 MB freed" in busplan("cache", "--clear").out
    assert [f.name for f in kept.iterdir()] == ["exact.pyc"]
