"""Ctrl-C in a terminal during a search that would go on for minutes: the best so far is told."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from support.allot_plans import shuffled_plan

if sys.platform == "win32":
    pytest.skip("pseudo-terminals and signals as Unix has them", allow_module_level=True)

from support.terminal import Terminal, busplan_command

WAIT_S = 900
"""A busy machine is no failure; what never comes is."""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """144 messages at 80 % load, of which many must change: no search has ended with this."""
    path = tmp_path / "hard.toml"
    path.write_text(shuffled_plan(nodes=18, messages=8, load=0.8, seed=11), "utf-8")
    return path


def allot(plan: Path, *more: str) -> Terminal:
    command = busplan_command("allot", str(plan), "--seconds", "86400", *more)
    return Terminal(command, 80, 60, {**os.environ, "TERM": "xterm-256color"})


def words(terminal: Terminal) -> str:
    """All that was written, progress too."""
    return " ".join(terminal.received.decode().split())


def code_of(told: str) -> int:
    """The exit code that goes with what is said of the changed plan."""
    left = re.search(r"the plan so changed: no faults, (no|\d+) cautions?, ", told)
    assert left, told
    return int(left[1] != "no")


def test_a_placement_that_is_interrupted_tells_its_best_with_the_gap(plan: Path) -> None:
    with allot(plan) as terminal:
        terminal.wait_for(r"placing: best \d", WAIT_S)
        terminal.press("ctrl+c")
        code, told = terminal.wait_for_end(WAIT_S), words(terminal)
    assert code == code_of(told)
    best = [float(cost) for cost in re.findall(r"placing: best (\d+\.\d\d), bound", told)]
    answer = re.search(
        r"ending with the best so far; once more to end at once .*?"
        r"changes, cost (\d+\.\d\d); not proven to be the cheapest: none costs less than "
        r"(\d+\.\d\d) \(bound\), so at most (\d+\.\d) % could be saved; the search was ended",
        told,
    )
    assert answer, told
    cost, bound, gap = map(float, answer.groups())
    assert bound < cost <= best[-1]
    assert gap == pytest.approx(100 * (cost - bound) / cost, abs=0.1)
    after = told.split("ending with the best so far")[1]
    assert "placing" not in after, "no progress once it is to end"
    assert "becomes" in after


def test_identifiers_that_are_interrupted_tell_their_best_with_the_bound(plan: Path) -> None:
    with allot(plan, "--only", "identifiers") as terminal:
        terminal.wait_for(r"net0: best \d+, at least \d+, gap \d", WAIT_S)
        terminal.press("ctrl+c")
        code, told = terminal.wait_for_end(WAIT_S), words(terminal)
    assert code == code_of(told)
    assert "ending with the best so far" in told
    found = re.search(r"net0: (\d+) identifiers change; at least (\d+) are needed \(bound\)", told)
    assert found, told
    best, bound = re.findall(r"net0: best (\d+), at least (\d+), gap", told)[-1]
    assert int(best) >= int(found[1]) > int(found[2]) >= int(bound) > 0


WAITING = """
import sys, time
from busplan.cli import app, stopping
def search():
    with stopping.stopping() as stop:
        print("searching", flush=True)
        {wait}
app.app = lambda standalone_mode: search()
app.main()
"""


@pytest.mark.parametrize(
    "wait",
    [
        "time.sleep(86400)",
        "stopping.until(lambda: False, lambda: time.sleep(86400))",
        "stopping.two_at_a_time(time.sleep, [86400] * 3)",
    ],
)
def test_a_second_interrupt_ends_at_once(wait: str) -> None:
    program = subprocess.Popen(
        [sys.executable, "-c", WAITING.format(wait=wait)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert program.stdout is not None
    assert program.stderr is not None
    assert program.stdout.readline() == "searching\n"
    program.send_signal(signal.SIGINT)
    assert program.stderr.readline() == "ending with the best so far; once more to end at once\n"
    program.send_signal(signal.SIGINT)
    _, rest = program.communicate(timeout=WAIT_S)
    assert (program.returncode, rest) == (130, "busplan: stopped\n")
