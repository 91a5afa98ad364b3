"""The vehicle that a plan describes: networks, parts, nodes and what they send.

The rules of this file: values are frozen; nothing here reads a file or prints. A *part* is what was
bought; a *node* is a part placed on one or more networks; a *stream* is one message that one node
sends on one network, with its timing settled. ``busplan.plan.reader`` makes a :class:`Vehicle`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from busplan.definitions.model import Message, Signal, Stated
from busplan.findings import Finding, Weight
from busplan.frames.identifier import FrameKey
from busplan.plan.address import SignalAddress as SignalAddress
from busplan.plan.bounds import USUAL_BOUNDS, MessageBounds
from busplan.plan.cable import Cable
from busplan.plan.claims import Behaviour
from busplan.plan.expected import Expected
from busplan.plan.movable import UNSAID, Freedom
from busplan.plan.planned_tests import PlannedTest
from busplan.plan.route import Route
from busplan.wording import counted, listing


@dataclass(frozen=True, slots=True, repr=False)
class Network:
    """A CAN network. Bit rates [bit/s]; ``data_bit_rate`` is ``None`` on a classical network."""

    name: str
    bit_rate: int
    data_bit_rate: int | None = None
    load_limit: float = 0.5
    load_limit_stated: bool = False
    j1939: bool = False
    channels: tuple[str, ...] = ()
    cable: Cable | None = None
    sample_point: float | None = None
    data_sample_point: float | None = None
    fault_interval_ns: int | None = None
    """Assumed least distance of two bus errors for response times; ``None``: no errors."""
    canopen: bool | None = None
    """Whether CANopen devices are on it, as far as the plan says."""
    diagnostics: bool | None = None
    """Whether a diagnostic tool will be connected to it, as far as the plan says."""

    def __repr__(self) -> str:
        fast = f"/{self.data_bit_rate}" if self.fd else ""
        return f"<Network {self.name!r}: {self.bit_rate}{fast} bit/s>"

    @property
    def fd(self) -> bool:
        """Whether the network carries CAN FD frames."""
        return self.data_bit_rate is not None


IdentifierRule = Literal["fixed", "free"] | tuple[int, ...]
"""Whether a part's identifiers can be changed: not at all, at will, or by these offsets."""

Queue = Literal["priority", "fifo"]

SentBy = Literal["arrival", "timer", "copy"]
"""What makes a gateway queue a message that a route brings: that it arrives, a clock of the
gateway's own, or that the gateway sends it on another network at that moment."""


@dataclass(frozen=True, slots=True, repr=False)
class Port:
    """One CAN connection of a part: the definitions it follows and the bit rates it speaks."""

    name: str
    files: tuple[str, ...]
    sender: str
    bit_rates: tuple[int, ...] = ()
    data_bit_rates: tuple[int, ...] = ()
    terminator_ohm: float | None = None
    messages: tuple[Message, ...] = ()
    """Everything its definition files describe, sent or received."""
    versions: tuple[str, ...] = ()  # what the VERSION lines of its files say

    def __repr__(self) -> str:
        messages = counted(len(self.messages), "message")
        files = listing(map(repr, self.files)) or "the plan"
        return f"<Port {self.name!r}: {self.sender!r} of {files}, {messages}>"


@dataclass(frozen=True, slots=True, repr=False)
class Part:
    """What was bought. A part with one connection has one port, named ``""``."""

    name: str
    maker: str
    ports: Mapping[str, Port]
    identifiers: IdentifierRule = "fixed"
    queue: Queue = "priority"
    clock_hz: int | None = None
    transceiver_delay_ns: int | None = None
    sample_point: float | None = None

    def __repr__(self) -> str:
        return f"<Part {self.name!r} by {self.maker!r}: {counted(len(self.ports), 'port')}>"


@dataclass(frozen=True, slots=True, repr=False)
class Node:
    """A part placed on networks. ``on`` maps network name to the part's port there.

    ``identifiers`` are those that the plan states for single messages, by network and the
    identifier of the definition.
    """

    name: str
    part: Part
    on: Mapping[str, Port]
    identifier_offset: int = 0
    source_address: int | None = None
    place: str = ""
    """Where in the vehicle it sits, as the plan says."""
    identifiers: Mapping[FrameKey, int] = field(default_factory=dict)

    def __repr__(self) -> str:
        on = listing(map(repr, self.on), 6)
        return f"<Node {self.name!r}: part {self.part.name!r} on {on}>"


@dataclass(frozen=True, slots=True)
class SessionPace:
    """How a message too long for one frame is sent in parts, as far as the plan says.

    ``priority`` is that of J1939 transport frames. ``gap_ns`` is what the sender leaves between two
    packets of data (the separation time of ISO 15765-2), ``answer_ns`` how long the receiver takes
    for each answer, both ``None`` when not stated. ``window`` is how many packets go between two
    answers (the block size of ISO 15765-2), 0 for all. ``flow_control`` is the identifier that the
    receiver of a segmented message answers with.
    """

    priority: int = 7
    gap_ns: int | None = None
    window: int = 0
    answer_ns: int | None = None
    flow_control: int | None = None


UNSTATED_PACE = SessionPace()


@dataclass(frozen=True, slots=True, repr=False)
class Stream:
    """One message that one node sends on one network, with its timing.

    ``message`` carries the identifier as placed (after offsets and source addresses).
    ``cycle`` is the period, or the least distance of an event-driven message; ``None`` when nobody
    states it. ``deadline`` counts from queueing; ``None`` when neither stated nor derivable.
    ``via`` names the route that a whole message comes by, and ``sent_by`` what makes the gateway
    queue it then. ``namesake`` says that
    its node sends another message of this name there, so that names must tell them apart. ``pace``
    matters to messages that one frame cannot carry. A bench test need not see an ``optional``
    message, nor its ``optional_signals``; ``bounds`` say what it may show there.
    """

    network: str
    node: str
    message: Message
    cycle: Stated | None
    deadline: Stated | None
    jitter_ns: int = 0
    offset_ns: int | None = None
    event: bool = False
    via: str | None = None
    sent_by: SentBy = "arrival"
    namesake: bool = False
    pace: SessionPace = UNSTATED_PACE
    optional: bool = False
    optional_signals: frozenset[str] = frozenset()
    bounds: MessageBounds = USUAL_BOUNDS

    def __repr__(self) -> str:
        each = "no stated period" if self.cycle is None else f"each {self.cycle.ms:g} ms"
        return f"<Stream {self.label!r} {self.message.label}: {each}>"

    @property
    def key(self) -> FrameKey:
        """What identifies its frames on the wire."""
        return FrameKey(self.network, self.message.extended, self.message.identifier)

    @property
    def forwarded(self) -> bool:
        """Whether a gateway queues it because it has arrived on another network."""
        return self.via is not None and self.sent_by == "arrival"

    @property
    def own(self) -> bool:
        """Whether its node sends it for itself, and not for another node."""
        return self.via is None or self.sent_by == "copy"

    @property
    def label(self) -> str:
        """``network/node/message``, unlike that of any other stream."""
        return "/".join(self.path)

    def address(self, signal: str) -> SignalAddress:
        """The full name of one of its signals."""
        return SignalAddress(*self.path, signal)

    @property
    def path(self) -> tuple[str, str, str]:
        """Network, node and message, as in the addresses of its signals.

        The message is ``NAME@0x123`` where the name alone would be another's as well.
        """
        name = self.message.name
        return self.network, self.node, f"{name}@{self.message.label}" if self.namesake else name


@dataclass(frozen=True, slots=True)
class Need:
    """A signal that a node receives on a network, as definitions say.

    ``signal`` is ``None`` where a message is named as received and none of its signals.
    ``named_by`` is empty when the node's own definitions say so, else the node whose do.
    """

    network: str
    node: str
    message: Message
    signal: Signal | None
    named_by: str = ""


class CellPlace(NamedTuple):
    """A cell: its number in the series string (from 1), its module and where its voltage is."""

    number: int
    module: str
    address: SignalAddress


class SensorPlace(NamedTuple):
    """A module temperature sensor: ``position`` counts from 1 within the module."""

    module: str
    position: int
    address: SignalAddress


@dataclass(frozen=True, slots=True)
class PackLimits:
    """Allowed windows of the cells: voltage [V], temperature [°C], evenness [V, K]."""

    cell_low_v: float
    cell_high_v: float
    charge_low_c: float = 0.0
    charge_high_c: float = 45.0
    discharge_low_c: float = -20.0
    discharge_high_c: float = 60.0
    voltage_spread_v: float = 0.05
    temperature_spread_k: float = 5.0


@dataclass(frozen=True, slots=True, repr=False)
class PackLayout:
    """Which decoded signals are cells, sensors and pack quantities.

    ``modules`` are in string order, grouped by ``enclosures`` (name → modules). ``quantities`` maps
    our own fixed names, the keys of ``[pack.quantities]``, to signals.
    """

    chemistry: str
    limits: PackLimits
    enclosures: Mapping[str, tuple[str, ...]]
    cells: tuple[CellPlace, ...]
    sensors: tuple[SensorPlace, ...]
    quantities: Mapping[str, SignalAddress] = field(default_factory=dict)
    current_sign: int = 1
    """+1 when a positive current discharges the pack, −1 when it charges it."""
    temperature_resolution_k: float | None = None
    capacity_ah: float | None = None
    """Nominal capacity of one cell, groups in parallel as one."""
    joints_mohm: float | None = None
    """Resistance outside the cells' taps when it was sound: fuse, contactors, joints."""
    balancing_current_a: float | None = None
    """What balancing takes from one cell."""
    link_discharge_s: float | None = None
    """Stated time in which the link falls to 60 V once the contactors are open [s]."""
    loop_position: Mapping[str, int] = field(default_factory=dict)
    """Place of each module along its branch of the liquid loop, 1 where nothing is said."""
    kind: Mapping[str, str] = field(default_factory=dict)
    """How each module is built; modules of one name are alike."""

    def __repr__(self) -> str:
        parts = ((self.modules, "module"), (self.cells, "cell"), (self.sensors, "sensor"))
        counts = ", ".join(counted(len(things), what) for things, what in parts)
        return f"<PackLayout {self.chemistry!r}: {counts}>"

    @property
    def modules(self) -> tuple[str, ...]:
        """All modules in string order."""
        return tuple(m for members in self.enclosures.values() for m in members)


@dataclass(frozen=True, slots=True, repr=False)
class Vehicle:
    """Everything a plan and its definitions say, resolved.

    ``findings`` holds what loading had to tolerate (encodings, lines set aside, overlaps).
    """

    name: str
    source: str
    networks: Mapping[str, Network]
    parts: Mapping[str, Part]
    nodes: Mapping[str, Node]
    streams: tuple[Stream, ...]
    needs: tuple[Need, ...] = ()
    routes: tuple[Route, ...] = ()
    pack: PackLayout | None = None
    findings: tuple[Finding, ...] = ()
    invented: bool = False
    """True for demo data; shown wherever the vehicle is."""
    board: str = ""
    """The file with its boards, as the plan names it."""
    behaviours: tuple[Behaviour, ...] = ()
    """What must hold between its signals over time."""
    expected: Mapping[str, Expected] = field(default_factory=dict)
    """What nodes must tell of themselves."""
    tests: tuple[PlannedTest, ...] = ()
    """The commissioning list, in order."""
    freedom: Freedom = UNSAID
    """What may be changed to make it work."""

    def __repr__(self) -> str:
        counts = (
            counted(len(self.networks), "network"),
            counted(len(self.nodes), "node"),
            counted(len(self.streams), "message"),
        )
        invented = " (invented)" if self.invented else ""
        return f"<Vehicle {self.name!r}{invented} of {self.source!r}: {', '.join(counts)}>"

    @property
    def cautions(self) -> tuple[Finding, ...]:
        """What of plan and definitions was set aside or is doubtful: part of every verdict."""
        return tuple(f for f in self.findings if f.weight > Weight.NOTE)

    @property
    def label(self) -> str:
        """The vehicle's name, saying so when it is invented."""
        return f"{self.name} (invented)" if self.invented else self.name

    def _repr_html_(self) -> str:
        """The networks as a table, for a notebook; texts of files never count as markup."""
        from html import escape

        head = "<tr><th>network</th><th>bit/s</th><th>nodes</th><th>messages</th></tr>"
        rows = (
            (n.name, n.bit_rate, len(self.nodes_on(n.name)), len(self.on(n.name)))
            for n in self.networks.values()
        )
        cells = ("".join(f"<td>{escape(str(cell))}</td>" for cell in row) for row in rows)
        body = "".join(f"<tr>{row}</tr>" for row in cells)
        return f"<p>{escape(repr(self))}</p><table>{head}{body}</table>"

    def on(self, network: str) -> tuple[Stream, ...]:
        """The streams of one network, in order of arbitration (most urgent first)."""
        streams = (s for s in self.streams if s.network == network)
        return tuple(sorted(streams, key=lambda s: arbitration_rank(s.message)))

    def nodes_on(self, network: str) -> tuple[Node, ...]:
        """The nodes placed on one network, in plan order."""
        return tuple(n for n in self.nodes.values() if network in n.on)

    def by_key(self) -> dict[FrameKey, tuple[Stream, ...]]:
        """Streams by what identifies their frames; more than one under a key is a clash."""
        table: dict[FrameKey, tuple[Stream, ...]] = {}
        for stream in self.streams:
            table[stream.key] = (*table.get(stream.key, ()), stream)
        return table

    def network_of_channel(self) -> dict[str, str]:
        """Capture channel name → network name, as the plan states it."""
        return {c: n.name for n in self.networks.values() for c in n.channels}

    def signals(self) -> Iterator[tuple[SignalAddress, Stream, Signal]]:
        """Every signal any node sends, with its full name."""
        for stream in self.streams:
            for signal in stream.message.signals:
                yield stream.address(signal.name), stream, signal


def arbitration_rank(message: Message) -> int:
    """A number that orders frames as arbitration does: the smaller one wins the bus.

    The 11 base bits are compared first; on a tie the 11-bit frame wins, because its RTR (RRS) bit
    and IDE bit are dominant where the 29-bit frame sends SRR and IDE recessive (ISO 11898-1).
    """
    if message.extended:
        return (message.identifier >> 18) << 19 | 1 << 18 | (message.identifier & 0x3FFFF)
    return message.identifier << 19
