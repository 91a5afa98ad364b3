"""Names that steer terminals, in every place they can stand, through every command."""

import json
import os
import unicodedata
from itertools import pairwise
from pathlib import Path

import pytest
from support.command import Run, busplan
from support.hostile import (
    CHANNEL,
    EVIL,
    LINE,
    LOG,
    NAME,
    NETWORK,
    NODE,
    PLAN_FILE,
    TABLE,
    TOLD,
    steering,
    write_files,
)

from busplan.cli.app import COMMANDS
from busplan.wording import disarmed, escaped

READ = (LOG, "--plan", PLAN_FILE)
BUS = ("-i", f"{NETWORK}=virtual:{EVIL}", "--seconds", "0.1")
BENCH = ("bench", NODE, "--plan", PLAN_FILE)

CALLS: list[tuple[str, ...]] = [
    *((name, PLAN_FILE, *more) for name in ("check", "load", "timing", "cable")
      for more in ((), ("--json",))),
    *((name, PLAN_FILE, "--network", EVIL) for name in ("load", "timing", "cable", "allot")),
    ("allot", PLAN_FILE), ("allot", PLAN_FILE, "--toml"), ("allot", PLAN_FILE, "--json"),
    ("allot", PLAN_FILE, "--out", f"new{EVIL}.toml"), ("allot", PLAN_FILE, "--offsets", EVIL),
    ("check", PLAN_FILE, "--code", EVIL), ("check", EVIL), ("check", PLAN_FILE, EVIL),
    ("check", f"--{EVIL}"), (EVIL,),
    *(("whatif", PLAN_FILE, *change) for change in (
        ("--bit-rate", f"{NETWORK}=250000"), ("--bit-rate", f"{NETWORK}=250000", "--json"),
        ("--bit-rate", f"{EVIL}=250000"), ("--set", EVIL), ("--drop", EVIL),
        ("--bit-rate", f"{NETWORK}=250000", "--out", f"new{EVIL}.toml"))),
    ("propose", ".", "--out", f"first{EVIL}.toml"), ("propose", EVIL),
    ("propose", ".", "--out", "first.toml", "--json"), ("propose", ".", "--plan", PLAN_FILE),
    ("compare", PLAN_FILE, PLAN_FILE), ("compare", PLAN_FILE, PLAN_FILE, "--json"),
    ("compare", EVIL, PLAN_FILE), ("draft", LOG, "--to", f"draft{EVIL}.dbc"),
    ("draft", LOG, "--to", "draft.dbc", "--json"), ("draft", LOG, "--base", EVIL),
    ("sheets", PLAN_FILE, "--to", f"sheets{EVIL}"), ("sheets", EVIL, "--to", "sheets"),
    ("sheets", PLAN_FILE, "--to", "sheets", "--json"), ("schema",), ("schema", EVIL),
    ("simulate", PLAN_FILE, "--seconds", "0.1", "--critical"),
    ("simulate", PLAN_FILE, "--seconds", "0.1", "--json"),
    ("simulate", PLAN_FILE, "--seconds", "0.1", "--out", f"made{EVIL}.log"),
    ("frame", "0x123", "00"), ("frame", EVIL, "00"), ("frame", "0x123", EVIL),
    ("measure", *READ), ("measure", *READ, "--json"), ("measure", f"{EVIL}.log"),
    ("measure", LOG, "--channel", f"{CHANNEL}={NAME}"), ("measure", LOG, "--channel", f"{EVIL}=x"),
    ("measure", LOG, "--bit-rate", f"{EVIL}=1"), ("measure", LOG, "--offset", f"{EVIL}=1"),
    ("measure", TABLE), *(("measure", TABLE, "--columns", told) for told in (TOLD, EVIL)),
    ("survey", TABLE, "--columns", TOLD, "--json"), ("decode", *READ, "--signal", "Name"),
    ("survey", *READ, "--draft", f"drawn{EVIL}.toml"),
    ("survey", LOG, "--draft", f"drawn{EVIL}.dbc"),
    ("survey", *READ), ("survey", *READ, "--json"), ("survey", LOG, "--definitions", EVIL),
    ("decode", *READ), ("decode", *READ, "--layout", "wide"), ("decode", *READ, "--signal", EVIL),
    ("decode", *READ, "--out", f"long{EVIL}.csv", "--json"), ("decode", *READ, "--out", EVIL),
    ("cut", LOG, "--to", "1", "--out", f"cut{EVIL}.log"),
    ("cut", LOG, "--network", EVIL, "--out", "y.log"),
    *(("replay", *READ, "--screen", screen, *more) for more in ((), ("--json",))
      for screen in ("pack", "networks", "messages", "findings", "span", "board", "verdict")),
    ("replay", *READ, "--beside", LOG, "--screen", "pair"), ("replay", *READ, "--at", EVIL),
    ("replay", *READ, "--screen", EVIL), ("replay", *READ, "--span", EVIL),
    ("replay", *READ, "--text", "--filter", EVIL),
    ("alarms", *READ), ("alarms", *READ, "--json"), ("alarms", LOG, "--plan", EVIL),
    ("note", LOG, EVIL, "--at", "0", "--by", EVIL), ("note", LOG), ("note", EVIL, EVIL),
    *(("workbench", *READ, "--identifier", i) for i in ("0x123", f"{EVIL}/0x123", EVIL)),
    ("workbench", *READ, "--identifier", "0x123", "--json"),
    ("play", *READ, "--to", f"virtual:{EVIL}", "--pace", "100"), ("play", LOG, "--to", EVIL),
    ("commission", PLAN_FILE, LOG, "--by", EVIL), ("commission", PLAN_FILE, "--json"),
    ("commission", PLAN_FILE, "--remark", EVIL, "--by", EVIL), ("commission", EVIL),
    ("report", PLAN_FILE, "--to", f"build{EVIL}.html", "--written-by", EVIL), ("report", EVIL),
    ("report", PLAN_FILE, "--to", "build.html", "--json"), ("report", "--verify", EVIL),
    ("pack", *READ), ("pack", *READ, "--json"), ("pack", *READ, "--tables"),
    ("pack", *READ, "--plots", f"plots{EVIL}", "--svg"), ("pack", "--suggest", PLAN_FILE),
    ("behaviour", *READ), ("behaviour", *READ, "--json"), ("behaviour", *READ, "--tables"),
    ("behaviour", *READ, "--only", EVIL), ("behaviour", EVIL, "--plan", PLAN_FILE),
    ("record", f"run{EVIL}.log", "--plan", PLAN_FILE, *BUS), ("record", EVIL, "-i", EVIL),
    ("record", f"kept{EVIL}.log", "-i", f"{CHANNEL}=virtual:{EVIL}", "--seconds", "0.1"),
    ("live", "--plan", PLAN_FILE, *BUS, "--text"), ("live", "--plan", PLAN_FILE, *BUS, "--json"),
    (*BENCH, "--capture", LOG, "--tester", LINE, "--serial", LINE, "--record", f"kept{EVIL}"),
    (*BENCH, "--capture", LOG, "--json", "--tester", LINE), (*BENCH, "--capture", EVIL),
    ("bench", EVIL, "--plan", PLAN_FILE, "--capture", LOG),
    ("fleet", "add", LOG, "--vehicle", "v", "--plan", PLAN_FILE), ("fleet", EVIL),
    ("fleet", "add", LOG, "--vehicle", EVIL, "--plan", PLAN_FILE),
    ("fleet", "judge", "--workers", "0"), ("fleet", "status"), ("fleet", "status", "--json"),
    ("fleet", "judge", "--vehicle", EVIL), ("fleet", "status", "--fleet", EVIL),
    ("fleet", "add", LOG, EVIL, "--together", "--vehicle", "v", "--plan", PLAN_FILE),
    ("fleet", "ask", "load"), ("fleet", "ask", EVIL), ("fleet", "ask", "cell", EVIL),
    ("fleet", "ask", "limit", "Drift", "--above", "0", "--plot", f"limit{EVIL}.svg"),
    ("fleet", "ask", "--sql", EVIL), ("fleet", "ask", "--sql", "SELECT * FROM signals"),
    ("fleet", "ask", "--sql", "SELECT * FROM signals", "--to", f"signals{EVIL}.csv"),
    ("fleet", "forget", EVIL), ("fleet", "tidy"), ("fleet", "forget", LOG),
    ("explain", EVIL), ("manual", EVIL), ("manual", "--to", f"book{EVIL}"),
    ("demo", "--only", EVIL), ("cache",), ("cache", EVIL),
]  # fmt: skip


Told = dict[tuple[str, ...], Run]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("hostile")
    write_files(made)
    return made


@pytest.fixture(scope="module")
def told(folder: Path) -> Told:
    """What every call leaves behind, all in one folder."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        return {call: busplan(*call) for call in CALLS}
    finally:
        os.chdir(before)


def test_every_command_is_walked_and_most_calls_show_the_names(told: Told) -> None:
    assert {call[0] for call in CALLS if call[0] != EVIL} == set(COMMANDS)
    done = {call[0] for call, run in told.items() if run.code < 3 and "�" in run.out + run.err}
    assert done >= set(COMMANDS) - {"frame", "explain", "cache", "demo", "schema"}


def test_nothing_that_is_printed_steers_a_terminal_or_makes_lines_up(told: Told) -> None:
    for call, run in told.items():
        assert run.code in (0, 1, 2, 3), call
        assert "Traceback" not in run.err, call
        assert not steering(run.out + run.err), call
        begins = ("busplan: all fine", "node: fine")
        lines = (run.out + run.err).splitlines()
        made_up = [
            t for full, t in pairwise(["", *lines]) if t.startswith(begins) and len(full) < 75
        ]
        assert not made_up, call  # a long word may go on in the next line


def test_json_says_what_the_file_says(told: Told) -> None:
    for call, run in told.items():
        if "--json" in call and run.code < 3 and call[0] in ("load", "cable", "replay"):
            names = str(json.loads(run.out))
            assert repr(NETWORK)[1:-1] in names or repr(NODE)[1:-1] in names, call


@pytest.mark.usefixtures("told")
def test_what_is_written_steers_nothing_either(folder: Path) -> None:
    made = [
        p
        for p in folder.rglob("*")
        if p.is_file()
        and p.suffix not in (".dbc", ".toml", ".log", ".png")
        and p.name != TABLE
        and (p.suffix == ".sql" or "fleet" not in p.relative_to(folder).parts)  # tables, binary
    ]
    assert {p.suffix for p in made} >= {".json", ".md", ".html", ".csv", ".journal", ".svg"}
    for path in made:
        assert not steering(path.read_text("utf-8-sig")), path.suffix
    (record,) = [p for p in made if p.suffix == ".md"]
    assert not steering(record.name)
    tester = [t for t in record.read_text("utf-8").splitlines() if "tester" in t]
    assert len(tester) == 1
    assert "\\<b\\>\\*\\\\" in tester[0]


def test_whatever_steers_or_hides_is_taken_out_one_for_one() -> None:
    every = "".join(map(chr, range(0x110000)))
    plain = disarmed(every)
    assert len(plain) == len(every)
    kept = {unicodedata.category(c) for c in set(plain)}
    assert not kept & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert all(p in (c, " ", "�") for p, c in zip(plain, every, strict=True))
    usual = "Ladestrom 12,5 µΩ °C – Größe 電流 ток €"
    assert disarmed(usual) == usual == escaped(usual)


def test_an_escaped_document_says_the_same() -> None:
    told = {EVIL: [EVIL + "\U000e0041", "\ud800"]}
    document = escaped(json.dumps(told, ensure_ascii=False, indent=2))
    assert not steering(document)
    assert json.loads(document) == told
