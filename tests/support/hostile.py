"""Texts that steer terminals and a plan, definitions and a capture full of them."""

import json
from pathlib import Path

from busplan.wording import disarmed, escaped

EVIL = "\x1b]0;owned\x07\x1b[31m\x9b2J\u202e\u2066\u200b\u2028\x85busplan: all fine"
"""Title, colour and clearing of a terminal (ECMA-48, C0 and C1), changes of direction and unseen
characters (Unicode, UAX 9), and ends of lines as Unicode and C1 know them."""
NAME = "\x1b]0;x\x07\x1b[31m\x9b2J\u202e\u2066\u200b"
"""The same where no blank may stand."""
LINE = f"{EVIL}\nnode: fine <b>*\\"
"""What an argument or a text of the plan can hold besides."""

DBC = f"""VERSION ""

BU_: ODD OTHER

BO_ 291 Odd: 8 ODD
 SG_ Drift : 0|16@1+ (0.001,0) [0|10] "V" OTHER
 SG_ Drift2 : 16|16@1+ (0.001,0) [0|10] "V" OTHER
 SG_ State : 32|8@1+ (1,0) [0|0] "V{EVIL}" OTHER
BO_ 293 Texts: 24 ODD
 SG_ Name : 0|192@1+ (1,0) [0|0] "" OTHER
BO_ 292 Odd{EVIL}: 8 ODD
 SG_ Bad{EVIL} : 0|16@1- (1,0) [-10|10] "V" OTHER

CM_ BO_ 291 "message {EVIL} says";
CM_ SG_ 291 Drift "signal {LINE} says";
VAL_ 291 State 1 "one {EVIL}" 2 "two {EVIL}" ;
"""
NODE, NETWORK, CHANNEL = f"odd{NAME}", f"a{NAME}", "can\x9b2J\u202e\u200b"
PLAN = """
[vehicle]
name = {vehicle}
[network.{network}]
bit_rate = 500_000
channels = [{channel}]
[part.{node}]
maker = {vehicle}
definitions = {file}
sender = "ODD"
bit_rates = [500_000]
[node.{node}]
part = {node}
on = [{network}]
[message.{message}]
cycle_ms = 10
[[behaviour]]
name = {behaviour}
always = {{ signal = "Odd/Drift", between = [0.0, 10.0] }}
note = {vehicle}
source = {vehicle}
[[test]]
ready = "all"
[pack]
chemistry = "NMC"
network = {network}
[[pack.enclosure]]
name = {node}
node = {node}
modules = [{node}]
cells_per_module = 2
cells = ["Odd/Drift", "Odd/Drift2"]
"""
TABLE = f"t{EVIL}.csv"
"""A CSV capture whose headings and channels are hostile, too."""
TOLD = f"time=when{NAME},id=who:hex,bus=where,data=what"
LOG, PLAN_FILE = f"x{EVIL}.log", f"plan{EVIL}.toml"


def write_files(folder: Path) -> None:
    quoted = {
        "vehicle": LINE, "network": NETWORK, "channel": CHANNEL, "node": NODE,
        "behaviour": f"odd{NAME}", "file": f"odd{EVIL}.dbc", "message": f"{NETWORK}/Odd",
    }  # fmt: skip
    (folder / f"odd{EVIL}.dbc").write_text(DBC, "utf-8")
    plan = PLAN.format_map({k: escaped(json.dumps(v)) for k, v in quoted.items()})
    (folder / PLAN_FILE).write_text(plan, "utf-8")
    lines = [f"({i / 100:.6f}) {CHANNEL} 123#740E750E0{i % 3}000000\n" for i in range(300)]
    lines += [f"(3.0{i}0000) {CHANNEL}2 7FF#\n" for i in range(9)] + [f"{EVIL}\n"]
    said = "\x1b[31m\x9b2J owned".encode("latin-1").ljust(24).hex()
    lines += [f"(3.2{i}0000) {CHANNEL} 125##0{said}\n" for i in range(9)]
    lines += [f"(3.3{i}0000) {CHANNEL} 125##0{'ad'.join(['41'] * 12)}4142\n" for i in range(9)]
    (folder / LOG).write_text("".join(lines), "utf-8")
    rows = [f"{i / 100:.2f},123,{CHANNEL},740E750E0{i % 3}000000\n" for i in range(300)]
    table = f"when{NAME},who,where,what\n{''.join(rows)}{EVIL}\n"
    (folder / TABLE).write_text(table, "utf-8")


def steering(text: str) -> str:
    """The characters of a text that do more than show something."""
    return "".join(c for c in text if c != "\n" and (disarmed(c) != c or not c.isprintable()))
