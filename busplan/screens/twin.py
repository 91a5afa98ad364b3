"""Every screen's twin on the command line: the same facts as text and as JSON."""

from __future__ import annotations

import math
from typing import Any

from busplan.errors import UsageError
from busplan.replay.pack import Grade, PackState, Peers
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.draw import (
    CAUTION,
    load_grid,
    pack_figures,
    recent_findings,
    state_lines,
    vehicle_label,
)
from busplan.screens.packmap import PackMap
from busplan.screens.runs import Line, clock_text
from busplan.screens.runs import text as plain

COLUMNS = 100
SCREENS = ("pack",)


def check_screen(name: str) -> str:
    """The screen's name; ``UsageError`` when there is none of it."""
    if name not in SCREENS:
        raise UsageError(f"there is no screen {name!r}; the screens are {', '.join(SCREENS)}")
    return name


def screen_text(replay: Replay, t_ns: int, screen: str) -> list[str]:
    """One screen at one moment as lines of text."""
    snapshot = replay.snapshot(t_ns)
    lines: list[Line] = [
        [(f"{vehicle_label(replay.vehicle)} · {replay.source}", "strong")],
        [
            (f"{clock_text(snapshot.t_ns)} of {clock_text(replay.span_ns)}", "plain"),
        ],
        *state_lines(snapshot, COLUMNS, 8),
        [],
    ]
    lines += _BODIES[screen](replay, snapshot)
    lines += [[], [(CAUTION, "danger")]]
    return [plain(line) for line in lines]


def screen_dict(replay: Replay, t_ns: int, screen: str) -> dict[str, Any]:
    """One screen at one moment as plain values; what has not come is ``None``."""
    snapshot = replay.snapshot(t_ns)
    return {
        "vehicle": replay.vehicle.name,
        "invented": replay.vehicle.invented,
        "capture": replay.source,
        "time_s": snapshot.t_ns / 1e9,
        "length_s": replay.span_ns / 1e9,
        "state": snapshot.word,
        "troubles": [
            {"weight": t.weight.word, "word": t.word, "text": t.text} for t in snapshot.troubles
        ],
        "screen": screen,
        **_DICTS[screen](replay, snapshot),
        "caution": CAUTION,
    }


def _pack_lines(replay: Replay, snapshot: Snapshot) -> list[Line]:
    lines: list[Line] = []
    if snapshot.pack:
        layout = snapshot.pack.layout
        lines += PackMap.of(layout, COLUMNS, "values").draw(snapshot.pack, None)
        lines += [[], *pack_figures(snapshot.pack), []]
    lines += load_grid(snapshot, replay.vehicle, COLUMNS, 2)
    return [*lines, [], *recent_findings(replay, snapshot, COLUMNS, 10)]


def _pack_dict(replay: Replay, snapshot: Snapshot) -> dict[str, Any]:
    pack = snapshot.pack
    return {
        "pack": _pack_values(pack) if pack else None,
        "networks": network_rows(replay, snapshot),
        "findings": [f.as_dict() for f in replay.findings[: snapshot.past]],
    }


def network_rows(replay: Replay, snapshot: Snapshot) -> list[dict[str, Any]]:
    """The loads of all networks."""
    return [
        {
            "network": load.network,
            "recorded": load.recorded,
            "load_now": load.now,
            "load_minute": load.minute,
            "load_peak": load.peak,
            "peak_time_s": load.peak_ns / 1e9,
            "load_limit": replay.vehicle.networks[load.network].load_limit,
            "frames_per_s": load.frames_per_s,
            "error_frames": load.errors,
        }
        for load in snapshot.loads
    ]


def _pack_values(pack: PackState) -> dict[str, Any]:
    layout = pack.layout
    cells = [{"cell": c.number, "module": c.module} for c in layout.cells]
    sensors = [{"module": s.module, "position": s.position} for s in layout.sensors]
    worst = pack.worst_lag
    return {
        "cells": _peers(cells, pack.cells, "voltage_v"),
        "sensors": _peers(sensors, pack.sensors, "temperature_c"),
        "cell_evenness_v": _evenness(pack.cells, cells),
        "sensor_evenness_c": _evenness(pack.sensors, sensors),
        "modules": [
            {
                "module": m,
                "temperature_c": _number(pack.module_c[i]),
                "lag_k": _number(pack.lag_k[i]),
            }
            for i, m in enumerate(layout.modules)
        ],
        "worst_lag": {"module": worst[0], "lag_k": worst[1]} if worst else None,
        "quantities": {
            name: {"value": _number(value), "unit": unit, "stale": stale}
            for name, (value, unit, stale) in pack.quantities.items()
        },
    }


def _peers(places: list[dict[str, Any]], peers: Peers, name: str) -> list[dict[str, Any]]:
    return [
        {
            **place,
            name: _number(peers.value[i]),
            "deviation": _number(peers.deviation[i]),
            "grade": Grade(int(peers.grade[i])).name.lower().replace("_", "-"),
            "age_s": None if math.isnan(peers.value[i]) else int(peers.age_ns[i]) / 1e9,
        }
        for i, place in enumerate(places)
    ]


def _evenness(peers: Peers, places: list[dict[str, Any]]) -> dict[str, Any] | None:
    even = peers.evenness
    if even is None:
        return None
    return {
        "minimum": even.minimum,
        "mean": even.mean,
        "maximum": even.maximum,
        "spread": even.spread,
        "lowest": places[even.lowest],
        "highest": places[even.highest],
        "fresh": even.count,
    }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


_BODIES = {"pack": _pack_lines}
_DICTS = {"pack": _pack_dict}
