"""What the help of every command promises: its exit codes, and an example that can be typed."""

import io
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest
import typer
from support.command import busplan
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.cli.app import COMMANDS, app, main
from busplan.cli.output import (
    EXIT_BY_FINDINGS,
    EXIT_OF_DATA,
    EXIT_OF_FLEET,
    EXIT_OF_LIST,
    EXIT_OF_READING,
    EXIT_OF_RECORDING,
)

ROOT = Path(__file__).parents[2]
JUDGES = {
    "check",
    "timing",
    "cable",
    "whatif",
    "allot",
    "compare",
    "simulate",
    "measure",
    "survey",
    "pack",
    "behaviour",
    "alarms",
    "bench",
}
READS = {"load", "decode", "replay", "live", "sheets", "draft", "workbench"}


GROUP: Any = typer.main.get_command(app)


def help_of(command: str) -> str:
    """The help of a command on one line."""
    context = GROUP.commands[command].make_context(command, [], resilient_parsing=True)
    return " ".join(context.get_help().split())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_ends_with_its_rule(command: str) -> None:
    rule = EXIT_OF_READING if command in READS else EXIT_OF_DATA
    rule = EXIT_BY_FINDINGS if command in JUDGES else rule
    rule = EXIT_OF_LIST if command in ("commission", "report") else rule
    rule = EXIT_OF_RECORDING if command == "record" else rule
    rule = EXIT_OF_FLEET if command == "fleet" else rule
    assert help_of(command).endswith(f"{rule} More: busplan manual {command}.")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_example_can_be_typed_in_a_copy_of_the_repository(command: str) -> None:
    example = (
        help_of(command).split("Example: busplan ")[1].split(" Arguments:")[0].split(" Options:")[0]
    )
    name, *words = shlex.split(example)
    assert name == command
    GROUP.commands[command].make_context(command, words)  # raises for a wrong option
    for word in words:
        if word.startswith(("dbc_examples", "captures")):
            assert (ROOT / word).exists()


def test_a_caution_of_reading_ends_a_judge_and_what_was_read_with_1(tmp_path: Path) -> None:
    plan, capture = write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU), tmp_path / "x.log"
    frames = "".join(f"({100 + i / 10:.6f}) can0 120#{i:02X}00000000000000\n" for i in range(99))
    capture.write_text(frames + "(torn\n")
    judged = busplan("measure", capture, "--plan", plan, "--no-cache")
    assert judged.code == 1
    assert "! caution" in judged.out
    decoded = busplan("decode", capture, "--plan", plan)
    assert decoded.code == 1
    assert "! caution" in decoded.err
    assert busplan("decode", tmp_path / "none.log", "--plan", plan).code == 3


class Terminal(io.StringIO):
    """Stands for a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("call", "page"),
    [
        (("check", "no.toml"), "write-a-plan"),
        (("measure", "no.log"), "formats"),
        (("explain", "no-such-code"), "explain"),
    ],
)
def test_an_error_names_the_page_that_helps_where_somebody_looks(
    monkeypatch: pytest.MonkeyPatch, call: tuple[str, ...], page: str
) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "argv", ["busplan", *call])
    monkeypatch.setattr(sys, "stderr", terminal)
    with pytest.raises(SystemExit):
        main()
    assert terminal.getvalue().endswith(f"\nmore: busplan manual {page}\n")
    assert "more: busplan manual" not in busplan(*call).err
