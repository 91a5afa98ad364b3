"""Plan files with small definition files beside them, for tests of reading and checking plans."""

from collections.abc import Mapping, Sequence
from pathlib import Path

SIGNAL = ' SG_ {name} : {start}|{length}@1+ ({scale},0) [0|0] "{unit}" {receivers}'


def signal(
    name: str,
    start: int = 0,
    length: int = 8,
    *,
    scale: float = 1,
    unit: str = "",
    to: str = "Vector__XXX",
) -> str:
    """One little-endian signal line of a DBC; ``to`` names receivers."""
    return SIGNAL.format(
        name=name, start=start, length=length, scale=scale, unit=unit, receivers=to
    )


def message(
    identifier: int,
    name: str,
    sender: str,
    *signals: str,
    length: int = 8,
    extended: bool = False,
) -> str:
    """One message of a DBC with its signal lines."""
    number = identifier | (1 << 31 if extended else 0)
    return "\n".join([f"BO_ {number} {name}: {length} {sender}", *signals]) + "\n"


def dbc(nodes: Sequence[str], *messages: str, cycles: Mapping[int, int] | None = None) -> str:
    """A DBC text; ``cycles`` maps identifiers to cycle times [ms]."""
    lines = ['VERSION ""', "NS_ :", "BS_:", f"BU_: {' '.join(nodes)}", *messages]
    if cycles:
        lines.append('BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;')
        lines.append('BA_DEF_DEF_ "GenMsgCycleTime" 0;')
        lines += [f'BA_ "GenMsgCycleTime" BO_ {i} {ms};' for i, ms in cycles.items()]
    return "\n".join(lines) + "\n"


def write_plan(folder: Path, plan: str, **definitions: str) -> Path:
    """Write ``plan.toml`` and one ``NAME.dbc`` for each keyword; the plan's path."""
    for name, text in definitions.items():
        (folder / f"{name}.dbc").write_text(text, "utf-8")
    path = folder / "plan.toml"
    path.write_text(plan, "utf-8")
    return path


PUMP = dbc(
    ["PUMP", "VCU"],
    message(0x120, "PumpStatus", "PUMP", signal("PumpSpeed", 0, 16, unit="rpm", to="VCU")),
    message(0x150, "PumpOrder", "VCU", signal("PumpTarget", 0, 16, unit="rpm", to="PUMP")),
    cycles={0x120: 100, 0x150: 50},
)
VCU = dbc(
    ["VCU", "PUMP"],
    message(0x150, "PumpOrder", "VCU", signal("PumpTarget", 0, 16, unit="rpm", to="PUMP")),
    message(0x120, "PumpStatus", "PUMP", signal("PumpSpeed", 0, 16, unit="rpm", to="VCU")),
    cycles={0x120: 100, 0x150: 50},
)
PLAN = """\
[vehicle]
name = "Test bench"
[network.loop]
bit_rate = 250_000
channels = ["can0"]
[network.main]
bit_rate = 500_000
[part.pump]
definitions = "pump.dbc"
sender = "PUMP"
identifiers = [0x0, 0x10]
[part.vcu]
definitions = "vcu.dbc"
sender = "VCU"
identifiers = "free"
[node.pump]
part = "pump"
on = ["loop"]
[node.vcu]
part = "vcu"
on = ["loop"]
"""
"""A valid plan of two parts; files ``pump`` and ``vcu``."""
