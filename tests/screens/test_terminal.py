"""``busplan replay`` in a real terminal: a pseudo-terminal, its modes and its signals."""

import os
import re
from pathlib import Path

import pytest
from support.terminal import Terminal, busplan_command

ROOT = Path(__file__).parents[2]
PLAN = str(ROOT / "dbc_examples/as_built.toml")
CAPTURE = str(ROOT / "captures/warm_up_short.log.gz")

STYLE = re.compile(rb"\x1b\[([0-9;]*)m")
NO_COLOURS = {*b"0 1 2 3 4 7 39 49".split(), b""}
"""ECMA-48 SGR: reset, bold, faint, italic, underline, reverse, default colours."""


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """A user whose folders are empty, so that nothing kept by another run matters."""
    own = {f"XDG_{kind}_HOME": str(tmp_path / kind) for kind in ("STATE", "CONFIG", "CACHE")}
    unset = {"NO_COLOR", "COLUMNS", "LINES", "BUSPLAN_CACHE_DIR"}
    rest = {k: v for k, v in os.environ.items() if k not in unset}
    return {**rest, **own, "TERM": "xterm-256color", "COLORTERM": "truecolor"}


def test_the_screens_come_follow_keys_and_size_and_leave_the_terminal_as_it_was(
    environment: dict[str, str],
) -> None:
    command = busplan_command("replay", CAPTURE, "--plan", PLAN, "--hold", "--at", "2")
    with Terminal(command, 80, 24, environment) as terminal:
        pack = terminal.wait_for(r"licensed people")
        assert "Magpie (invented)" in pack
        assert "HELD" in pack
        assert re.search(r"\bC2 +\S+ .*\d\d\.\d", pack)
        terminal.press("3")
        terminal.wait_for(r"(?s)peak.*charge")
        terminal.press("]")
        terminal.wait_for(r"0:00:07\.0")
        terminal.resize(120, 35)
        terminal.wait_for(r"(?s)telemetry.*\n.*local codes, leave pack work to licensed people")
        assert terminal.modes != terminal.modes_before
        terminal.press("q")
        assert terminal.wait_for_end() == 0
        assert terminal.modes == terminal.modes_before
        sent = terminal.received
    assert b"\x1b[38;2;" in sent
    for enter, leave in ((b"\x1b[?1049h", b"\x1b[?1049l"), (b"\x1b[?25l", b"\x1b[?25h")):
        assert 0 <= sent.rfind(enter) < sent.rfind(leave), "the terminal is not as it was"
    for mouse in (b"1000", b"1003", b"1006", b"2004"):
        assert sent.rfind(b"\x1b[?" + mouse + b"h") < sent.rfind(b"\x1b[?" + mouse + b"l")


def test_without_colour_no_colour_is_sent_and_the_screen_left_is_the_one_that_opens(
    environment: dict[str, str],
) -> None:
    command = busplan_command("replay", CAPTURE, "--plan", PLAN, "--hold", "--at", "2")
    with Terminal(command, 80, 24, {**environment, "NO_COLOR": "1"}) as terminal:
        terminal.wait_for(r"licensed people")
        for key, told in (("f", "bell on"), ("g", "Go to"), ("3", "Go to: 90"), ("enter", "03.0")):
            terminal.press(key)
            terminal.wait_for(re.escape(told))
        terminal.press("?")
        terminal.wait_for("Pack screen")
        terminal.press("q", "4")
        terminal.wait_for("identifier +message")
        terminal.press("q")
        assert terminal.wait_for_end() == 0
        sent = terminal.received
    styles = {code for found in STYLE.findall(sent) for code in found.split(b";")}
    assert styles <= NO_COLOURS
    assert {b"1", b"7"} <= styles
    with Terminal(command, 80, 24, environment) as terminal:
        terminal.wait_for("identifier +message")
        terminal.wait_for("bell on")
        terminal.press("q")
        assert terminal.wait_for_end() == 0


@pytest.mark.parametrize("wrong", ["bad.log", "keys.toml"])
def test_a_wrong_file_is_one_error_and_the_terminal_stays_as_it_was(
    environment: dict[str, str], tmp_path: Path, wrong: str
) -> None:
    bad, keys = tmp_path / "bad.log", tmp_path / "CONFIG/busplan/keys.toml"
    bad.write_text("this is no capture\n" * 50, encoding="utf-8")
    keys.parent.mkdir(parents=True)
    keys.write_text('"time.togle" = "k"\n', encoding="utf-8")
    command = busplan_command("replay", str(bad) if wrong == "bad.log" else CAPTURE, "--plan", PLAN)
    with Terminal(command, 80, 24, environment) as terminal:
        assert terminal.wait_for_end() == 3
        assert terminal.modes == terminal.modes_before
        shown, sent = terminal.text, terminal.received
    assert shown.startswith("busplan:")
    assert wrong in "".join(shown.split()), "wrapped as the terminal needs"
    assert "Traceback" not in shown
    assert b"\x1b[?1049h" not in sent
