"""Input made to hang a reader or to eat the machine: each case writes files and names the call."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from support.cart import DBC, PLAN

Case = Callable[[Path, int], Sequence[str]]
"""Writes into a folder at a size; returns the call."""

LOG = "(1.000000) can0 010#0102\n(1.100000) can0 010#0103\n"
PACK = """[pack]
chemistry = "NMC"
[[pack.enclosure]]
name = "a"
node = "wheel"
modules = ["A1"]
cells_per_module = 2
cells = "{pattern}"
"""


def _files(folder: Path, plan: str = PLAN, dbc: str = DBC, log: str = LOG) -> None:
    (folder / "plan.toml").write_text(plan, "utf-8")
    (folder / "wheel.dbc").write_text(dbc, "utf-8")
    (folder / "x.log").write_text(log, "utf-8")


def circle(folder: Path, size: int) -> Sequence[str]:
    """``size`` selectors, each there only with the next one, the last with the first."""
    lines = [f' SG_ S{i} m0M : {i % 16}|1@1+ (1,0) [0|0] "" X' for i in range(size)]
    said = [f"SG_MUL_VAL_ 16 S{i} S{(i + 1) % size} 0-0;" for i in range(size)]
    _files(folder, dbc="\n".join([DBC, *lines, "", *said, ""]))
    return "decode", "x.log", "--plan", "plan.toml"


def chain(folder: Path, size: int) -> Sequence[str]:
    """Selectors nested ``size`` deep."""
    lines = [f' SG_ S{i} m0M : {i % 16}|1@1+ (1,0) [0|0] "" X' for i in range(size)]
    said = [f"SG_MUL_VAL_ 16 S{i} S{i + 1} 0-0;" for i in range(size - 1)]
    _files(folder, dbc="\n".join([DBC, *lines, "", *said, ""]).replace(f"S{size - 1} m0M", "Top M"))
    return "decode", "x.log", "--plan", "plan.toml"


def pages(folder: Path, size: int) -> Sequence[str]:
    """A message of ``size`` multiplexed pages."""
    lines = [f' SG_ P{i} m{i} : 16|8@1+ (1,0) [0|0] "" X' for i in range(size)]
    top = ' SG_ Page M : 0|16@1+ (1,0) [0|0] "" X'
    dbc = "\n".join([*DBC.replace("Wheel: 2", "Wheel: 3").splitlines()[:3], top, *lines, ""])
    log = "".join(
        f"({i / 100:.6f}) can0 010#{i % 256:02X}{i // 256 % 256:02X}00\n" for i in range(2000)
    )
    _files(folder, dbc=dbc, log=log)
    return "decode", "x.log", "--plan", "plan.toml", "--out", "v.csv"


def lost_pages(folder: Path, size: int) -> Sequence[str]:
    """``size`` multiplexed signals that no selector goes with."""
    lines = [f' SG_ P{i} m{i} : 16|8@1+ (1,0) [0|0] "" X' for i in range(size)]
    _files(folder, dbc="\n".join([DBC, *lines, ""]))
    return "check", "plan.toml"


def alike(folder: Path, size: int) -> Sequence[str]:
    """``size`` messages of one identifier."""
    more = [f'BO_ 100 M{i}: 8 WHEEL\n SG_ A{i} : 0|16@1+ (1,0) [0|0] "V" X\n' for i in range(size)]
    _files(folder, dbc=DBC + "\n".join(more))
    return "check", "plan.toml"


def comment(folder: Path, size: int) -> Sequence[str]:
    """A comment of ``size`` characters."""
    _files(folder, dbc=f'{DBC}\nCM_ BO_ 16 "{"long " * (size // 5)}";\n')
    return "check", "plan.toml"


def values(folder: Path, size: int) -> Sequence[str]:
    """``size`` names of values for one signal."""
    named = " ".join(f'{i} "v{i}"' for i in range(size))
    _files(folder, dbc=f"{DBC}\nVAL_ 16 Speed {named} ;\n")
    return "check", "plan.toml"


def definitions(folder: Path, size: int) -> Sequence[str]:
    """A sound file of ``size`` messages."""
    more = [
        f'BO_ {i + 0x80000100} M{i}: 8 WHEEL\n SG_ A{i} : 0|16@1+ (1,0) [0|0] "V" X\n'
        for i in range(size)
    ]
    _files(folder, dbc=DBC + "\n".join(more))
    return "check", "plan.toml"


def torn(folder: Path, size: int) -> Sequence[str]:
    """A definition file of ``size`` lines that are none."""
    _files(folder, dbc=DBC + 'BO_ x "\n' * size)
    return "check", "plan.toml"


def pattern(folder: Path, size: int) -> Sequence[str]:
    """A counter of ``size`` digits."""
    _files(folder, PLAN + PACK.format(pattern=f"Speed{{n:{size}}}"))
    return "check", "plan.toml"


def stars(folder: Path, size: int) -> Sequence[str]:
    """A selector of ``size`` asterisks, which a regular expression would try in all ways."""
    _files(folder, PLAN)
    return "decode", "x.log", "--plan", "plan.toml", "--signal", "*a" * size + "b"


def nested(folder: Path, size: int) -> Sequence[str]:
    """An array in ``size`` arrays."""
    _files(folder, f"x = {'[' * size}{']' * size}\n{PLAN}")
    return "check", "plan.toml"


def dotted(folder: Path, size: int) -> Sequence[str]:
    """A key of ``size`` names."""
    _files(folder, f"{'a.' * size}b = 1\n{PLAN}")
    return "check", "plan.toml"


def networks(folder: Path, size: int) -> Sequence[str]:
    """A plan of ``size`` networks."""
    more = "".join(f"[network.n{i}]\nbit_rate = 500_000\n" for i in range(size))
    _files(folder, PLAN + more)
    return "load", "plan.toml"


def blank_lines(folder: Path, size: int) -> Sequence[str]:
    """Gzipped blank lines, ``size`` of them, called ASC."""
    with gzip.open(folder / "x.asc.gz", "wb", compresslevel=9) as file:
        file.write(b"date Thu Jan 1 00:00:00 1970\nbase hex timestamps absolute\n")
        for first in range(0, size, 1 << 20):
            file.write(b"\n" * min(1 << 20, size - first))
        file.write(b"1.000000 1 123 Rx d 2 01 02\n")
    return "measure", "x.asc.gz"


def identifiers(folder: Path, size: int) -> Sequence[str]:
    """A capture of ``size`` different identifiers."""
    with (folder / "x.log").open("w") as file:
        for i in range(size):
            file.write(f"({i / 1000:.6f}) can0 {i + 0x100000:08X}#01\n")
    return "survey", "x.log"


def channels(folder: Path, size: int) -> Sequence[str]:
    """A capture of ``size`` channels."""
    lines = "".join(f"({i / 1000:.6f}) c{i} 123#01\n" for i in range(size))
    (folder / "x.log").write_text(lines)
    return "measure", "x.log"


def device(folder: Path, size: int) -> Sequence[str]:
    """A plan that never ends."""
    (folder / "plan.toml").symlink_to("/dev/zero")
    return "check", "plan.toml"


def device_definitions(folder: Path, size: int) -> Sequence[str]:
    """Definitions that never end."""
    _files(folder)
    (folder / "wheel.dbc").unlink()
    (folder / "wheel.dbc").symlink_to("/dev/zero")
    return "check", "plan.toml"


def pipe(folder: Path, size: int) -> Sequence[str]:
    """A plan that is a pipe nobody writes to."""
    os.mkfifo(folder / "plan.toml")
    return "check", "plan.toml"


def pipe_definitions(folder: Path, size: int) -> Sequence[str]:
    """Definitions that are a pipe nobody writes to."""
    _files(folder)
    (folder / "wheel.dbc").unlink()
    os.mkfifo(folder / "wheel.dbc")
    return "check", "plan.toml"


def pipe_capture(folder: Path, size: int) -> Sequence[str]:
    """A capture that is a pipe nobody writes to."""
    os.mkfifo(folder / "x.log")
    return "measure", "x.log"


def large_plan(folder: Path, size: int) -> Sequence[str]:
    """A plan of ``size`` bytes."""
    _files(folder, PLAN + "#" * size)
    return "check", "plan.toml"


def large_definitions(folder: Path, size: int) -> Sequence[str]:
    """Definitions of ``size`` bytes that say nothing."""
    _files(folder, dbc=DBC + "\n" * size)
    return "check", "plan.toml"


def long_message(folder: Path, size: int) -> Sequence[str]:
    """``size`` signals at the end of the longest message there can be."""
    lines = [f' SG_ S{i} : 524200|8@1+ (1,0) [0|0] "" X' for i in range(size)]
    _files(folder, dbc="\n".join([DBC.replace("Wheel: 2", "Wheel: 65535"), *lines, ""]))
    return "check", "plan.toml"


def texts(folder: Path, size: int) -> Sequence[str]:
    """``size`` text signals that each fill a long message."""
    lines = [f' SG_ T{i} : 8|524000@1+ (1,0) [0|0] "" X' for i in range(size)]
    _files(folder, dbc="\n".join([DBC.replace("Wheel: 2", "Wheel: 65535"), *lines, ""]))
    return "decode", "x.log", "--plan", "plan.toml", "--out", "v.csv"


def wide_table(folder: Path, size: int) -> Sequence[str]:
    """A CSV capture whose every line has ``size`` columns."""
    line = "0.1,00A,00" + "," * size
    (folder / "x.csv").write_text("time,id,data" + "," * size + "\n" + f"{line}\n" * 20, "utf-8")
    return "measure", "x.csv"


def long_cells(folder: Path, size: int) -> Sequence[str]:
    """A CSV capture whose every payload has ``size`` digits, in quotes."""
    rows = "".join(f'"0.{i:02}","00A","{"00" * (size // 2)}"\n' for i in range(20))
    (folder / "x.csv").write_text(f"time,id,data\n0.0,00A,00\n{rows}", "utf-8")
    return "measure", "x.csv"


def values_alike(folder: Path, size: int) -> Sequence[str]:
    """A bench test of a message with ``size`` values alike, laid over each other."""
    lines = [f' SG_ Same{i} : 0|16@1+ (1,0) [0|0] "V" X' for i in range(size)]
    log = "".join(f"({1 + i / 10:.6f}) can0 010#{i % 256:02X}02\n" for i in range(300))
    _files(folder, dbc="\n".join([DBC, *lines, ""]), log=log)
    part = ("--part", "wheel.dbc", "--bit-rate", "500000")
    return "bench", "WHEEL", *part, "--capture", "x.log"


CASES: dict[str, tuple[Case, int, int]] = {
    "circular multiplexing": (circle, 3, 2_000),
    "selectors nested deep": (chain, 300, 2_000),
    "multiplexed pages": (pages, 300, 10_000),
    "pages without a selector": (lost_pages, 300, 10_000),
    "messages of one identifier": (alike, 100, 3_000),
    "a long comment": (comment, 300_000, 9_900_000),
    "many names of values": (values, 2_000, 65_536),
    "many messages": (definitions, 200, 5_000),
    "many lines that are none": (torn, 300, 20_000),
    "a counter of many digits": (pattern, 999_999_999, 999_999_999),
    "a selector of many asterisks": (stars, 30, 2_000),
    "TOML nested deep": (nested, 3_000, 100_000),
    "a key of many names": (dotted, 3_000, 1_000_000),
    "many networks": (networks, 200, 5_000),
    "blank lines, gzipped": (blank_lines, 200_000, 16_000_000),
    "many identifiers": (identifiers, 1_000, 4_000_000),
    "many channels": (channels, 300, 60_000),
    "signals of a long message": (long_message, 1_100, 200_000),
    "texts of a long message": (texts, 30, 200_000),
    "values alike on the bench": (values_alike, 2_000, 10_000),
    "a table of many columns": (wide_table, 2_000, 3_000_000),
    "a table of long cells": (long_cells, 20_000, 3_000_000),
    "a device as plan": (device, 0, 0),
    "a device as definitions": (device_definitions, 0, 0),
    "a pipe as plan": (pipe, 0, 0),
    "a pipe as definitions": (pipe_definitions, 0, 0),
    "a pipe as capture": (pipe_capture, 0, 0),
    "a large plan": (large_plan, 100_000, 500_000_000),
    "large definitions": (large_definitions, 100_000, 500_000_000),
}
"""Name → the case, its size in the suite and in the benchmark."""
