"""Twelve more invented nodes of known truth, by an author who had not seen how the bench judges.

Each truth was written down before the node was judged for the first time: the verdict that a tester
would want, and the reasons of which one at least must be told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from support.bench_nodes import (
    HEARTBEAT,
    LIMITS,
    MS,
    SECOND,
    STATUS,
    Bench,
    Program,
    Row,
    good_unit,
    limit_values,
    status_values,
    with_program,
)
from support.node_kinds import Change, each


@dataclass(frozen=True)
class Truth:
    """A node and what is true of it; ``reasons`` are codes of which one must be told."""

    bench: Bench
    verdicts: tuple[str, ...]
    reasons: tuple[str, ...] = ()
    change: Change | None = None

    def rows(self, seconds: float, seed: int = 1) -> list[Row]:
        """All it sends."""
        rows = self.bench.rows(seconds, seed)
        return rows if self.change is None else self.change(rows, seconds)


def _swapped(rows: list[Row], _: float) -> list[Row]:
    """Status and limits under each other's identifier."""
    other = {0x120: 0x121, 0x121: 0x120}
    return [replace(r, identifier=other.get(r.identifier, r.identifier)) for r in rows]


def _bursts(rows: list[Row], _: float) -> list[Row]:
    """Two frames at once, then a pause as long as two periods: the mean is right."""
    moved, odd = [], False
    for r in sorted(rows, key=lambda r: r.time_ns):
        if r.identifier == 0x120:
            odd = not odd
            r = replace(r, time_ns=r.time_ns + 96 * MS) if odd else r
        moved.append(r)
    return moved


def _lossy(rows: list[Row], _: float) -> list[Row]:
    """Each 40th status frame is missing; the node counts on."""
    seen, kept = 0, []
    for r in sorted(rows, key=lambda r: r.time_ns):
        seen += r.identifier == 0x120
        if r.identifier != 0x120 or seen % 40:
            kept.append(r)
    return kept


def _doubled(rows: list[Row], _: float) -> list[Row]:
    """Each 25th status frame comes twice, 3 ms apart."""
    status = sorted((r for r in rows if r.identifier == 0x120), key=lambda r: r.time_ns)
    return rows + [replace(r, time_ns=r.time_ns + 3 * MS) for r in status[10::25]]


def _drifting(rows: list[Row], seconds: float) -> list[Row]:
    """The limits' period grows from 200 to 230 ms."""
    limits = [r for r in rows if r.identifier == 0x121]
    n = len(limits)
    at = np.cumsum(np.linspace(200, 230, n)) - 195
    slow = [replace(r, time_ns=round(t * MS)) for r, t in zip(limits, at, strict=True)]
    rest = [r for r in rows if r.identifier != 0x121]
    return [r for r in rest + slow if r.time_ns < seconds * SECOND]


def _late_half(rows: list[Row], seconds: float) -> list[Row]:
    """The heartbeat begins in the second half only."""
    return [r for r in rows if r.identifier != 0x700 or r.time_ns > seconds * SECOND / 2]


def _with(name: str, **fixed: float) -> Bench:
    """The good unit, one message with values that stand."""
    make = status_values if name == "UnitStatus" else limit_values

    def values(k: np.ndarray) -> Mapping[str, np.ndarray]:
        return {**make(k), **{n: np.full(len(k), v) for n, v in fixed.items()}}

    return Bench(with_program(good_unit(), name, values=values))


def _hasty_heartbeat() -> Bench:
    programs = [p for p in good_unit() if p.message is not HEARTBEAT]
    hasty = Program(HEARTBEAT, 20, lambda k: {"Alive": k % 256}, 7, 1.0)
    return Bench([*programs, hasty])


def _too_high() -> Bench:
    """Charge limits of 900 A where the definition ends at 400."""
    wide = replace(
        LIMITS,
        signals=tuple(replace(s, maximum=6553.5) for s in LIMITS.signals),
    )

    def values(k: np.ndarray) -> Mapping[str, np.ndarray]:
        return {**limit_values(k), "ChargeLimit": 900 + (k % 7)}

    programs = [
        Program(wide, 200, values, 5, 1.0) if p.message is LIMITS else p for p in good_unit()
    ]
    return Bench(programs, [STATUS, LIMITS, HEARTBEAT])


KINDS: dict[str, Truth] = {
    "identifiers swapped": Truth(
        Bench(good_unit()),
        ("fail",),
        ("identifiers-swapped",),
        _swapped,
    ),
    "bursts": Truth(Bench(good_unit()), ("fail", "doubtful"), ("jitter-large",
        "cycle-time-off", "gap-too-long"), _bursts),
    "loses frames": Truth(Bench(good_unit()), ("fail", "doubtful"), ("counter-skips",), _lossy),
    "sends some twice": Truth(
        Bench(good_unit()), ("fail", "doubtful"), ("counter-repeats", "two-senders-likely"),
        _doubled,
    ),
    "period grows": Truth(
        Bench(good_unit()), ("fail", "doubtful"), ("cycle-drifts", "cycle-time-off"), _drifting
    ),
    "heartbeat comes late": Truth(
        Bench(good_unit()), ("fail", "doubtful", "not proven"), ("message-not-due", "gap-too-long",
        "starts-late", "frames-too-few", "message-starts-late"), _late_half,
    ),
    "hasty heartbeat": Truth(_hasty_heartbeat(), ("fail",), ("cycle-time-off",)),
    "bytes too many": Truth(
        Bench(good_unit()), ("fail",), ("payload-long",),
        each(0x700, lambda r: replace(r, data=r.data + b"\x00\x00")),
    ),
    "counter stands": Truth(_with("UnitStatus", StatusCounter=5), ("fail", "doubtful"),
        ("counter-stuck",)),
    "cold end": Truth(_with("UnitStatus", Temperature=-40), ("doubtful", "fail"),
        ("signal-at-end",)),
    "beyond its range": Truth(_too_high(), ("fail",), ("signal-out-of-range",)),
    "uneven but healthy": Truth(Bench(good_unit(jitter_ms=8.0)), ("pass",)),
}  # fmt: skip


def told_right(truth: Truth, verdict: str, codes: set[str]) -> bool:
    """Whether the verdict is one a tester would want, with a reason that is one."""
    return verdict in truth.verdicts and (not truth.reasons or bool(codes & set(truth.reasons)))
