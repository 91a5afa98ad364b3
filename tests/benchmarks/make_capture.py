"""Make a large text log: five busy networks, 10,000 frames a second in all (invented traffic).

    python tests/benchmarks/make_capture.py big.log --seconds 3600

:func:`write_plan` writes a plan for it, with a pack of 22 cells and sensors on the second network.
An hour gives 36 million frames, about 1.7 GB. Payloads hold a counter and slow ramps, so that
stuff bits and compression are neither best nor worst case.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from busplan.capture.textlog import textlog_lines
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import FrameTable

S = 10**9
START_NS = 1_700_000_000 * S
PERIODS_MS = [5] * 6 + [10] * 5 + [20] * 4 + [50] * 3 + [100] * 4
"""Periods of the messages of one network: 2,000 frames a second."""
NETWORKS = ("can0", "can1", "can2", "can3", "can4")


def block(second: int, seconds: int, rng: np.random.Generator) -> FrameTable:
    """``seconds`` seconds of traffic in time order."""
    times, networks, identifiers, flags, counters = [], [], [], [], []
    for network in range(len(NETWORKS)):
        for number, period_ms in enumerate(PERIODS_MS):
            period = period_ms * 1_000_000
            n = seconds * S // period
            count = np.arange(n) + second * S // period
            jitter = rng.integers(0, period // 20, n)
            times.append(count * period + number * 137_000 + jitter)
            networks.append(np.full(n, network, np.uint16))
            extended = network in (1, 2)
            base = 0x18FF0000 if extended else 0x100
            identifiers.append(np.full(n, base + number * 16 + network, np.uint32))
            flags.append(np.full(n, EXTENDED * extended, np.uint8))
            counters.append(count)
    time_ns = np.concatenate(times)
    order = np.argsort(time_ns, kind="stable")
    count = np.concatenate(counters)[order]
    payload = np.empty((len(order), 8), np.uint8)
    payload[:, 0] = count
    payload[:, 1:3] = (count // 16 & 0xFFFF).astype(">u2").view(np.uint8).reshape(-1, 2)
    payload[:, 3:5] = (30_000 + count // 100 % 1000).astype("<u2").view(np.uint8).reshape(-1, 2)
    payload[:, 5] = 0x3C
    payload[:, 6] = 0
    payload[:, 7] = rng.integers(0, 256, len(order), np.uint8)
    return FrameTable.from_columns(
        NETWORKS,
        START_NS + time_ns[order] // 1000 * 1000,
        np.concatenate(networks)[order],
        np.concatenate(identifiers)[order],
        np.concatenate(flags)[order],
        np.full(len(order), 8),
        payload.reshape(-1),
    )


def make(path: Path, seconds: int) -> int:
    """Write the log; return the number of frames."""
    rng = np.random.default_rng(20)
    frames = 0
    with path.open("wb") as out:
        for second in range(0, seconds, 20):
            table = block(second, min(20, seconds - second), rng)
            for text in textlog_lines(table, digits=6):
                out.write(text)
            frames += len(table)
    return frames


def write_plan(folder: Path) -> Path:
    """A plan and its definitions for such a capture, in ``folder``; the plan's path."""
    parts, networks = [], []
    for network in range(len(NETWORKS)):
        extended = network in (1, 2)
        base = 0x18FF0000 | 1 << 31 if extended else 0x100
        lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: BOARD"]
        for number in range(len(PERIODS_MS)):
            lines += [
                f"BO_ {base + number * 16 + network} State{number + 1}: 8 BOARD",
                ' SG_ Counter : 0|8@1+ (1,0) [0|255] "" Vector__XXX',
                ' SG_ Distance : 15|16@0+ (1,0) [0|65535] "m" Vector__XXX',
                f' SG_ CellVoltage{number + 1:02} : 24|16@1+ (0.0001,0) [0|5] "V" Vector__XXX',
                f' SG_ Temperature{number + 1} : 40|8@1+ (0.5,0) [0|120] "degC" Vector__XXX',
                "",
            ]
        lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;']
        for number, period_ms in enumerate(PERIODS_MS):
            identifier = base + number * 16 + network
            lines.append(f'BA_ "GenMsgCycleTime" BO_ {identifier} {period_ms};')
        (folder / f"board_{network}.dbc").write_text("\n".join([*lines, ""]), "utf-8")
        networks.append(
            f"[network.n{network}]\nbit_rate = 500_000\nload_limit = 0.8\n"
            f'channels = ["{NETWORKS[network]}"]\n'
        )
        parts.append(
            f'[part.board_{network}]\nmaker = "invented"\ndefinitions = "board_{network}.dbc"\n'
            f'sender = "BOARD"\n[node.board_{network}]\npart = "board_{network}"\n'
            f'on = ["n{network}"]\n'
        )
    modules = ", ".join(f'"A{n + 1}"' for n in range(len(PERIODS_MS) // 2))
    pack = (
        '[pack]\nchemistry = "NMC"\nnetwork = "n1"\n[[pack.enclosure]]\nname = "A"\n'
        f'node = "board_1"\nmodules = [{modules}]\ncells_per_module = 2\n'
        'sensors_per_module = 2\ncells = "CellVoltage{n:02}"\nsensors = "Temperature{n}"\n'
    )
    plan = folder / "made_plan.toml"
    head = '[vehicle]\nname = "Made"\ninvented = true\n'
    plan.write_text("\n".join([head, *networks, *parts, pack]), "utf-8")
    return plan


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("path", type=Path)
    parser.add_argument("--seconds", type=int, default=3600)
    asked = parser.parse_args()
    print(f"{make(asked.path, asked.seconds):,} frames, {asked.path.stat().st_size:,} bytes")
