"""``--no-cache`` on every command that opens captures: one option, and it keeps nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer
from support.cart import DBC, PLAN
from support.command import busplan

from busplan.capture import read
from busplan.cli.app import app

CALLS = {
    "measure": ["measure", "LOG"],
    "survey": ["survey", "LOG"],
    "cut": ["cut", "LOG", "--out", "OUT"],
    "decode": ["decode", "LOG", "--plan", "PLAN"],
    "replay": ["replay", "LOG", "--plan", "PLAN", "--text", "--screen", "networks"],
    "pack": ["pack", "LOG", "--plan", "PLAN"],
    "bench": ["bench", "wheel", "--plan", "PLAN", "--capture", "LOG"],
}


def options(command: str) -> dict[str, str]:
    """Options of a command and their help."""
    params = typer.main.get_command(app).commands[command].params
    return {name: getattr(p, "help", "") for p in params for name in p.opts}


def test_every_command_that_opens_captures_has_the_one_option() -> None:
    opening = {
        name
        for name, command in typer.main.get_command(app).commands.items()
        if any(p.metavar == "CAPTURE" or "--capture" in p.opts for p in command.params)
    }
    assert opening >= set(CALLS)
    opening -= {"note"}  # names a capture, but reads no more than its beginning
    assert {options(name).get("--no-cache") for name in opening} == {
        "Neither use nor keep a copy that opens quickly next time."
    }


@pytest.mark.parametrize("name", CALLS)
def test_nothing_is_kept(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    places = {"LOG": tmp_path / "a.log", "PLAN": tmp_path / "cart.toml", "OUT": tmp_path / "b.log"}
    lines = [f"({1_700_000_000 + i / 100:.6f}) can0 010#{i:04X}" for i in range(100)]
    places["LOG"].write_text("\n".join(lines) + "\n")
    places["PLAN"].write_text(PLAN)
    (tmp_path / "wheel.dbc").write_text(DBC)
    kept = tmp_path / "kept"
    kept.mkdir()
    monkeypatch.setenv("BUSPLAN_CACHE_DIR", str(kept))
    monkeypatch.setattr(read, "KEPT_FROM", 0)
    call = [places.get(word, word) for word in CALLS[name]]
    busplan(*call, "--no-cache")
    assert not list(kept.iterdir())
    places["OUT"].unlink(missing_ok=True)
    busplan(*call)
    assert list(kept.iterdir())
