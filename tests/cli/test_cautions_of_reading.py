"""What reading had to put up with is part of what every command says, of its JSON and exit code.

One walk over all commands with the same four hurts: lines torn, a file cut, a clock set back while
recording, and a message that its definition file had to set aside. Each command must tell every
hurt that it meets, and end with something other than 0.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import pytest
from support.command import Run, busplan

from busplan.cli.app import COMMANDS
from busplan.plan.reader import load_plan

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "dbc_examples"

TOLD = {
    "torn": ("capture-entry-unreadable", "set aside"),
    "cut": ("capture-ends-early", "ends early"),
    "clock": ("time-steps-back", "stamped earlier"),
    "definition": ("definition-line-set-aside", "set aside"),
}
"""The hurts, the code of the finding that tells each, and a piece of its sentence."""
OF_CAPTURES = tuple(TOLD)
OF_PLANS = ("definition",)

CALLS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "check": (OF_PLANS, ("PLAN",)),
    "load": (OF_PLANS, ("PLAN",)),
    "timing": (OF_PLANS, ("PLAN",)),
    "whatif": (OF_PLANS, ("PLAN", "--bit-rate", "pack=250000")),
    "allot": (OF_PLANS, ("PLAN", "--seconds", "20")),
    "compare": (OF_PLANS, ("PLAN", "PLAN")),
    "draft": (OF_CAPTURES, ("CAPTURE", "--base", "monitor.dbc")),
    "sheets": (OF_PLANS, ("PLAN", "--to", "sheets", "--replace")),
    "simulate": (OF_PLANS, ("PLAN", "--seconds", "0.1")),
    "live": (OF_PLANS, ("--plan", "PLAN", "-i", "pack=virtual:doubts", "--seconds", "0.1")),
    "measure": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN")),
    "survey": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN")),
    "decode": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN", "--out", "values.csv")),
    "replay": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN", "--screen", "networks")),
    "pack": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN")),
    "behaviour": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN")),
    "alarms": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN")),
    "workbench": (OF_CAPTURES, ("CAPTURE", "--plan", "PLAN", "--identifier", "0x10A30001")),
    "commission": (OF_CAPTURES, ("PLAN", "CAPTURE", "--by", "A. Tester")),
    "bench": (OF_CAPTURES, ("monitor_b", "--plan", "PLAN", "--capture", "CAPTURE")),
}
"""Each command: the hurts it meets, and its words."""
APART = {
    "cut": "copies frames as they were recorded; what reading tolerated goes to stderr",
    "record": "reads no capture, and no definition of a message",
    "schema": "tells what a plan may say",
    "cable": "judges lengths and terminators, in which no message has a part",
    "frame": "draws one frame from its own words",
    "demo": "makes its own captures",
    "propose": "tells files it cannot use; the plan it writes is checked by check",
    "explain": "is a register",
    "manual": "reads pages of its own",
    "cache": "lists kept copies",
    "report": "tells what is in the journal, where each capture's reading was told",
    "fleet": "keeps a judgement with all findings of reading as a row of a table",
    "note": "reads and writes notes, no frame",
    "play": "plays frames as they were recorded; what reading tolerated goes to stderr",
}


def test_every_command_is_walked_or_has_a_reason() -> None:
    assert set(CALLS) | set(APART) == set(COMMANDS)
    assert not set(CALLS) & set(APART)


PLAN = """
[vehicle]
name = "Cart"
[network.pack]
bit_rate = 500_000
channels = ["can1"]
[part.monitor]
definitions = "monitor.dbc"
sender = "MONITOR"
[node.monitor_b]
part = "monitor"
on = ["pack"]
[[behaviour]]
name = "cells-in-their-window"
always = { signal = "CellVoltage01", between = [2.5, 4.2] }
[[test]]
ready = "all"
[pack]
chemistry = "NMC"
network = "pack"
[[pack.enclosure]]
name = "B"
node = "monitor_b"
modules = ["B1"]
cells_per_module = 8
sensors_per_module = 2
cells = "CellVoltage{n:02}"
sensors = "Temperature{n}"
"""


def a_plan(folder: Path, hurt: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    text = (EXAMPLES / "monitor.dbc").read_text(encoding="utf-8")
    if hurt == "definition":
        text += "\nBO_ 2426601999 Broken: eight MONITOR\n"
    (folder / "monitor.dbc").write_text(text, encoding="utf-8")
    plan = folder / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    return plan


def a_capture(folder: Path, plan: Path, hurt: str) -> Path:
    """Twelve seconds of everything the monitor sends, each message in its cycle."""
    streams = load_plan(plan).on("pack")
    events = sorted(
        (k * s.cycle.ns + 1_000_000 * i, s)
        for i, s in enumerate(streams)
        if s.cycle is not None
        for k in range(12 * 10**9 // s.cycle.ns)
    )
    lines = []
    for number, (time_ns, stream) in enumerate(events):
        stamp = 1_700_000_000 * 10**9 + time_ns
        if hurt == "clock" and number > len(events) // 2:
            stamp -= 100 * 10**9
        value = 3700 if stream.message.name.startswith("CellVoltages") else 40
        data = value.to_bytes(2, "little") * 4 if value > 255 else bytes([value] * 8)
        data = data[: stream.message.length]
        lines.append(f"({stamp / 1e9:.6f}) can1 {stream.message.identifier:08X}#{data.hex()}")
    if hurt == "torn":
        lines[100:110] = ["(17000000"] * 10
    whole = gzip.compress("\n".join([*lines, ""]).encode())
    path = folder / "capture.log.gz"
    path.write_bytes(whole[: len(whole) * 9 // 10] if hurt == "cut" else whole)
    return path


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Path]]:
    """Plan and capture without a hurt (``""``), and with each."""
    made = {}
    for hurt in ("", *TOLD):
        folder = tmp_path_factory.mktemp(hurt or "whole")
        plan = a_plan(folder, hurt)
        made[hurt] = plan, a_capture(folder, plan, hurt)
    return made


def called(command: str, plan: Path, capture: Path, *more: str) -> Run:
    words = [{"PLAN": str(plan), "CAPTURE": str(capture)}.get(w, w) for w in CALLS[command][1]]
    words = [
        str(plan.parent / w) if w in ("values.csv", "sheets", "monitor.dbc") else w for w in words
    ]
    (plan.parent / "values.csv").unlink(missing_ok=True)
    return busplan(command, *words, *more)


@pytest.mark.parametrize("command", CALLS)
def test_a_command_tells_what_reading_had_to_put_up_with(
    command: str, files: dict[str, tuple[Path, Path]]
) -> None:
    whole = called(command, *files[""], "--json")
    json.loads(whole.out)
    assert not any(code in whole.out for code, _ in TOLD.values())
    for hurt in CALLS[command][0]:
        code, words = TOLD[hurt]
        told = called(command, *files[hurt], "--json")
        assert code in codes_of(json.loads(told.out)), hurt
        assert told.code in (1, 2), hurt
        text = called(command, *files[hurt])
        assert words in " ".join((text.out + text.err).split()), hurt
        assert text.code == told.code, hurt


def codes_of(value: Any) -> set[str]:
    """Every finding's code anywhere in a document."""
    if isinstance(value, dict):
        own = {value["code"]} if isinstance(value.get("code"), str) else set()
        return own.union(*(codes_of(v) for v in value.values()))
    return set().union(*map(codes_of, value)) if isinstance(value, list) else set()


@pytest.mark.parametrize("hurt", TOLD)
def test_no_pack_is_all_right_by_half_a_reading(
    hurt: str, files: dict[str, tuple[Path, Path]]
) -> None:
    verdict = json.loads(called("pack", *files[hurt], "--json").out)
    assert verdict["answer"] != "good"
    assert "recording" in verdict["not_shown"]
    for rest in ("pack", "verdict", "findings"):
        plan, capture = files[hurt]
        shown = busplan("replay", capture, "--plan", plan, "--json", "--screen", rest)
        assert TOLD[hurt][0] in codes_of(json.loads(shown.out))


@pytest.mark.parametrize("hurt", TOLD)
def test_a_node_does_not_pass_by_half_a_reading(
    hurt: str, files: dict[str, tuple[Path, Path]]
) -> None:
    assert json.loads(called("bench", *files[hurt], "--json").out)["verdict"] != "pass"


def test_channels_on_the_wrong_networks_are_told_by_every_command_that_opens_captures(
    tmp_path: Path,
) -> None:
    """The demo's drive with two channels under each other's names."""
    plan = str(EXAMPLES / "as_built.toml")
    capture, right = tmp_path / "swapped.log", tmp_path / "right.log"
    with gzip.open(ROOT / "captures" / "drive_short.log.gz", "rt") as lines:
        text = "".join(line for line, _ in zip(lines, range(4000), strict=False))
    right.write_text(text)
    turned = text.replace(" can0 ", " canX ").replace(" can1 ", " can0 ").replace("canX", "can1")
    capture.write_text(turned)
    for command in ("measure", "survey", "decode", "replay"):
        out = ["--out", str(tmp_path / "v.csv")] if command == "decode" else []
        told = busplan(command, capture, "--plan", plan, "--json", *out)
        assert "channels-swapped" in codes_of(json.loads(told.out)), command
        assert told.code in (1, 2), command
    found = json.loads(busplan("measure", capture, "--plan", plan, "--json").out)["findings"]
    (action,) = [f["action"] for f in found if f["code"] == "channels-swapped"]
    options = [word.rstrip(",") for word in action.split() if "=" in word]
    assert sorted(options) == ["can0=pack", "can1=drive"]
    words = [word for option in options for word in ("--channel", option)]
    for mended in ((capture, *words), (right,)):
        assert "channels-swapped" not in busplan("measure", *mended, "--plan", plan, "--json").out
