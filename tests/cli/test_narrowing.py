"""--network, --code and --brief on every command that judges a plan."""

import json

import pytest
from support.command import busplan

from busplan.demo.files import plan_file

BOUGHT = str(plan_file("as_bought"))
CALLS = {
    "check": (),
    "timing": (),
    "cable": (),
    "simulate": ("--seconds", "0.3", "--errors-per-second", "3000"),
    "whatif": ("--bit-rate", "pack=125000"),
}


def found(command: str, *more: str) -> list[tuple[str, str | None]]:
    document = json.loads(busplan(command, BOUGHT, *CALLS[command], *more, "--json").out)
    told = document["findings"] if "findings" in document else document["new"]
    return [(f["code"], f["where"]["network"]) for f in told]


@pytest.mark.parametrize("command", CALLS)
def test_findings_of_one_network_or_code(command: str) -> None:
    every = found(command)
    code, network = every[-1]
    assert found(command, "--code", code) == [f for f in every if f[0] == code]
    assert network is not None
    assert found(command, "--network", network) == [f for f in every if f[1] == network]


@pytest.mark.parametrize("command", CALLS)
def test_brief_leaves_reasons_out_and_no_finding(command: str) -> None:
    long = busplan(command, BOUGHT, *CALLS[command])
    brief = busplan(command, BOUGHT, *CALLS[command], "--brief")
    assert "why: " in long.out
    assert "why: " not in brief.out
    assert len(brief.out.splitlines()) < len(long.out.splitlines())
    assert brief.code == long.code
    for code, _ in found(command):
        assert code in brief.out


@pytest.mark.parametrize("command", CALLS)
def test_the_exit_code_is_that_of_what_is_shown(command: str) -> None:
    nothing = busplan(command, BOUGHT, *CALLS[command], "--code", "definition-odd-length")
    assert (nothing.code, nothing.err.count("busplan:")) == (0, 0)


@pytest.mark.parametrize("command", CALLS)
@pytest.mark.parametrize("words", [("--code", "deadline-mised"), ("--network", "drve")])
def test_what_there_is_not_is_refused(command: str, words: tuple[str, str]) -> None:
    run = busplan(command, BOUGHT, *CALLS[command], *words)
    assert run.code == 3
    assert "did you mean" in run.err
