"""Twenty invented nodes of known truth: what each sends, and what the bench should say of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from busplan.definitions.model import Message, Signal
from busplan.frames.kinds import EXTENDED
from busplan.plan.vehicle import CellPlace, Network, PackLayout, PackLimits, SignalAddress
from support.bench_nodes import (
    BENCH,
    HEARTBEAT,
    LIMITS,
    MS,
    SECOND,
    STATUS,
    UNIT,
    Bench,
    Program,
    Row,
    good_unit,
    limit_values,
    placed,
    stated,
    status_values,
    unsigned,
    with_program,
)

Change = Callable[[list[Row], float], list[Row]]


@dataclass(frozen=True)
class Kind:
    """A node: its bench (definition and programs), how its rows are spoilt, and the truth of it.

    ``answers`` maps questions (identifier, data) to answers, for nodes that are asked. The verdict
    is right when it is one of ``verdicts`` and all ``codes`` are told.
    """

    bench: Bench
    verdicts: tuple[str, ...]
    codes: tuple[str, ...] = ()
    change: Change | None = None
    answers: Mapping[tuple[int, bytes], Sequence[tuple[int, bytes]]] = field(default_factory=dict)
    questions: tuple[str, ...] = ()

    def rows(self, seconds: float, seed: int = 1) -> list[Row]:
        """All it sends by itself."""
        rows = self.bench.rows(seconds, seed)
        return rows if self.change is None else self.change(rows, seconds)


def each(identifier: int, change: Callable[[Row], Row | None]) -> Change:
    """Change the frames of one identifier; ``None`` leaves a frame out."""

    def changed(rows: list[Row], _: float) -> list[Row]:
        made = [change(r) if r.identifier == identifier else r for r in rows]
        return [r for r in made if r is not None]

    return changed


def values_of(name: str, **fixed: float) -> Bench:
    """The good unit with signals of a message fixed; the definition as it was."""
    make = status_values if name == "UnitStatus" else limit_values

    def values(k: np.ndarray) -> Mapping[str, np.ndarray]:
        return {**make(k), **{n: np.full(len(k), v) for n, v in fixed.items()}}

    return Bench(with_program(good_unit(), name, values=values))


def _restarting(rows: list[Row], seconds: float) -> list[Row]:
    at = round(0.55 * seconds * SECOND)
    first = [r for r in rows if r.time_ns < at]
    return first + [
        replace(r, time_ns=r.time_ns + at + 400 * MS)
        for r in rows
        if r.time_ns + at + 400 * MS < seconds * SECOND
    ]


def _twice(rows: list[Row], seconds: float) -> list[Row]:
    other = Bench(good_unit()).rows(seconds, seed=2)
    return rows + [
        replace(r, time_ns=r.time_ns + 743 * MS) for r in other if r.time_ns < seconds * 9e8
    ]


def _slow(rows: list[Row], seconds: float, by: float = 1.12) -> list[Row]:
    slow = [replace(r, time_ns=round(r.time_ns * by)) for r in rows if r.identifier == 0x120]
    rest = [r for r in rows if r.identifier != 0x120]
    return [r for r in rest + slow if r.time_ns < seconds * SECOND]


def _rarely_wrong(row: Row) -> Row:
    if row.time_ns // (100 * MS) % 37 != 20:
        return row
    return replace(row, data=row.data[:-1] + bytes([row.data[-1] ^ 0x5A]))


def _j1939() -> Kind:
    message = placed(
        replace(LIMITS, name="Motor", identifier=0x0CF00427, extended=True, cycle=stated(100))
    )
    claim = Row(2 * MS, 0x18EEFF27, EXTENDED, bytes.fromhex("3930200001F01E0A"))
    dm1 = bytes.fromhex("00FF00000000FFFF")

    def own_groups(rows: list[Row], seconds: float) -> list[Row]:
        lamps = [Row(n * SECOND + 500 * MS, 0x18FECA27, EXTENDED, dm1) for n in range(int(seconds))]
        return [claim, *rows, *lamps]

    program = Program(message, 100, limit_values, 300, 1.0)
    more = {"network": Network(BENCH, 250_000, j1939=True)}
    return Kind(Bench([program], more=more), ("pass",), ("node-identified",), own_groups)


def _cells(volts: float) -> Kind:
    message = Message(
        "Cells",
        0x200,
        False,
        8,
        tuple(unsigned(f"Cell{i}", 16 * (i - 1), 16, scale=0.001, unit="V") for i in (1, 2, 3, 4)),
        (UNIT,),
        cycle=stated(100),
    )
    places = tuple(
        CellPlace(i, "M1", SignalAddress(BENCH, UNIT, "Cells", f"Cell{i}")) for i in (1, 2, 3, 4)
    )
    layout = PackLayout("invented", PackLimits(3.0, 4.2), {"box": ("M1",)}, places, ())

    def values(k: np.ndarray) -> Mapping[str, np.ndarray]:
        made = {f"Cell{i}": 3.7 + 0.001 * ((k + i) % 5) for i in (1, 2, 3, 4)}
        return {**made, "Cell3": np.full(len(k), volts)}

    bench = Bench([Program(message, 100, values, 1, 1.0)], more={"pack": layout})
    return Kind(bench, ("fail",), ("cell-saturated",))


def _asked_only() -> Kind:
    hours = placed(Message("UnitHours", 0x18FEE527, True, 8, (unsigned("Hours", 0, 32),), (UNIT,)))
    bench = Bench([Program(hours, 1e9, lambda k: {"Hours": k}, 1e9)])
    return Kind(
        bench,
        ("pass",),
        ("request-answered",),
        answers={
            (0x18EA27F9, bytes.fromhex("E5FE00")): [
                (0x18FEE527, bytes.fromhex("1027000000000000"))
            ],
            (0x18EA27F9, bytes.fromhex("00EE00")): [
                (0x18EEFF27, bytes.fromhex("3930200001F01E0A"))
            ],
        },
        questions=("",),
    )


def _other_order() -> Kind:
    def swapped(s: Signal) -> Signal:
        return replace(s, big_endian=True, start=s.start + 7)

    message = replace(LIMITS, signals=tuple(map(swapped, LIMITS.signals)))
    programs = [Program(message, 100, limit_values, 5, 1.0)]
    return Kind(
        Bench(programs, [replace(LIMITS, cycle=stated(100))]), ("fail",), ("definition-differs",)
    )


def _undefined() -> Kind:
    more = Message("UnitMore", 0x122, False, 8, (unsigned("What", 0, 16),), (UNIT,))
    programs = [*good_unit(), Program(more, 200, lambda k: {"What": k % 900}, 9)]
    return Kind(Bench(programs, [STATUS, LIMITS, HEARTBEAT]), ("fail",), ("message-undefined",))


def _unstated() -> Kind:
    bench = Bench([Program(replace(LIMITS, cycle=None), 100, limit_values, jitter_ms=1.0)])
    return Kind(bench, ("not proven",), ("rate-not-stated",))


def _early_wrap() -> Kind:
    def early(k: np.ndarray) -> Mapping[str, np.ndarray]:
        return {**status_values(k), "StatusCounter": k % 15}

    programs = with_program(good_unit(), "UnitStatus", values=early)
    return Kind(Bench(programs), ("doubtful",), ("counter-wraps-early",))


def _start_only(row: Row) -> Row:
    return replace(row, data=row.data[:-1] + b"\x00") if row.time_ns < 800 * MS else row


def good() -> Bench:
    return Bench(good_unit())


KINDS: dict[str, Kind] = {
    "good": Kind(good(), ("pass",)),
    "other firmware": Kind(
        good(), ("fail",), ("payload-short",), each(0x120, lambda r: replace(r, data=r.data[:-1]))
    ),
    "no cycle stated": _unstated(),
    "asked only": _asked_only(),
    "unacknowledged": Kind(
        good(),
        ("not proven",),
        ("node-unacknowledged",),
        lambda rows, s: [replace(rows[0], time_ns=n * 250_000) for n in range(int(s * 3500))],
    ),
    "two at once": Kind(good(), ("fail", "doubtful"), ("two-senders-likely",), _twice),
    "J1939 with claim": _j1939(),
    "watchdog resets": Kind(good(), ("fail",), ("node-restarts",), _restarting),
    "12 % slow": Kind(good(), ("fail",), ("cycle-time-off",), _slow),
    "cell at 0 V": _cells(0.0),
    "rarely wrong checksums": Kind(
        good(), ("fail",), ("checksum-wrong",), each(0x120, _rarely_wrong)
    ),
    "undefined message": _undefined(),
    "29 bits for 11": Kind(
        good(),
        ("fail",),
        ("identifier-width-differs",),
        lambda rows, _: [replace(r, flags=EXTENDED) for r in rows],
    ),
    "other instance": Kind(
        good(),
        ("fail",),
        ("identifiers-moved",),
        lambda rows, _: [replace(r, identifier=r.identifier + 8) for r in rows],
    ),
    "other byte order": _other_order(),
    "early wrap": _early_wrap(),
    "checksums wrong at start": Kind(
        good(), ("fail",), ("checksum-wrong",), each(0x120, _start_only)
    ),
    "supply at raw maximum": Kind(
        values_of("UnitStatus", SupplyVoltage=655.35), ("doubtful",), ("signal-at-end",)
    ),
    "message that stops": Kind(
        good(),
        ("fail",),
        ("message-stopped",),
        lambda rows, s: [r for r in rows if r.identifier != 0x121 or r.time_ns < 0.5 * s * SECOND],
    ),
    "silent": Kind(good(), ("fail",), ("node-silent",), lambda rows, _: []),
}


def told_right(kind: Kind, verdict: str, codes: Sequence[str]) -> bool:
    """Whether a verdict and its reasons are those of the truth."""
    return verdict in kind.verdicts and set(kind.codes) <= set(codes)


def judge_rows(kind: Kind, seconds: float, seed: int = 1) -> Any:
    """The kind judged without a bus; only those that send by themselves."""
    return kind.bench.judge(kind.rows(seconds, seed), seconds=seconds)
