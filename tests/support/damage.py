"""Damage as disks, links and copies do it, to the bytes of a file of any format."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from support.command import busplan


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """The bytes after one to three damages: flipped, cut, zeroed, lost, doubled or swapped."""
    for _ in range(int(rng.integers(1, 4))):
        if not data:
            break
        at = int(rng.integers(len(data)))
        size = int(rng.integers(1, max(2, len(data) // 8)))
        kind = int(rng.integers(7))
        if kind == 0:
            data = data[:at] + bytes([data[at] ^ 1 << int(rng.integers(8))]) + data[at + 1 :]
        elif kind == 1:
            data = data[:at]
        elif kind == 2:
            data = data[:at] + bytes(min(size, len(data) - at)) + data[at + size :]
        elif kind == 3:
            data = data[:at] + data[at + size :]
        elif kind == 4:
            data = data[: at + size] + data[at:]
        elif kind == 5:
            data = data[:at] + data[at + size : at + 2 * size] + data[at : at + size]
        else:
            data = data[:at] + rng.bytes(size) + data[at:]
    return data


def untold(path: Path, whole: int) -> str:
    """What is wrong with how ``measure`` takes a damaged capture of ``whole`` frames; else ``""``.

    It may be refused with one error; frames may only be missing when something is said about it.
    """
    run = busplan("measure", path, "--no-cache", "--json")
    if "Traceback" in run.err:
        return "traceback"
    if run.code == 3:
        told = [line for line in run.err.splitlines() if line.startswith("busplan: ")]
        return "" if len(told) == 1 else f"{len(told)} errors"
    if run.code not in (0, 1, 2):
        return f"exit {run.code}"
    said = json.loads(run.out)
    frames = sum(s["frames"] for s in said["capture"]["sources"])
    return "" if frames >= whole or said["findings"] else f"{whole - frames} frames untold"
