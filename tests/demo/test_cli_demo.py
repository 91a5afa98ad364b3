"""``busplan demo`` as a user calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from busplan.capture.read import read_capture
from busplan.cli.app import app
from busplan.demo import captures
from busplan.errors import UsageError
from busplan.plan.reader import load_plan


def run(*words: str) -> str:
    result = CliRunner().invoke(app, ["demo", *words], catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setattr("platformdirs.user_cache_path", lambda name: folder / name)
    return folder


def test_to_writes_plans_that_load_and_captures_that_read(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "demo"
    out = run("--to", str(folder), "--only", "bench-charger")
    assert "bench_charger.log.gz  1440 frames" in out
    assert load_plan(folder / "as_bought.toml").invented
    assert load_plan(folder / "as_built.toml").pack is not None
    assert len(read_capture([folder / "bench_charger.log.gz"]).frames) == 1440


def test_to_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "pump.dbc").write_text("mine")
    with pytest.raises(UsageError, match=r"pump\.dbc is already there"):
        run("--to", str(tmp_path))
    assert (tmp_path / "pump.dbc").read_text() == "mine"
    assert len(list(tmp_path.iterdir())) == 1


def test_healthy_bench_capture_differs(tmp_path: Path) -> None:
    run("--to", str(tmp_path / "a"), "--only", "bench-charger", "--healthy")
    frames = read_capture([tmp_path / "a" / "bench_charger.log.gz"]).frames
    assert len(frames) < 1440


def test_wrong_names_and_options_are_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the captures warm-up"):
        run("--show", "warm")
    with pytest.raises(UsageError, match="to open it: --show drive"):
        run("--only", "drive")
    with pytest.raises(UsageError, match="choose one"):
        run("--show", "drive", "--to", str(tmp_path / "new"))
    with pytest.raises(UsageError, match="no healthy variant"):
        run("--only", "collision", "--healthy", "--to", str(tmp_path / "new"))
    assert not (tmp_path / "new").exists()
    with pytest.raises(UsageError, match="goes with --to"):
        run("--short")
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="cannot write"):
        run("--to", str(tmp_path / "file" / "folder"))


def test_a_capture_is_made_once_and_kept_and_those_of_old_versions_go(cache: Path) -> None:
    old = captures.demo_folder() / "0.0.1" / "seed-1" / "drive.log.gz"
    old.parent.mkdir(parents=True)
    old.touch()
    out = run("--show", "bench-charger")
    path = captures.cached_capture("bench-charger", make=False)
    assert path.is_relative_to(cache)
    assert not old.parent.parent.exists()
    first = path.stat().st_mtime_ns
    assert "Magpie (invented)" in out
    assert "18FFA3E5" in out
    assert "High voltage can kill" in out
    assert "Other captures" in out
    facts = json.loads(run("--show", "bench-charger", "--json"))
    assert facts["invented"] is True
    assert len(facts["planted"]) == 4
    assert path.stat().st_mtime_ns == first


def test_a_cache_that_cannot_be_written_is_told(cache: Path) -> None:
    cache.touch()
    with pytest.raises(UsageError, match="cannot keep the demo capture"):
        run("--show", "bench-charger")


def test_a_good_day_is_shown_too_and_kept_apart() -> None:
    out = run("--show", "key-on-welded", "--healthy")
    assert "Nothing is planted" in out
    assert captures.cached_capture("key-on-welded", healthy=True, make=False).exists()
    assert not captures.cached_capture("key-on-welded", make=False).exists()
    with pytest.raises(UsageError, match="no healthy variant"):
        run("--show", "collision", "--healthy")


def test_the_list_names_every_capture_and_what_is_planted() -> None:
    out = run("--list")
    listed = json.loads(run("--list", "--json"))["captures"]
    assert [c["name"] for c in listed] == list(captures.CAPTURES)
    assert all(name in out for name in captures.CAPTURES)
    assert "cell 71 loses 0.6 mV/h" in out
