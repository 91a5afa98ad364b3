"""Input made to hang a command or to eat the machine ends soon, with one error or a finding."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.cart import DBC, PLAN
from support.command import busplan
from support.costly import CASES, LOG

from busplan.cli.app import COMMANDS

MOST_MB = 350
"""Memory that any of the small cases may take beyond what the process had."""

WALK = """
import json, os, resource, signal, sys
from pathlib import Path
from support.command import busplan
from support.costly import CASES

def kilobytes(name):
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(t for t in lines if t.startswith(name)).split()[1])

resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
for name, (case, size, _) in CASES.items():
    folder = Path(name)
    folder.mkdir()
    os.chdir(folder)
    call = case(Path(), size)
    signal.alarm(90)
    Path("/proc/self/clear_refs").write_text("5")
    before = kilobytes("VmRSS")
    run = busplan(*call)
    taken = (kilobytes("VmHWM") - before) / 1e3
    print(json.dumps([name, run.code, taken, run.out, run.err]), flush=True)
    os.chdir("..")
"""

ERRORS = {
    "a counter of many digits": "must hold the counter",
    "a selector of many asterisks": "no signal matches",
    "TOML nested deep": "levels deep",
    "a key of many names": "levels deep",
    "a device as plan": "is a device, a pipe or a socket",
    "a device as definitions": "is a device, a pipe or a socket",
    "a pipe as plan": "is a device, a pipe or a socket",
    "a pipe as definitions": "is a device, a pipe or a socket",
    "a pipe as capture": "not a file",
    "a table of many columns": "more than the 1,000 columns",
    "a table of long cells": "cannot be read",
}
"""Case → its one error; the others end with what could be read, told where something could not."""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is read from /proc")
def test_every_case_ends_soon_and_small(tmp_path: Path) -> None:
    here = Path(__file__).parents[2]
    ended = subprocess.run(
        [sys.executable, "-c", WALK],
        cwd=tmp_path,
        env=os.environ
        | {"BUSPLAN_CACHE_DIR": str(tmp_path / "cache"), "PYTHONPATH": f"{here}:{here / 'tests'}"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    told = [json.loads(line) for line in ended.stdout.splitlines()]
    assert len(told) == len(CASES), ended.stderr[-2000:]
    for name, code, memory, _, err in told:
        assert memory < MOST_MB, name
        assert "Traceback" not in err, name
        if name in ERRORS:
            assert code == 3, name
            assert ERRORS[name] in err, name
            assert len(err.splitlines()) == 1, name
        else:
            assert code in (0, 1, 2), (name, err)
    by_name = {name: out for name, _, _, out, _ in told}
    assert "definition-line-set-aside" in by_name["a long comment"]


def pipe_at(path: Path) -> None:
    path.unlink(missing_ok=True)
    os.mkfifo(path)


def zero_at(path: Path) -> None:
    path.unlink(missing_ok=True)
    path.symlink_to("/dev/zero")


HOLDS = """
[[behaviour]]
name = "slow"
always = { signal = "Speed", below = 99 }
[[test]]
ready = "all"
"""
APART = {
    "frame": "draws one frame from its own words",
    "demo": "reads what it has written itself",
    "explain": "is a register",
    "manual": "reads pages of its own",
    "cache": "lists kept copies",
    "schema": "tells what a plan may say",
}
WITH_PLAN: list[tuple[str, ...]] = [
    *((name, "plan.toml") for name in ("check", "load", "timing", "cable", "allot")),
    ("whatif", "plan.toml", "--bit-rate", "a=250000"),
    ("sheets", "plan.toml", "--to", "sheets"),
    ("compare", "plan.toml", "plan.toml"),
    ("compare", "wheel.dbc", "wheel.dbc"),
    ("draft", "x.log", "--base", "wheel.dbc"),
    *((name, "x.log", "--plan", "plan.toml") for name in ("behaviour", "alarms")),
    ("workbench", "x.log", "--plan", "plan.toml", "--identifier", "0x123"),
    ("play", "x.log", "--plan", "plan.toml", "--to", "virtual:none", "--pace", "100"),
    ("note", "x.log", "seen", "--at", "0"),
    ("commission", "plan.toml", "x.log"),
    ("propose", ".", "--plan", "plan.toml"),
    ("report", "plan.toml", "--to", "build.html"),
    ("fleet", "add", "x.log", "--vehicle", "v", "--plan", "plan.toml"),
    ("pack", "--suggest", "plan.toml"),
    ("pack", "--suggest", "wheel.dbc"),
    ("simulate", "plan.toml", "--seconds", "0.1"),
    *((name, "x.log", "--plan", "plan.toml") for name in ("measure", "survey", "decode", "pack")),
    ("replay", "x.log", "--plan", "plan.toml", "--text"),
    ("cut", "x.log", "--plan", "plan.toml", "--to", "1", "--out", "y.log"),
    ("bench", "wheel", "--plan", "plan.toml", "--capture", "x.log"),
    ("record", "y.log", "--plan", "plan.toml", "-i", "a=virtual:none", "--seconds", "0.1"),
    ("live", "--plan", "plan.toml", "-i", "a=virtual:none", "--seconds", "0.1", "--text"),
    ("survey", "x.log", "--definitions", "wheel.dbc"),
    ("bench", "WHEEL", "--part", "wheel.dbc", "--bit-rate", "500000", "--capture", "x.log"),
]
"""Every command that reads a plan, definitions or a capture."""


def test_every_command_is_walked_or_has_a_reason() -> None:
    assert {call[0] for call in WITH_PLAN} | set(APART) == set(COMMANDS)


@pytest.mark.skipif(sys.platform == "win32", reason="no such files there")
@pytest.mark.parametrize("make", [pipe_at, zero_at])
@pytest.mark.parametrize("name", ["plan.toml", "wheel.dbc", "x.log"])
def test_what_is_no_file_is_one_error_in_every_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, make: object
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(PLAN + HOLDS)
    Path("wheel.dbc").write_text(DBC)
    Path("x.log").write_text(LOG)
    make(Path(name))  # type: ignore[operator]
    names = {name, "plan.toml"} if name == "wheel.dbc" else {name}
    asked = [call for call in WITH_PLAN if names & set(call)]
    assert asked
    for call in asked:
        run = busplan(*call)
        assert run.code == 3, call
        told = [line for line in run.err.splitlines() if line.startswith("busplan: ")]
        assert len(told) == 1, call
        assert name in told[0], call
