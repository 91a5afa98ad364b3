"""Small invented nodes of known truth for the bench: definition, vehicle and frames, made here.

Nothing of the judging code is used. A node is a list of :class:`Program`; what is wrong with it is
done to its programs or its rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from busplan.bench.node_report import BenchLimits, BenchReport
from busplan.bench.prove import prove_node
from busplan.decode.encode import encode_message
from busplan.definitions.j1939 import split_identifier
from busplan.definitions.model import Message, Origin, Signal, Stated
from busplan.findings import Weight
from busplan.frames.kinds import BRS, EXTENDED, FD, SENT
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network, Node, PackLayout, Part, Port, Stream, Vehicle

BENCH, UNIT = "bench", "unit"
MS = 1_000_000
SECOND = 1_000_000_000
START = 1_700_000_000 * SECOND

Values = Callable[[np.ndarray], Mapping[str, np.ndarray]]
"""Number of the frame (n,) to the values of every signal."""


def crc_j1850(data: bytes) -> int:
    """CRC-8 of SAE J1850: polynomial 0x1D, start and final value 0xFF (bit by bit)."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


@dataclass(frozen=True)
class Program:
    """One message as its node sends it: period [ms], first frame [ms], what is in it."""

    message: Message
    every_ms: float
    values: Values
    first_ms: float = 0.0
    jitter_ms: float = 0.0
    crc: bool = False
    """Whether the last byte is a checksum over the others."""

    def rows(self, seconds: float, rng: np.random.Generator) -> list[Row]:
        """Its frames within so many seconds."""
        n = max(int((seconds * 1e3 - self.first_ms) / self.every_ms), 0)
        k = np.arange(n)
        at = self.first_ms + k * self.every_ms + rng.uniform(-1, 1, n) * self.jitter_ms
        payloads = encode_message(self.message, dict(self.values(k)), n)
        flags = EXTENDED if self.message.extended else 0
        if self.message.fd:
            flags |= FD | (BRS if self.message.bit_rate_switch else 0)
        made = []
        for t, payload in zip(at, payloads, strict=True):
            data = payload.tobytes()
            if self.crc:
                data = data[:-1] + bytes([crc_j1850(data[:-1])])
            made.append(Row(round(t * MS), self.message.identifier, flags, data))
        return made


@dataclass(frozen=True)
class Row:
    """One frame: time [ns] since the start, identifier, flag bits, payload."""

    time_ns: int
    identifier: int
    flags: int
    data: bytes


def table_of(rows: Iterable[Row], network: str = BENCH) -> FrameTable:
    """Rows in time order as a frame table of one network."""
    ordered = sorted(rows, key=lambda r: r.time_ns)
    return FrameTable.from_columns(
        [network],
        [START + r.time_ns for r in ordered],
        np.zeros(len(ordered)),
        [r.identifier for r in ordered],
        [r.flags for r in ordered],
        [len(r.data) for r in ordered],
        np.frombuffer(b"".join(r.data for r in ordered), np.uint8),
    )


def unsigned(name: str, start: int, length: int, **more: Any) -> Signal:
    """A little-endian unsigned signal whose stated range is all it can carry."""
    scale, offset = more.get("scale", 1), more.get("offset", 0)
    top = ((1 << length) - 1) * scale + offset
    return Signal(name, start, length, **{"minimum": offset, "maximum": top, **more})


def stated(ms: float | None) -> Stated | None:
    """A cycle time as a definition states it."""
    return None if ms is None else Stated(round(ms * MS), Origin.DEFINITION)


STATUS = Message(
    "UnitStatus",
    0x120,
    False,
    8,
    (
        unsigned("State", 0, 4, choices={0: "off", 1: "standby", 2: "on", 3: "fault"}),
        unsigned("StatusCounter", 4, 4),
        unsigned("Temperature", 8, 8, offset=-40, unit="degC"),
        unsigned("SupplyVoltage", 16, 16, scale=0.01, unit="V"),
        Signal("Current", 32, 16, signed=True, scale=0.1, unit="A", minimum=-500, maximum=500),
        unsigned("StatusChecksum", 56, 8),
    ),
    (UNIT,),
    cycle=stated(100),
)
LIMITS = Message(
    "UnitLimits",
    0x121,
    False,
    8,
    (
        Signal("ChargeLimit", 0, 16, scale=0.1, unit="A", minimum=0, maximum=400),
        Signal("DischargeLimit", 16, 16, scale=0.1, unit="A", minimum=0, maximum=400),
        Signal("LimitVoltage", 32, 16, scale=0.1, unit="V", minimum=0, maximum=900),
    ),
    (UNIT,),
    cycle=stated(200),
)
HEARTBEAT = Message(
    "UnitHeartbeat", 0x700, False, 1, (unsigned("Alive", 0, 8),), (UNIT,), cycle=stated(1000)
)


def wave(k: np.ndarray, low: float, high: float, period: float) -> np.ndarray:
    """A slow course between two values."""
    return low + (high - low) * (0.5 + 0.5 * np.sin(2 * np.pi * k / period))


def status_values(k: np.ndarray) -> Mapping[str, np.ndarray]:
    return {
        "State": np.full(len(k), 2),
        "StatusCounter": k % 16,
        "Temperature": np.round(wave(k, 22, 27, 170)),
        "SupplyVoltage": np.round(wave(k, 11.9, 12.6, 90), 2),
        "Current": np.round(wave(k, -40, 60, 130), 1),
        "StatusChecksum": np.zeros(len(k)),
    }


def limit_values(k: np.ndarray) -> Mapping[str, np.ndarray]:
    return {
        "ChargeLimit": np.round(wave(k, 80, 120, 60), 1),
        "DischargeLimit": np.round(wave(k, 180, 250, 70), 1),
        "LimitVoltage": np.round(wave(k, 380, 398, 80), 1),
    }


def good_unit(jitter_ms: float = 1.0) -> list[Program]:
    """A healthy node: three cyclic messages, counter and checksum right."""
    return [
        Program(STATUS, 100, status_values, 3, jitter_ms, crc=True),
        Program(LIMITS, 200, limit_values, 5, jitter_ms),
        Program(HEARTBEAT, 1000, lambda k: {"Alive": k % 256}, 7, jitter_ms),
    ]


def with_program(programs: Sequence[Program], name: str, **changed: Any) -> list[Program]:
    """The programs with one of them changed."""
    return [replace(p, **changed) if p.message.name == name else p for p in programs]


def vehicle_of(
    messages: Iterable[Message],
    *,
    network: Network | None = None,
    pack: PackLayout | None = None,
    others: Mapping[str, Sequence[Message]] = {},
    received: Sequence[Message] = (),
) -> Vehicle:
    """One network with the unit on it, perhaps with other nodes; ``received`` it only receives."""
    net = network or Network(BENCH, 500_000)
    nodes, streams, parts = {}, [], {}
    for name, sends in {UNIT: tuple(messages), **others}.items():
        heard = tuple(received) if name == UNIT else ()
        port = Port("", ("invented.dbc",), name, messages=(*sends, *heard))
        parts[name] = Part(name, "invented", {"": port})
        nodes[name] = Node(name, parts[name], {net.name: port})
        streams += [Stream(net.name, name, m, m.cycle, m.cycle, event=m.event) for m in sends]
    return Vehicle(
        name="invented bench",
        source="invented",
        networks={net.name: net},
        parts=parts,
        nodes=nodes,
        streams=tuple(streams),
        pack=pack,
        invented=True,
    )


@dataclass
class Bench:
    """A node under test on its bench: what it is defined as, and what it really sends."""

    programs: list[Program]
    defined: list[Message] | None = None
    more: dict[str, Any] = field(default_factory=dict)

    def vehicle(self) -> Vehicle:
        """By its definition; by what it sends where none is given."""
        return vehicle_of(self.defined or [p.message for p in self.programs], **self.more)

    def rows(self, seconds: float = 20.0, seed: int = 1) -> list[Row]:
        """All its frames."""
        rng = np.random.default_rng(seed)
        return [row for p in self.programs for row in p.rows(seconds, rng)]

    def judge(
        self, rows: Iterable[Row] | None = None, *, seconds: float = 20.0, **limits: Any
    ) -> BenchReport:
        """What the bench says of these rows, of its own where none are given."""
        rows = list(self.rows(seconds) if rows is None else rows)
        first = min((r.time_ns for r in rows), default=0)
        limits.setdefault("end_ns", round(seconds * SECOND) - first)
        return prove_node(
            table_of(rows),
            self.vehicle(),
            UNIT,
            BENCH,
            BenchLimits(**limits),
        )


def serious(report: BenchReport) -> list[str]:
    """Codes of everything above a note, heaviest first."""
    return [f.code for f in report.findings if f.weight > Weight.NOTE]


def told(report: BenchReport, code: str) -> str:
    """The one finding of a code, as it is told."""
    found = [f.summary for f in report.findings if f.code == code]
    assert len(found) == 1, (code, [f.code for f in report.findings])
    return found[0]


def placed(message: Message) -> Message:
    """The message with its J1939 fields split from its identifier."""
    return replace(message, j1939=split_identifier(message.identifier))


def as_ours(row: Row) -> Row:
    """The row as one that busplan sent itself."""
    return replace(row, flags=row.flags | SENT)
