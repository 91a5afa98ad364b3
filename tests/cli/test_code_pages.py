"""What leaves busplan under code pages that lack its signs: files, pipes, consoles, exit codes.

The encodings are those of the Python library: cp1252, cp850 and cp437 of Windows consoles, ASCII,
UTF-16. That every command prints under all of them is held by ``test_text_paths.py``.
"""

import ast
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from busplan.cli import output
from busplan.replay.pack_state import Grade
from busplan.text.workbench_draw import SHADES
from busplan.wording import disarmed, spelled

ROOT = Path(__file__).parents[2]
PLAN = ROOT / "dbc_examples" / "as_bought.toml"
PAGES = ("cp1252", "cp437", "ascii", "utf-16")


class Console(io.TextIOWrapper):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def console(page: str) -> Console:
    stream = Console(io.BytesIO(), page)
    output.prepare_stream(stream)
    return stream


def shown(stream: io.TextIOWrapper) -> str:
    stream.flush()
    return stream.buffer.getvalue().decode(stream.encoding)  # type: ignore[attr-defined]


def run(
    page: str, *words: str, stdout: int = subprocess.PIPE
) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "busplan", *words],
        env=os.environ | {"PYTHONIOENCODING": page, "PYTHONUTF8": "0", "TERM": "dumb"},
        stdout=stdout,
        stderr=subprocess.PIPE,
        check=False,
    )


@pytest.mark.parametrize("page", ["cp1252", "utf-16"])
def test_a_pipe_gets_utf_8_and_the_exit_code_is_that_of_the_findings(page: str) -> None:
    ended = run(page, "check", str(PLAN))
    assert "Ω" in ended.stdout.decode("utf-8")
    assert (ended.returncode, ended.stderr) == (2, b"")


def test_an_error_of_a_name_that_the_code_page_lacks_is_told_in_utf_8() -> None:
    ended = run("ascii", "check", "Ω-plan.toml")
    assert ended.returncode == 3
    assert "Ω-plan.toml" in ended.stderr.decode("utf-8")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_a_real_console_gets_what_it_can_show() -> None:
    ours, theirs = os.openpty()
    ended = run("ascii", "check", str(PLAN), stdout=theirs)
    os.close(theirs)
    told = b""
    try:
        while part := os.read(ours, 1 << 16):
            told += part
    except OSError:  # Linux ends a pseudo-terminal so
        pass
    os.close(ours)
    assert (ended.returncode, ended.stderr) == (2, b"")
    assert " ohm" in told.decode("ascii")


@pytest.mark.parametrize(
    ("page", "expected"),
    [
        # cp1252 has the degree sign and the en dash, cp437 has the degree sign and the ohm sign.
        ("cp1252", "60 ohm 20 °C 1–2 ##"),
        ("cp437", "60 Ω 20 °C 1-2 ██"),
        ("ascii", "60 ohm 20 degC 1-2 ##"),
        ("utf-16", "60 Ω 20 °C 1–2 ██"),
    ],
)
def test_a_console_keeps_the_signs_it_has(
    page: str, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = console(page)
    monkeypatch.setattr(sys, "stdout", stream)
    output.say("60 Ω 20 °C 1–2 ██")
    assert shown(stream).rstrip("\n") == expected


@pytest.mark.parametrize("page", PAGES)
def test_json_means_the_same_on_every_console(page: str, monkeypatch: pytest.MonkeyPatch) -> None:
    value = {"Ω": ["█", "Zelle ü", "𝄞", "\x1b[31m"]}
    stream = console(page)
    monkeypatch.setattr(sys, "stdout", stream)
    output.print_json(value)
    assert json.loads(shown(stream)) == value


def test_a_program_without_a_console_prints_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", None)
    monkeypatch.setattr(sys, "stderr", None)
    output.prepare_streams()
    output.say("nobody hears it")
    output.say("nor this", err=True)


def literals(path: Path) -> set[str]:
    """Characters of all strings of a source file but its docstrings."""
    tree = ast.parse(path.read_text("utf-8"))
    told = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    return {
        character
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told
        for character in node.value
    }


def test_every_sign_that_busplan_uses_can_be_spelled() -> None:
    signs: set[str] = set().union(*map(literals, (ROOT / "busplan").rglob("*.py")))
    signs = {s for s in signs if not s.isascii() and s.isprintable() and disarmed(s) == s}
    signs -= {"\N{REPLACEMENT CHARACTER}"}
    assert {"Ω", "°", "█"} <= signs
    assert sorted(s for s in signs if not spelled(s).isascii() or "?" in spelled(s)) == []


def test_signs_that_a_legend_sets_apart_stay_apart_in_ascii() -> None:
    grades = [grade.mark for grade in Grade]
    for told in (grades, list(SHADES), ["█", "░", "·", "^", "|"]):
        assert len({spelled(sign) for sign in told}) == len(told), told
        assert {len(spelled(sign)) for sign in told} == {1}


def test_umlauts_are_spelled_as_makers_spell_them() -> None:
    """DIN 5007-2, capitals and letters with a mark of their own alike."""
    assert spelled("Größe, ÜBER, u\u0308ber, Café") == "Groesse, UeBER, ueber, Cafe"
