"""A small invented van with its traffic, for tests of the replay and the screens.

One enclosure a monitor on ``pack`` (29-bit identifiers), a pump on ``thermal``, built straight from
core values, so that these tests need neither plan files nor the simulation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count

import numpy as np

from busplan.decode.encode import encode_message
from busplan.definitions.model import Message, MuxCondition, Origin, Signal, Stated
from busplan.frames.kinds import EXTENDED
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import (
    CellPlace,
    Network,
    Node,
    PackLayout,
    PackLimits,
    Part,
    Port,
    SensorPlace,
    SignalAddress,
    Stream,
    Vehicle,
)
from busplan.replay.replay import Replay

CELL = 4  # cells in one message


def volts(cell: int, t: np.ndarray, sag_v: float = 0.060) -> np.ndarray:
    """Cell voltages [V] of the invented drive: all alike but cell 6, which sags."""
    return 3.700 - 0.0002 * t - (sag_v if cell == 6 else 0.0) + 0.001 * (cell % 3)


def celsius(sensor: int, t: np.ndarray) -> np.ndarray:
    """Temperatures [°C] of a warm-up: all rise, sensors 5 and 6 (the third module) lag."""
    return 14.0 + (0.05 if sensor in (5, 6) else 0.2) * t


@dataclass
class Traffic:
    """Collects frames of streams and sorts them into one table."""

    networks: list[str]
    parts: list[tuple[np.ndarray, Stream, np.ndarray]] = field(default_factory=list)

    def add(
        self,
        stream: Stream,
        seconds: float,
        values: Callable[[np.ndarray], Mapping[str, np.ndarray]],
        *,
        offset_ns: int = 0,
        gap_s: tuple[float, float] | None = None,
    ) -> None:
        """Send the stream at its cycle for ``seconds``, but not within ``gap_s``."""
        assert stream.cycle is not None
        times = np.arange(offset_ns, int(seconds * 1e9), stream.cycle.ns)
        if gap_s is not None:
            times = times[(times < gap_s[0] * 1e9) | (times >= gap_s[1] * 1e9)]
        payload = encode_message(stream.message, values(times / 1e9), len(times))
        self.parts.append((times, stream, payload))

    def table(self) -> FrameTable:
        """All frames in time order."""
        sizes = [len(times) for times, _, _ in self.parts]
        columns = {
            "time": np.concatenate([times for times, _, _ in self.parts]),
            "network": np.repeat([self.networks.index(s.network) for _, s, _ in self.parts], sizes),
            "id": np.repeat([s.message.identifier for _, s, _ in self.parts], sizes),
            "flags": np.repeat(
                [EXTENDED if s.message.extended else 0 for *_, s, _ in self.parts], sizes
            ),
            "length": np.repeat([s.message.length for _, s, _ in self.parts], sizes),
        }
        order = np.argsort(columns["time"], kind="stable")
        payloads = [row for _, _, matrix in self.parts for row in matrix]
        return FrameTable.from_columns(
            self.networks,
            columns["time"][order] + 1_700_000_000_000_000_000,
            columns["network"][order],
            columns["id"][order],
            columns["flags"][order],
            columns["length"][order],
            np.concatenate([payloads[i] for i in order]),
        )


def stream(network: str, node: str, message: Message) -> Stream:
    return Stream(network, node, message, message.cycle, message.cycle)


def cyclic(
    name: str, identifier: int, signals: Sequence[Signal], ms: int, *, extended: bool = False
) -> Message:
    cycle = Stated(ms * 1_000_000, Origin.DEFINITION)
    return Message(name, identifier, extended, 8, tuple(signals), cycle=cycle)


def make_vehicle(shape: Sequence[Sequence[int]], sensors: int = 2) -> Vehicle:
    """A vehicle whose pack has one enclosure for each entry of ``shape``: its modules' cells."""
    identifiers = count(0x1800)
    streams: list[Stream] = []
    cells: list[CellPlace] = []
    places: list[SensorPlace] = []
    enclosures: dict[str, tuple[str, ...]] = {}
    for e, modules in enumerate(shape):
        letter = chr(ord("A") + e)
        node = f"monitor_{letter.lower()}"
        names = tuple(f"{letter}{i + 1}" for i in range(len(modules)))
        enclosures[letter] = names
        owners = [n for n, size in zip(names, modules, strict=True) for _ in range(size)]
        for first in range(0, len(owners), CELL):
            group = owners[first : first + CELL]
            signals = [
                Signal(f"CellVoltage{first + i + 1:02}", 16 * i, 16, scale=0.001, unit="V")
                for i in range(len(group))
            ]
            message = cyclic(
                f"CellVoltages{first // CELL + 1}", next(identifiers), signals, 100, extended=True
            )
            streams.append(stream("pack", node, message))
            for i, owner in enumerate(group):
                address = SignalAddress("pack", node, message.name, signals[i].name)
                cells.append(CellPlace(len(cells) + 1, owner, address))
        owners = [n for n in names for _ in range(sensors)]
        for first in range(0, len(owners), 8):
            group = owners[first : first + 8]
            signals = [
                Signal(f"Temperature{first + i + 1}", 8 * i, 8, scale=0.5, offset=-40, unit="°C")
                for i in range(len(group))
            ]
            message = cyclic(
                f"ModuleTemperatures{first // 8 + 1}",
                next(identifiers),
                signals,
                500,
                extended=True,
            )
            streams.append(stream("pack", node, message))
            for i, owner in enumerate(group):
                position = (first + i) % sensors + 1
                address = SignalAddress("pack", node, message.name, signals[i].name)
                places.append(SensorPlace(owner, position, address))
    current = Signal("PackCurrent", 0, 16, signed=True, scale=0.1, unit="A")
    state = Signal("ContactorState", 16, 2, choices={0: "open", 1: "pre-charge", 2: "closed"})
    streams.append(
        stream(
            "pack",
            "battery_master",
            cyclic("PackStatus", 0x1700, [current, state], 50, extended=True),
        )
    )
    page = Signal("Page", 0, 8, selects=True)
    detail = [
        Signal(name, 8, 16, unit=unit, condition=MuxCondition("Page", ((n, n),)))
        for n, (name, unit) in enumerate([("PumpSpeed", "1/min"), ("PumpPower", "W")])
    ]
    streams.append(stream("thermal", "pump_1", cyclic("PumpStatus", 0x120, [page, *detail], 100)))
    networks = {
        "pack": Network("pack", 500_000, load_limit=0.4),
        "thermal": Network("thermal", 125_000, load_limit=0.6),
    }
    nodes = {}
    for s in streams:
        port = Port("", (), s.node.upper())
        nodes[s.node] = Node(s.node, Part(s.node, "", {"": port}), {s.network: port})
    layout = PackLayout(
        "NMC",
        PackLimits(3.0, 4.2),
        enclosures,
        tuple(cells),
        tuple(places),
        {"current": SignalAddress("pack", "battery_master", "PackStatus", "PackCurrent")},
        temperature_resolution_k=0.5,
    )
    return Vehicle(
        "Heron", "heron.toml", networks, {}, nodes, tuple(streams), pack=layout, invented=True
    )


def make_table(
    vehicle: Vehicle,
    seconds: float,
    *,
    gap_s: tuple[float, float] | None = None,
    sag_v: float = 0.060,
) -> FrameTable:
    """Traffic of every stream; ``monitor_a`` says nothing during ``gap_s``."""
    assert vehicle.pack is not None
    number = {c.address: c.number for c in vehicle.pack.cells}
    sensor = {s.address: i + 1 for i, s in enumerate(vehicle.pack.sensors)}
    traffic = Traffic(list(vehicle.networks))
    for i, s in enumerate(vehicle.streams):

        def values(t: np.ndarray, s: Stream = s) -> Mapping[str, np.ndarray]:
            out = {}
            for signal in s.message.signals:
                address = s.address(signal.name)
                if address in number:
                    out[signal.name] = volts(number[address], t, sag_v)
                elif address in sensor:
                    out[signal.name] = celsius(sensor[address], t)
                elif signal.name == "PackCurrent":
                    out[signal.name] = 50 + t
                elif signal.name == "ContactorState":
                    out[signal.name] = np.full(len(t), 2)
                elif signal.name == "Page":
                    out[signal.name] = np.arange(len(t)) % 2
                else:
                    out[signal.name] = np.full(len(t), 1200 if "Speed" in signal.name else 85)
            return out

        gap = gap_s if s.node == "monitor_a" else None
        traffic.add(s, seconds, values, offset_ns=i * 300_000, gap_s=gap)
    return traffic.table()


def make_replay(
    shape: Sequence[Sequence[int]] = ((4, 4), (4,)),
    seconds: float = 30.0,
    *,
    sensors: int = 2,
    gap_s: tuple[float, float] | None = None,
    sag_v: float = 0.060,
    findings: Sequence[object] = (),
) -> Replay:
    """The van with three modules of four cells, replayable."""
    vehicle = make_vehicle(shape, sensors)
    table = make_table(vehicle, seconds, gap_s=gap_s, sag_v=sag_v)
    return Replay.of(vehicle, table, findings=findings, source="heron.log")  # type: ignore[arg-type]
