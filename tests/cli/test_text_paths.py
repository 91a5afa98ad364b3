"""What commands print, as text and as JSON: every command, every way, in one process.

It needs no terminal application (none of it is loaded) and it dies of no code page.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

from busplan.cli.app import COMMANDS

ROOT = Path(__file__).parents[2]
PLAN = str(ROOT / "dbc_examples/as_built.toml")
BOX = str(ROOT / "dbc_examples")
CAPTURE = str(ROOT / "captures/bench_charger_short.log.gz")
DRIVE = str(ROOT / "captures/drive_short.log.gz")
FASTER = ("--bit-rate", "cabin=250000")
BUS = ("-i", "charge=virtual:no-screens", "--seconds", "0.1")

JOURNAL = ("--journal", "build.journal")

CALLS: dict[str, list[tuple[str, ...]]] = {
    "demo": [
        ("--show", "bench-charger", "--text"),
        ("--list",),
        ("--list", "--json"),
        ("--show", "bench-charger", "--json"),
        ("--only", "bench-charger", "--to", "files", "--short"),
    ],
    "check": [(PLAN,), (PLAN, "--json")],
    "load": [(PLAN,), (PLAN, "--json")],
    "timing": [(PLAN,), (PLAN, "--json")],
    "cable": [(PLAN,), (PLAN, "--json")],
    "whatif": [
        (PLAN, "--bit-rate", "cabin=250000"),
        (PLAN, "--bit-rate", "cabin=250000", "--json"),
    ],
    "allot": [(PLAN, "--offsets", "supervisor"), (PLAN, "--json"), (PLAN, "--toml")],
    "simulate": [(PLAN, "--seconds", "0.1"), (PLAN, "--seconds", "0.1", "--json")],
    "frame": [("0x123", "00"), ("0x123", "00", "--json")],
    "measure": [(CAPTURE, "--plan", PLAN), (CAPTURE, "--plan", PLAN, "--json")],
    "propose": [(BOX, "--out", "a.toml"), (BOX, "--out", "b.toml", "--json")],
    "draft": [(CAPTURE, "--to", "a.dbc"), (CAPTURE, "--to", "b.dbc", "--json")],
    "compare": [(PLAN, PLAN), (PLAN, PLAN, "--json")],
    "sheets": [(PLAN, "--to", "sheets"), (PLAN, "--to", "sheets", "--replace", "--json")],
    "schema": [()],
    "survey": [(CAPTURE,), (CAPTURE, "--json")],
    "decode": [(CAPTURE, "--plan", PLAN), (CAPTURE, "--plan", PLAN, "--out", "v.csv", "--json")],
    "cut": [(CAPTURE, "--to", "1", "--out", "cut.log")],
    "replay": [
        *((CAPTURE, "--plan", PLAN, "--screen", screen) for screen in ("pack", "span", "board")),
        (CAPTURE, "--plan", PLAN, "--beside", CAPTURE, "--screen", "pair"),
        (DRIVE, "--plan", PLAN, "--text", "--screen", "verdict"),
        (DRIVE, "--plan", PLAN, "--json", "--screen", "verdict"),
        (CAPTURE, "--json"),
    ],
    "pack": [(DRIVE, "--plan", PLAN, "--tables"), (DRIVE, "--plan", PLAN, "--json")],
    "behaviour": [(CAPTURE, "--plan", PLAN), (CAPTURE, "--plan", PLAN, "--json")],
    "alarms": [(CAPTURE, "--plan", PLAN), (CAPTURE, "--plan", PLAN, "--json")],
    "fleet": [
        ("add", CAPTURE, "--vehicle", "magpie", "--plan", PLAN),
        ("judge", "--workers", "0"),
        ("judge", "--json"),
        ("status",),
        ("status", "--json"),
        ("ask", "load"),
        ("ask", "drift", "--json"),
        ("ask", "--sql", "SELECT verdict FROM judgements"),
        ("tidy",),
        ("forget", "magpie"),
    ],
    "note": [
        ("cut.log", "41 °C at the manifold", "--at", "0"),
        ("cut.log",),
        ("cut.log", "--json"),
    ],
    "workbench": [
        (CAPTURE, "--identifier", "0x18FF50E5"),
        (CAPTURE, "--identifier", "0x18FF50E5", "--bits", "0:8", "--json"),
    ],
    "play": [(CAPTURE, "--plan", PLAN, "--to", "virtual:walked", "--pace", "100")],
    "commission": [(PLAN, CAPTURE, *JOURNAL), (PLAN, *JOURNAL, "--json")],
    "report": [
        (PLAN, "--to", "build.html", *JOURNAL),
        (PLAN, "--to", "again.html", "--json", *JOURNAL),
    ],
    "record": [("run.log", "--plan", PLAN, *BUS)],
    "live": [("--plan", PLAN, *BUS, "--text"), ("--plan", PLAN, *BUS, "--json")],
    "bench": [
        ("charger", "--plan", PLAN, "--capture", CAPTURE),
        ("charger", "--plan", PLAN, "--capture", CAPTURE, "--json"),
    ],
    "explain": [("all",), ("all", "--json")],
    "manual": [(), ("write-a-plan",), ("load", "--json"), ("--to", "book")],
    "cache": [(), ("--json",)],
}
"""Every command's ways to print; what is in none of them opens the screens."""

WALK = """
import contextlib, io, json, sys
from busplan.cli.app import app
from busplan.cli.output import prepare_stream

PAGES = ("cp1252", "cp437", "cp850", "latin-1", "ascii", "utf-16")

class Console(io.TextIOWrapper):
    def isatty(self):
        return True

class Everywhere(io.TextIOBase):
    # What is printed goes to a file and to a console of every code page at once.
    encoding = "utf-8"
    def __init__(self):
        self.files = [io.TextIOWrapper(io.BytesIO(), page) for page in PAGES]
        self.consoles = [Console(io.BytesIO(), page) for page in PAGES]
        self.buffer = self.files[0].buffer
        for stream in self.files + self.consoles:
            prepare_stream(stream)
    def write(self, text):
        for stream in self.files + self.consoles:
            stream.write(text)
        return len(text)
    def flush(self):
        for stream in self.files + self.consoles:
            stream.flush()
    def texts(self):
        self.flush()
        for stream in self.consoles:
            stream.buffer.getvalue().decode(stream.encoding)
        return [stream.buffer.getvalue().decode("utf-8") for stream in self.files]

for words in json.load(sys.stdin):
    out, err = Everywhere(), Everywhere()
    failed, first = None, ""
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            app(words, standalone_mode=False)
        first, *texts = out.texts()
        assert len(set(texts)) == 1 == len(set(err.texts()))
        if "--json" in words and "live" not in words:
            json.loads(texts[0])
    except Exception as error:
        failed = repr(error)
    size = len(first)
    loaded = sorted(m for m in sys.modules if m.partition(".")[0] in ("textual", "textual_serve"))
    screens = sorted(m for m in sys.modules if m.startswith("busplan.screens"))
    print(json.dumps([words, size, failed, loaded[:1] + screens[:1]]))
"""
"""Every call in one process, printed to files and consoles of all code pages at once."""


def test_every_command_is_walked() -> None:
    assert set(CALLS) == set(COMMANDS)


def walked(
    calls: list[list[str]], folder: Path, first: str = ""
) -> list[tuple[list[str], int, str | None, list[str]]]:
    """One process for all: words, bytes printed, what failed, and a module that gives it away."""
    ended = subprocess.run(
        [sys.executable, "-c", first + WALK],
        input=json.dumps(calls),
        env=os.environ | {"XDG_CACHE_HOME": str(folder / "cache")},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    return [json.loads(line) for line in ended.stdout.splitlines()]


def test_no_text_path_loads_the_terminal_application_or_dies_of_a_code_page(tmp_path: Path) -> None:
    calls = [[name, *words] for name, ways in CALLS.items() for words in ways]
    told = walked(calls, tmp_path)
    assert len(told) == len(calls)
    for words, size, failed, loaded in told:
        assert failed is None, words
        assert size, words
        assert not loaded, words


def test_the_walk_sees_the_terminal_application(tmp_path: Path) -> None:
    (told,) = walked([["frame", "0x123", "00"]], tmp_path, "import busplan.screens.start\n")
    assert told[3] == ["textual", "busplan.screens"]
