"""One rule of exit codes: commands that judge end by findings, all others with 0 when done."""

from pathlib import Path

import pytest
from support.command import busplan
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.cli.app import COMMANDS
from busplan.cli.output import EXIT_BY_FINDINGS, EXIT_OF_DATA

JUDGES = {"check", "timing", "cable", "whatif", "simulate", "measure", "survey", "pack", "bench"}


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_ends_with_its_rule_and_has_an_example(command: str) -> None:
    result = busplan(command, "--help")
    assert result.code == 0
    told = " ".join(result.out.split())
    assert told.endswith(EXIT_BY_FINDINGS if command in JUDGES else EXIT_OF_DATA)
    assert f"Example: busplan {command}" in told


def test_a_caution_ends_a_judge_with_1_and_data_with_0(tmp_path: Path) -> None:
    plan, capture = write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU), tmp_path / "x.log"
    frames = "".join(f"({100 + i / 10:.6f}) can0 120#{i:02X}00000000000000\n" for i in range(99))
    capture.write_text(frames + "(torn\n")
    judged = busplan("measure", capture, "--plan", plan, "--no-cache")
    assert judged.code == 1
    assert "! caution" in judged.out
    decoded = busplan("decode", capture, "--plan", plan)
    assert decoded.code == 0
    assert "! caution" in decoded.err
    assert busplan("decode", tmp_path / "none.log", "--plan", plan).code == 3
