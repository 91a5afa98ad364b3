"""Bad input through the command line itself: one clear message, exit code 3, never a traceback."""

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
import typer
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.cli import numbers, run
from busplan.cli.app import app
from busplan.cli.numbers import moment, span_ends
from busplan.definitions import salvage
from busplan.errors import UsageError
from busplan.screens.dialogs import parse_moment


class Result(NamedTuple):
    code: int
    out: str
    err: str


Call = Callable[..., Result]


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """Call the command line as the console script does; anything but a clean exit fails."""

    def busplan(*args: str | Path) -> Result:
        monkeypatch.setattr(sys, "argv", ["busplan", *map(str, args)])
        with pytest.raises(SystemExit) as stop:
            run()
        out, err = capsys.readouterr()
        code = stop.value.code
        assert isinstance(code, int)
        return Result(code, out, err)

    return busplan


def refused(result: Result, *words: str) -> None:
    assert result.code == 3
    assert result.out == ""
    assert any(line.startswith("busplan: ") for line in result.err.splitlines())
    assert "Traceback" not in result.err
    for word in words:
        assert word in result.err


BAD_FILES: dict[str, tuple[bytes | None, str]] = {
    "missing file": (None, "there is no such file"),
    "empty file": (b"", "the plan is empty"),
    "only a comment": (b"# a plan, one day\n", "the plan is empty"),
    "binary garbage": (bytes(range(256)) * 40, "is not a text file"),
    "another encoding": ("[network.k\xfcche]".encode("cp1252"), "is not text in UTF-8"),
    "UTF-16": (PLAN.encode("utf-16"), "is not"),
    "torn table": (b"[network.drive\nbit_rate = 1\n", "not valid TOML"),
    "no value": (b"[network.drive]\nbit_rate =\n", "not valid TOML"),
    "key twice": (b"[a]\nx = 1\nx = 2\n", "not valid TOML"),
    "a definition file": (PUMP.encode(), "definition file (DBC)"),
    "a capture": (b"(1.000000) can0 123#0011\n", "not valid TOML"),
    "sections that are none": (b"network = 3\nnode = []\nroute = {}\n", "network"),
    "table for a number": (b"[network.a.bit_rate]\nx = 1\n", "must be a whole number"),
    "nothing but a network": (b"[network.a]\nbit_rate = 'x'\n", 'got "x" (text)'),
    "infinite": (b"[network.a]\nbit_rate = 500000\nload_limit = inf\n", "fraction above 0"),
    "date": (b"[network.a]\nbit_rate = 2020-01-01\n", "a date or time"),
}


@pytest.mark.parametrize(
    "command", ["check", "load", "whatif", "cable", "timing", "simulate", "allot"]
)
@pytest.mark.parametrize("kind", BAD_FILES)
def test_no_plan(call: Call, tmp_path: Path, command: str, kind: str) -> None:
    data, words = BAD_FILES[kind]
    path = tmp_path / "plan.toml"
    if data is not None:
        path.write_bytes(data)
    refused(call(command, path), words, "plan.toml")


def test_a_folder_for_a_plan(call: Call, tmp_path: Path) -> None:
    refused(call("check", tmp_path), "is a folder")


BAD_DEFINITIONS: dict[str, tuple[bytes | None, str]] = {
    "missing": (None, 'there is no file "pump.dbc"'),
    "empty": (b"", "pump.dbc"),
    "binary garbage": (bytes(range(256)) * 40, "pump.dbc"),
    "not a DBC": (b"the pump's manual, page 3\n" * 4, "pump.dbc"),
    "a plan": (PLAN.encode(), "pump.dbc"),
}


@pytest.mark.parametrize("kind", BAD_DEFINITIONS)
def test_bad_definition_file(call: Call, tmp_path: Path, kind: str) -> None:
    data, words = BAD_DEFINITIONS[kind]
    path = write_plan(tmp_path, PLAN, vcu=VCU)
    if data is not None:
        (tmp_path / "pump.dbc").write_bytes(data)
    refused(call("check", path), words)


CAPTURE_COMMANDS = {
    "measure": ["{capture}", "--plan", "{plan}"],
    "decode": ["{capture}", "--plan", "{plan}"],
    "pack": ["{capture}", "--plan", "{plan}"],
    "replay": ["{capture}", "--plan", "{plan}"],
    "bench": ["pump", "--plan", "{plan}", "--capture", "{capture}"],
}
BAD_CAPTURES: dict[str, tuple[str, bytes | None, str]] = {
    "missing file": ("x.log", None, "no such file"),
    "empty file": ("x.log", b"", "the file is empty"),
    "binary garbage": ("x.log", bytes(range(256)) * 40, "lines cannot be read"),
    "prose": ("x.log", b"the pump runs\n" * 9, "holds no readable frame"),
    "torn gzip": ("x.log.gz", b"\x1f\x8b\x08\x00\x00\x00", "x.log.gz"),
    "not the format of its name": ("x.blf", bytes(range(256)) * 4, "x.blf"),
    "unknown ending": ("x.xyz", bytes(range(256)) * 4, "x.xyz"),
}


@pytest.mark.parametrize("command", CAPTURE_COMMANDS)
@pytest.mark.parametrize("kind", BAD_CAPTURES)
def test_bad_capture(call: Call, tmp_path: Path, command: str, kind: str) -> None:
    name, data, words = BAD_CAPTURES[kind]
    plan, capture = write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU), tmp_path / name
    if data is not None:
        capture.write_bytes(data)
    args = [a.format(plan=plan, capture=capture) for a in CAPTURE_COMMANDS[command]]
    refused(call(command, *args), words)


@pytest.mark.parametrize("command", ["measure", "decode", "replay"])
def test_an_unknown_channel(call: Call, tmp_path: Path, command: str) -> None:
    plan, capture = write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU), tmp_path / "x.log"
    capture.write_bytes(b"(1.000000) can7 120#0011\n(1.100000) can7 120#0011\n")
    refused(call(command, capture, "--plan", plan), "can7", "channels")


def test_a_broken_line_in_a_definition_file_is_a_located_finding(
    call: Call, tmp_path: Path
) -> None:
    broken = PUMP.replace("BO_ 336 PumpOrder: 8 VCU", "BO_ 336 PumpOrder 8 VCU !!")
    result = call("check", write_plan(tmp_path, PLAN, pump=broken, vcu=VCU))
    assert result.code == 1
    line = broken.splitlines().index("BO_ 336 PumpOrder 8 VCU !!") + 1
    assert "definition-line-set-aside" in result.out
    assert f"pump.dbc:{line}" in result.out


def test_a_broken_line_is_found_without_the_parsers_own_grammar(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Where the module with the grammar is in another version of cantools, nobody knows.
    salvage._parser.cache_clear()
    monkeypatch.setitem(sys.modules, "cantools.database.can.formats.dbc.dbc_loader", None)
    broken = PUMP.replace("BO_ 336 PumpOrder: 8 VCU", "BO_ 336 PumpOrder 8 VCU !!")
    result = call("check", write_plan(tmp_path, PLAN, pump=broken, vcu=VCU))
    salvage._parser.cache_clear()
    assert result.code == 1
    assert "definition-line-set-aside" in result.out


def test_a_name_lost_with_a_broken_line_leads_to_the_line(call: Call, tmp_path: Path) -> None:
    broken = PUMP.replace("BO_ 336 PumpOrder: 8 VCU", "BO_ 336 PumpOrder 8 VCU !!")
    plan = PLAN + '[message."loop/PumpOrder"]\njitter_ms = 1\n'
    result = call("check", write_plan(tmp_path, plan, pump=PUMP, vcu=broken))
    refused(result, 'there is no message "loop/PumpOrder"', "may be defined there")
    line = broken.splitlines().index("BO_ 336 PumpOrder 8 VCU !!") + 1
    assert f"vcu.dbc:{line}: a line that cannot be read" in result.err


def test_every_problem_in_one_run_each_on_its_line(call: Call, tmp_path: Path) -> None:
    plan = (
        PLAN.replace("500_000", "0").replace('"free"', '"fre"').replace("[node.vcu]", "[nod.vcu]")
    )
    result = call("check", write_plan(tmp_path, plan, pump=PUMP, vcu=VCU))
    refused(result, "plan.toml:7: network.main.bit_rate", "plan.toml:15:", "plan.toml:19: nod")
    assert len(result.err.splitlines()) == 3


@pytest.mark.parametrize(
    "args", [["load", "--network", "lop"], ["check", "--code", "loads-over-limit"]]
)
def test_a_name_that_is_none(call: Call, tmp_path: Path, args: list[str]) -> None:
    path = write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU)
    refused(call(args[0], path, *args[1:]), "did you mean")


@pytest.mark.parametrize("args", [[], ["--help"], ["check", "--help"], ["load", "--help"]])
def test_help_is_no_error(call: Call, args: list[str]) -> None:
    result = call(*args)
    assert result.code == 0
    assert "busplan" in result.out


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "1e300"])
@pytest.mark.parametrize(
    "args",
    [
        ("cut", "x.log", "--out", "y.log", "--from"),
        ("measure", "x.log", "--window"),
        ("record", "x.log", "-i", "a=virtual:b", "--rotate-mb"),
        ("demo", "--text", "--at"),
        ("replay", "x.log", "--shift"),
    ],
)
def test_a_number_nobody_can_reckon_with(call: Call, args: tuple[str, ...], number: str) -> None:
    result = call(*args, number)
    assert result.code == 3
    assert args[-1] in result.err


def test_every_command_bounds_its_numbers() -> None:
    for name, command in typer.main.get_command(app).commands.items():
        for told in getattr(command, "commands", {name: command}).values():
            assert told.callback.__wrapped__.__code__.co_filename == numbers.__file__, told.name


@pytest.mark.parametrize("text", ["5", "1:x", "nan:5", "5:nan", "0:inf", ""])
def test_a_span_that_is_none(text: str) -> None:
    with pytest.raises(UsageError, match="--span wants A:B"):
        span_ends(text)


def test_what_belongs_together_is_asked_for(call: Call, tmp_path: Path) -> None:
    log = tmp_path / "x.log"
    log.write_text("(1.0) can0 123#00\n(601.0) can0 123#00\n")
    refused(call("replay", log, "--text", "--shift", "5"), "--beside")


def test_a_definition_file_cannot_steer_the_terminal(call: Call, tmp_path: Path) -> None:
    broken = PUMP.replace("BO_ 336 PumpOrder: 8 VCU", "BO_ 336 \x1b[2JPumpOrder\x07 8 VCU !!")
    result = call("check", write_plan(tmp_path, PLAN, pump=broken, vcu=VCU))
    assert "definition-line-set-aside" in result.out
    assert "\x1b" not in result.out + result.err
    assert "\x07" not in result.out + result.err


ODD = """VERSION ""

BU_: ODD

BO_ 291 Odd: 8 ODD
 SG_ Drift : 0|32@1- (1,0) [-10|10] "V" ODD
 SG_ Huge : 32|16@1+ (1E+308,0) [0|0] "" ODD
 SG_ Beyond : 60|16@1+ (1,0) [0|0] "" ODD

VAL_ 291 Huge 1 "one" ;
SIG_VALTYPE_ 291 Drift : 1;
"""
"""A floating-point signal, one that overflows, and one that ends behind its message."""
ODD_PLAN = """[network.a]
bit_rate = 500_000
channels = ["can0"]
[part.odd]
definitions = "odd.dbc"
sender = "ODD"
bit_rates = [500_000]
[node.odd]
part = "odd"
on = ["a"]
[message."a/Odd"]
cycle_ms = 10
"""


@pytest.mark.parametrize(
    "args",
    [
        ("bench", "odd", "--plan", "plan.toml", "--capture", "x.log", "--record", "r", "--json"),
        ("decode", "x.log", "--plan", "plan.toml", "--out", "x.csv", "--json"),
        ("replay", "x.log", "--plan", "plan.toml", "--screen", "messages", "--json"),
        ("survey", "x.log", "--plan", "plan.toml", "--json"),
        ("simulate", "plan.toml", "--seconds", "0.2", "--json"),
    ],
    ids=lambda args: args[0],
)
def test_numbers_that_are_none_on_the_bus(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(ODD_PLAN)
    Path("odd.dbc").write_text(ODD)
    # IEEE 754: 0x7FC00000 is a NaN, 0x7F800000 infinite; as sent, low byte first.
    sent = ("0000C07FFFFF0000", "0000807F01000000", "0000803F02000000") * 5
    lines = [f"({i / 100:.6f}) can0 123#{payload}" for i, payload in enumerate(sent)]
    Path("x.log").write_text("\n".join(lines) + "\n")
    result = call(*args)
    assert result.code in (0, 1, 2)
    told = json.loads(result.out)
    if args[0] == "bench":
        (file,) = Path("r").glob("*.json")
        drift, *_ = json.loads(file.read_text())["messages"][0]["signals"]
        assert (drift["lowest"], drift["highest"]) == (1.0, 1.0)
        assert told["messages"]


@pytest.mark.parametrize("out", ["/", "", ".", ".."])
def test_a_recording_needs_a_file_name(call: Call, out: str) -> None:
    result = call("record", out, "-i", "a=virtual:none", "--seconds", "0.1")
    assert result.code == 3
    assert len([t for t in result.err.splitlines() if t.startswith("busplan: ")]) == 1


def test_a_signed_hexadecimal_number_has_a_hint(call: Call, tmp_path: Path) -> None:
    plan = PLAN + "identifier_offset = -0x1_0\n"
    refused(call("check", write_plan(tmp_path, plan, pump=PUMP, vcu=VCU)), "write -16")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90", 90), ("1:30", 90), ("0:01:30.5", 90.5), ("-1:00", -60), (" 2 s", 2)],
)
def test_a_moment_is_written_the_same_way_everywhere(text: str, seconds: float) -> None:
    assert moment(text) == seconds
    assert parse_moment(text, 0, 10**15) == max(round(seconds * 1e9), 0) or text[0] == "-"
    assert span_ends(f"{text}..1:40:00") == (seconds, 6000)


@pytest.mark.parametrize("text", ["", "x", "1:2:3:4", "1:", ":30", "1 30"])
def test_a_moment_that_is_none(text: str) -> None:
    with pytest.raises(UsageError, match="no moment"):
        moment(text)


def test_moments_of_commands(call: Call, tmp_path: Path) -> None:
    log = tmp_path / "x.log"
    log.write_text("".join(f"({i}.0) can0 123#00\n" for i in range(200)))
    assert (
        call("cut", log, "--from", "1:30", "--to", "0:01:40", "--out", tmp_path / "y.log").code == 0
    )
    assert (tmp_path / "y.log").read_text().count("\n") == 10
    assert "0:01:41.0" in call("replay", log, "--at", "1:41", "--text").out
