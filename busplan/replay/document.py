"""The facts of each screen as plain values for JSON."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from busplan.replay.asked import Asked
from busplan.replay.differing import differing
from busplan.replay.lines import NEVER
from busplan.replay.pack_state import Grade, PackState, Peers
from busplan.replay.pair import differences, shift
from busplan.replay.replay import Replay
from busplan.replay.search import matching
from busplan.replay.snapshot import Snapshot
from busplan.replay.span import SignalSpan, Span
from busplan.wording import CAUTION


def screen_dict(asked: Asked, screen: str) -> dict[str, Any]:
    """One screen at one moment as plain values; what has not come is ``None``."""
    shot = asked.shot
    replay = asked.replay
    return {
        "vehicle": replay.vehicle.name,
        "invented": replay.vehicle.invented,
        "capture": replay.source,
        "time_s": shot.t_ns / 1e9,
        "length_s": replay.span_ns / 1e9,
        "state": shot.word,
        "troubles": [
            {"weight": t.weight.word, "word": t.word, "text": t.text} for t in shot.troubles
        ],
        "reading": [f.as_dict() for f in replay.doubts],
        "screen": screen,
        **_VALUES[screen](asked),
        "caution": CAUTION,
    }


def _pack(asked: Asked) -> dict[str, Any]:
    replay, shot = asked.replay, asked.shot
    return {
        "pack": pack_values(shot.pack) if shot.pack else None,
        "networks": network_values(replay, shot),
        "findings": [f.as_dict() for f in replay.findings[: shot.past]],
    }


def _verdict(asked: Asked) -> dict[str, Any]:
    if asked.report is None:
        return {"verdict": None}
    from busplan.pack.tables import report_dict

    return {"verdict": report_dict(asked.report)}


def _networks(asked: Asked) -> dict[str, Any]:
    return {"networks": network_values(asked.replay, asked.shot)}


def _messages(asked: Asked) -> dict[str, Any]:
    numbers = matching(asked.replay, asked.words)
    return {"messages": [message_values(asked.replay, asked.shot, n) for n in numbers]}


def _findings(asked: Asked) -> dict[str, Any]:
    return {"findings": [f.as_dict() for f in asked.replay.findings]}


def _span(asked: Asked) -> dict[str, Any]:
    return {"span": span_values(asked.span)}


def _board(asked: Asked) -> dict[str, Any]:
    return {"board": None if asked.board is None else asked.board.as_dict()}


def _behaviours(asked: Asked) -> dict[str, Any]:
    told = asked.behaviours
    return {"behaviours": None if told is None else told.as_dict()}


def _pair(asked: Asked) -> dict[str, Any]:
    second, other = asked.second
    return {
        **pair_values(second, asked.shot, other),
        "identifiers": [d.as_dict() for d in differing(asked.replay, second)],
    }


_VALUES: Mapping[str, Callable[[Asked], dict[str, Any]]] = {
    "pack": _pack,
    "verdict": _verdict,
    "networks": _networks,
    "messages": _messages,
    "findings": _findings,
    "span": _span,
    "board": _board,
    "behaviours": _behaviours,
    "pair": _pair,
}


def network_values(replay: Replay, shot: Snapshot) -> list[dict[str, Any]]:
    """Loads, errors, silent nodes and shares of all networks."""
    lines = replay.lines.lines
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
            "silent": [
                {"node": s.node, "since_s": None if s.since_ns is None else s.since_ns / 1e9}
                for s in shot.silent
                if s.network == load.network
            ],
            "shares": [
                {"identifier": line.label, "message": line.name, "share": float(shot.share[i])}
                for i, line in enumerate(lines)
                if line.key.network == load.network and shot.share[i] > 0
            ],
        }
        for load in shot.loads
    ]


def message_values(replay: Replay, shot: Snapshot, number: int) -> dict[str, Any]:
    """One message line with its decoded values."""
    line, ages = replay.lines.lines[number], shot.ages
    position = int(ages.position[number])
    age = int(ages.age_ns[number])
    changed = replay.changed(line, position, int(ages.earlier[number]))
    return {
        "network": line.key.network,
        "identifier": line.label,
        "extended": line.key.extended,
        "message": line.name if line.message else None,
        "senders": [s.node for s in line.streams],
        "frames": int(ages.count[number]),
        "age_s": None if age == NEVER else age / 1e9,
        "stale": bool(ages.stale[number]),
        "cycle_ms": _number(float(ages.cycle_ns[number]) / 1e6),
        "stated_cycle_ms": line.cycle.ms if line.cycle else None,
        "cycle_origin": str(line.cycle.origin) if line.cycle else None,
        "payload": "" if position < 0 else _payload(replay, position),
        "signals": {
            v.signal.name: {
                "value": v.number if v.number is None else _number(v.number),
                "unit": v.signal.unit,
                "text": v.text,
                "time_s": None if v.number is None else v.time_ns / 1e9,
                "changed": v.signal.name in changed,
            }
            for v in replay.values(line, position)
        },
    }


def pack_values(pack: PackState) -> dict[str, Any]:
    """Cells, sensors, modules and quantities."""
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
                "module": module,
                "temperature_c": _number(pack.module_c[i]),
                "lag_k": _number(pack.lag_k[i]),
            }
            for i, module in enumerate(layout.modules)
        ],
        "worst_lag": {"module": worst[0], "lag_k": worst[1]} if worst else None,
        "quantities": {
            name: {"value": _number(q.value), "unit": q.unit, "text": q.text, "stale": q.stale}
            for name, q in pack.quantities.items()
        },
    }


def span_values(span: Span) -> dict[str, Any]:
    """Everything over a span."""
    return {
        "a_s": span.a_ns / 1e9,
        "b_s": span.b_ns / 1e9,
        "networks": [asdict(n) for n in span.networks],
        "signals": [_signal(s) for s in span.chosen],
        "cells": [_signal(s) for s in span.cells],
        "sensors": [_signal(s) for s in span.sensors],
        "messages": [
            {
                "network": m.line.key.network,
                "identifier": m.line.label,
                "message": m.line.name if m.line.message else None,
                "frames": m.frames,
                "cycle_ms": m.cycle.median_ns / 1e6 if m.cycle else None,
                "jitter_ms": m.cycle.jitter_ns / 1e6 if m.cycle else None,
                "longest_ms": m.longest_ns / 1e6,
            }
            for m in span.messages
        ],
    }


def pair_values(second: Replay, shot: Snapshot, other: Snapshot) -> dict[str, Any]:
    """Figures of two captures and how cells and sensors moved against their peers."""
    moved = shift(shot.pack, other.pack) if shot.pack and other.pack else None
    return {
        "beside": second.source,
        "beside_time_s": other.t_ns / 1e9,
        "differences": [
            {
                "what": d.what,
                "unit": d.unit,
                "first": _number(d.first),
                "second": _number(d.second),
                "change": _number(d.change),
            }
            for d in differences(shot, other)
        ],
        "moved": None
        if moved is None
        else {
            "cells_v": [_number(v) for v in moved.cells.value],
            "sensors_k": [_number(v) for v in moved.sensors.value],
        },
    }


def _payload(replay: Replay, position: int) -> str:
    return replay.index.messages.bytes_of(int(replay.index.rows[position])).hex()


def _signal(s: SignalSpan) -> dict[str, Any]:
    return {
        "signal": str(s.address),
        "unit": s.unit,
        "count": s.count,
        **({"texts": list(s.texts)} if s.texts else {}),
        **{
            name: _number(getattr(s, name))
            for name in ("minimum", "mean", "maximum", "first", "last")
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


def _number(value: float | int | str) -> float | int | str | None:
    if isinstance(value, int | str):
        return value
    return None if not math.isfinite(value) else float(value)
