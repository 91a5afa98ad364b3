"""What to look at while a live bench test hears nothing: when it comes, and that it is whole."""

import io
import sys
import time
from types import SimpleNamespace
from typing import Any

import pytest
from support.bench_nodes import BENCH, UNIT, Bench, good_unit

from busplan.bench.early import NOTHING_S
from busplan.bench.node_report import BenchLimits
from busplan.bench.run import BenchTest
from busplan.bench.wiring import POWER_OFF_FIRST, STEPS
from busplan.cli.bench_terminal import BenchDisplay, Terminal
from busplan.live.recording_status import RecordingStatus

S = 10**9
NOTHING_YET: dict[str, Any] = {
    **{"elapsed_s": 0.1, "channels": (), "written": 0, "waiting": 0, "dropped": 0},
    **{"files": (), "gone": (), "trouble": None},
}


def told_after(elapsed_s: float, **limits: Any) -> list[str]:
    """What the tester reads when nothing has come for so long."""
    test = BenchTest.of(Bench(good_unit()).vehicle(), UNIT, BENCH, BenchLimits(**limits))
    terminal, lines = Terminal(test, 60.0), []
    terminal._display = SimpleNamespace(  # type: ignore[assignment]
        tell=lines.append, show=lambda *_: None
    )
    terminal._begin = time.monotonic() - elapsed_s
    terminal._look()
    return lines


@pytest.mark.parametrize(
    ("limits", "on_s"),
    [
        ({}, 0.0),
        ({"power_on_ns": 8 * S}, 8.0),
        ({"power_cycles": ((0, 12 * S), (30 * S, 34 * S))}, 12.0),
    ],
)
def test_help_comes_after_the_first_prompt_to_switch_on(
    limits: dict[str, Any], on_s: float
) -> None:
    """Before that the node is off, as it was told to be."""
    assert told_after(on_s + NOTHING_S - 1.0, **limits) == []
    assert told_after(on_s + NOTHING_S + 1.0, **limits) != []


def test_help_begins_with_the_power_off_and_has_every_step() -> None:
    first, *steps, last = told_after(NOTHING_S + 1.0)
    assert first == f"! nothing heard in {NOTHING_S + 1:.0f} s. {POWER_OFF_FIRST}"
    assert "never probe the high-voltage side" in first
    assert len(steps) == len(STEPS)
    for number, (line, step) in enumerate(zip(steps, STEPS, strict=True), 1):
        assert line == f"  {number}. {step.measure}: {step.expect}"
    assert "busplan bench --wiring" in last


class Tty(io.StringIO):
    """A terminal, as far as a program can see."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("table_stands", [False, True])
def test_a_prompt_rings_before_the_table_stands_and_while_it_does(
    table_stands: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a table stands, what rich 13.8 puts before stderr does not say it is a terminal."""
    monkeypatch.setenv("TERM", "xterm")
    shown = Tty()
    monkeypatch.setattr(sys, "stderr", shown)
    with BenchDisplay() as display:
        if table_stands:
            display.update(RecordingStatus(**NOTHING_YET))
            before = io.StringIO()  # says it is no terminal, as TextIOBase does
            before.rich_proxied_file = shown  # type: ignore[attr-defined]
            monkeypatch.setattr(sys, "stderr", before)
        display.bell()
        monkeypatch.setattr(sys, "stderr", shown)
    assert "\a" in shown.getvalue()


def test_nothing_rings_in_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    written = io.StringIO()
    monkeypatch.setattr(sys, "stderr", written)
    BenchDisplay().bell()
    assert written.getvalue() == ""
