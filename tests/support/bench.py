"""Frames of the demo's charger on the bench, made here without the demo's simulation."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np

from busplan.decode.encode import encode_message
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Stream, Vehicle

PLANS = Path(__file__).parents[2] / "dbc_examples"


@cache
def as_built() -> Vehicle:
    """The demo vehicle (invented)."""
    return load_plan(PLANS / "as_built.toml")


def charger_streams() -> Mapping[str, Stream]:
    """Message name → stream of the charger."""
    return {s.message.name: s for s in as_built().on("charge") if s.node == "charger"}


Row = tuple[int, int, bytes]
"""Time [ns], identifier, payload."""


def charger_rows(seconds: float = 20.0) -> list[Row]:
    """A healthy charger: every message at its cycle time, counters counting, values moving."""
    rows: list[Row] = []
    for shift, stream in enumerate(charger_streams().values()):
        assert stream.cycle is not None
        n = int(seconds * 1e9 // stream.cycle.ns)
        k = np.arange(n)
        values = {}
        for signal in stream.message.signals:
            if signal.selects:
                values[signal.name] = k % 3
            elif "Counter" in signal.name:
                values[signal.name] = k % (1 << signal.length)
            else:
                low = float(signal.minimum or 0)
                values[signal.name] = low + (k % 5) * float(signal.scale)
        payloads = encode_message(stream.message, values, n)
        rows += [
            (int(i) * stream.cycle.ns + shift * 1_000_000, stream.message.identifier, p.tobytes())
            for i, p in zip(k, payloads, strict=True)
        ]
    return sorted(rows)


def table_of(rows: list[Row], network: str = "charge", start_ns: int = 10**18) -> FrameTable:
    """Rows as a frame table of one network with 29-bit identifiers."""
    rows = sorted(rows)
    return FrameTable.from_columns(
        [network],
        np.array([start_ns + r[0] for r in rows]),
        np.zeros(len(rows)),
        [r[1] for r in rows],
        np.full(len(rows), EXTENDED),
        [len(r[2]) for r in rows],
        np.frombuffer(b"".join(r[2] for r in rows), np.uint8),
    )
