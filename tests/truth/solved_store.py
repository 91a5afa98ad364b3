"""How solved cells are kept: voltages as differences in steps of 20 uV, compressed."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[Any]]

FOLDER = Path(__file__).parents[1] / "data" / "solved_cells"
STEP_V = 20e-6
PULSE_C = (0.5, 1.0, 2.0)
PULSE_S = (0.1, 1.0, 10.0)
WEAK = (0.95, 0.90, 0.80)
LOSSES = (0.05, 0.10)
LEAKS_MA = (5.0, 10.0, 20.0, 30.0, 60.0, 100.0)


def keep(name: str, volts: Array, step_s: float, **known: Any) -> None:
    """Write voltages ``(cells, n)`` on a uniform grid with whatever is known of them."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    level = np.round(volts / STEP_V).astype(np.int64)
    differences = np.diff(level, axis=1)
    assert np.abs(differences).max() < 2**31
    np.savez_compressed(
        FOLDER / f"{name}.npz",
        first=level[:, 0].astype(np.int32),
        low=(differences & 0xFF).astype(np.uint8),
        high=(differences >> 8).astype(np.int16),
        step_s=step_s,
        **{key: np.asarray(value) for key, value in known.items()},
    )


@cache
def load(name: str) -> dict[str, Array]:
    """The voltages ``volts`` (cells, n) of a file, and what is known of them."""
    with np.load(FOLDER / f"{name}.npz") as kept:
        found = dict(kept)
    differences = (found.pop("high").astype(np.int64) << 8) + found.pop("low")
    first = found.pop("first").astype(np.int64)[:, None]
    level = np.concatenate([first, first + np.cumsum(differences, axis=1)], axis=1)
    return {**found, "volts": level * STEP_V}
