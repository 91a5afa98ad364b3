"""Judgements made without any capture, of packs whose drift is known: for questions, not for runs.

Figures are normal scatter round the truth (all invented); only what questions read is filled in.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Any

import numpy as np
import pyarrow as pa

from busplan.fleet import schema

DAY_NS = 86_400_000_000_000
START_NS = 1_700_000_000_000_000_000
CELLS, MODULES = 96, 12
NETWORKS = ("drive", "pack", "charge", "thermal")
SIGNALS = 40
ERROR = 0.02
"""Standard uncertainty of a resistance over the middle one."""
PLAN = "p" * 64


def _lists(values: Any, width: int) -> pa.Array:
    """An array (n, width) as n lists; a row of ``width`` values stands for all."""
    flat = pa.array(np.ascontiguousarray(values).reshape(-1), from_pandas=True)
    rows = len(flat) // width
    return pa.ListArray.from_arrays(pa.array(np.arange(rows + 1, dtype=np.int32) * width), flat)


def _same(values: list[Any], rows: int) -> pa.Array:
    """The same list in every row."""
    index = np.tile(np.arange(len(values)), rows)
    flat = pa.array(values).take(pa.array(index))
    return pa.ListArray.from_arrays(
        pa.array(np.arange(rows + 1, dtype=np.int32) * len(values)), flat
    )


def _struct(name: str, rows: int, given: dict[str, pa.Array]) -> pa.Array:
    fields = schema.judgements().field(name).type
    width = len(next(iter(given.values()))[0])
    arrays = []
    for field in fields:
        array = given.get(field.name)
        if array is None:
            flat = pa.nulls(rows * width, field.type.value_type)
            offsets = pa.array(np.arange(rows + 1, dtype=np.int32) * width)
            array = pa.ListArray.from_arrays(offsets, flat)
        arrays.append(array.cast(field.type))
    return pa.StructArray.from_arrays(arrays, fields=list(fields))


def judgements(
    vehicle: str,
    captures: int,
    seed: int,
    *,
    days: float = 1095.0,
    drift: dict[int, float] | None = None,
) -> pa.Table:
    """One vehicle's judgements; ``drift``: cell → growth of its resistance over all days."""
    rng = np.random.default_rng(seed)
    at = np.sort(rng.uniform(0, days, captures))
    start_ns = START_NS + (at * DAY_NS).astype(np.int64)
    against = rng.normal(0, 0.015, CELLS) + rng.normal(0, ERROR, (captures, CELLS))
    for cell, growth in (drift or {}).items():
        against[:, cell - 1] += growth * at / days
    half = 1.96 * ERROR
    exchange = 1 + rng.normal(0, 0.05, (captures, MODULES))
    cells = {
        "cell": _same(list(range(1, CELLS + 1)), captures),
        "module": _same([f"M{n // 8 + 1}" for n in range(CELLS)], captures),
        "against_peers": _lists(against, CELLS),
        "against_peers_low": _lists(against - half, CELLS),
        "against_peers_high": _lists(against + half, CELLS),
        "deviation_mv": _lists(rng.normal(0, 3, (captures, CELLS)), CELLS),
    }
    modules = {
        "module": _same([f"M{n + 1}" for n in range(MODULES)], captures),
        "exchange": _lists(exchange, MODULES),
        "exchange_low": _lists(exchange - 0.05, MODULES),
        "exchange_high": _lists(exchange + 0.15, MODULES),
    }
    width = len(NETWORKS)
    peak = rng.uniform(0.1, 0.6, (captures, width))
    loads = {
        "network": _same(list(NETWORKS), captures),
        "mean": _lists(peak * 0.8, width),
        "peak": _lists(peak, width),
        "peak_at_ns": _lists(np.repeat(start_ns + 10**9, width), width),
        "limit": _lists(np.full((captures, width), 0.5), width),
    }
    found = rng.uniform(0, 1, captures) < 0.1
    codes = [["cell-resistance-high"] if f else ["voltage-spread"] for f in found.tolist()]
    findings = {
        "code": pa.array(codes),
        "weight": _same(["caution"], captures),
        "network": _same(["pack"], captures),
        "node": _same(["monitor_a"], captures),
        "message": _same(["CellVoltages1"], captures),
        "signal": _same(["CellVoltage01"], captures),
    }
    low = rng.normal(20, 5, (captures, SIGNALS))
    stats = {
        "signal": _same([f"pack/monitor_a/Made/Signal{n:02}" for n in range(SIGNALS)], captures),
        "unit": _same(["V"] * SIGNALS, captures),
        "n": _lists(np.full((captures, SIGNALS), 1000), SIGNALS),
        "min": _lists(low, SIGNALS),
        "min_at_ns": _lists(np.repeat(start_ns, SIGNALS), SIGNALS),
        "max": _lists(low + 10, SIGNALS),
        "max_at_ns": _lists(np.repeat(start_ns + 5 * 10**9, SIGNALS), SIGNALS),
        "mean": _lists(low + 5, SIGNALS),
    }
    names = [f"{vehicle}-{n:06}" for n in range(captures)]
    plain: dict[str, Any] = {
        "run_key": [sha256(f"run {name}".encode()).hexdigest() for name in names],
        "capture_id": [sha256(name.encode()).hexdigest() for name in names],
        "plan_id": [PLAN] * captures,
        "engine": np.full(captures, 1, np.int32),
        "vehicle": [vehicle] * captures,
        "uri": [f"/made/{name}.log" for name in names],
        "dated": np.ones(captures, bool),
        "start_ns": start_ns,
        "span_s": np.full(captures, 600.0),
        "frames": np.full(captures, 600_000),
        "asked_test": [""] * captures,
        "test": ["drive"] * captures,
        "state": ["judged"] * captures,
        "answer": ["bad" if f else "good" for f in found.tolist()],
        "verdict": ["made"] * captures,
        "weight": ["caution"] * captures,
        "judged_ns": start_ns,
        "temperature_max_c": rng.normal(35, 5, captures),
    }
    parts = {
        "cells": cells,
        "modules": modules,
        "loads": loads,
        "findings": findings,
        "stats": stats,
    }
    columns = []
    for field in schema.judgements():
        if field.name in parts:
            columns.append(_struct(field.name, captures, parts[field.name]))
        elif field.name in plain:
            columns.append(pa.array(plain[field.name]).cast(field.type))
        else:
            columns.append(pa.nulls(captures, field.type))
    return pa.table(columns, schema=schema.judgements())


def signal_rows() -> list[dict[str, Any]]:
    """What the made statistics are of: a part ``monitor``."""
    return [
        {
            "entry": f"{n}",
            "plan_id": PLAN,
            "network": "pack",
            "node": "monitor_a",
            "part": "monitor",
            "message": "Made",
            "signal": f"Signal{n:02}",
            "rows": "pack/monitor_a/Made",
            "slot": n,
            "position": n,
            "unit": "V",
            "unit_as_defined": "V",
            "factor": 1.0,
            "offset": 0.0,
            "step": 0.01,
        }
        for n in range(SIGNALS)
    ]


def capture_row(vehicle: str) -> dict[str, Any]:
    """One capture of a vehicle for the catalogue, so that the fleet knows it."""
    return {
        "entry": vehicle,
        "capture_id": vehicle,
        "vehicle": vehicle,
        "plan_id": PLAN,
        "plan": "made.toml",
        "files": [],
        "channels": [],
        "bytes": 0,
        "added_ns": 0,
    }
