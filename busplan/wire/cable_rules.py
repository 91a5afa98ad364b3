"""What the cable of a network allows: lengths, terminators, propagation, number of nodes.

The rules of this file: lengths in metres, resistances in ohms, times in nanoseconds. Every limit
carries where it comes from, word for word as users see it.

* Trunk and stubs: the table of lengths by bit rate in the manner of CiA's, read in a sensor maker's
  manual. Between two rows a length is interpolated on the bit time; below the slowest row its
  lengths hold; above the fastest they shrink with the bit time (that continuation is ours).
* SAE J1939 networks: J1939-11 as published in an engine installation manual; J1939-14 from memory.
* The data phase of CAN FD: one node sends and nobody answers within the bit, so the way there and
  back does not limit the trunk as it does in arbitration. What must not last until the sample point
  is the echo of an edge from the far end: 2·5 ns/m·L ≤ sample point · bit time. The rule is ours,
  no published source; stubs as in the table, continued above 1 Mbit/s.
* Propagation: 2·(t_transceivers + 5 ns/m·L) ≤ sample point · bit time (a microcontroller manual).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from busplan.plan.vehicle import Network, Vehicle

NS_PER_M = 5.0
"""Delay of the cable [ns/m] (ISO 11898 as quoted in a board manual)."""

TRANSCEIVER_NS = 255
"""Most delay of a transceiver, out and back in [ns] (a microcontroller manual)."""

TERMINATOR_OHM = (100.0, 130.0)
"""Range of one terminator [Ω] (ISO 11898 as quoted in a board manual)."""

TERMINATORS = 2
PAIR_OHM = tuple(ohm / TERMINATORS for ohm in TERMINATOR_OHM)
"""Range across the pair [Ω]: two terminators in parallel."""

TABLE = (
    (1_000_000, 25.0, 1.5, 7.5),
    (800_000, 50.0, 2.5, 12.5),
    (500_000, 100.0, 5.5, 27.5),
    (250_000, 250.0, 11.0, 55.0),
    (125_000, 500.0, 22.0, 110.0),
    (50_000, 1000.0, 55.0, 275.0),
)
"""Bit rate [bit/s], trunk, single stub and all stubs together [m]."""

TABLE_SOURCE = "table of lengths by bit rate, as CiA's, from a sensor maker's manual"
J1939_11 = "SAE J1939-11, as published in an engine installation manual"
J1939_14 = "SAE J1939-14 (from memory)"
ECHO_RULE = "busplan's echo rule for the data phase, no published source"
STUB_RULE = "the table's 1 Mbit/s row shortened with the bit time (ours)"

J1939_NODES = 30
"""Most nodes on a J1939 network (J1939-11 and -14, from memory)."""

TRANSCEIVER_NODES = 110
"""Nodes that common transceivers are specified to drive (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Limit:
    """The most of something, and where that comes from."""

    most: float
    source: str


@dataclass(frozen=True, slots=True)
class Lengths:
    """The most trunk, single stub and all stubs together [m]; ``None``: no limit given."""

    trunk: Limit
    stub: Limit
    stubs: Limit | None


@dataclass(frozen=True, slots=True)
class Terminator:
    """One terminator [Ω] and the node it is built into, ``None`` when it is on the cable."""

    ohm: float
    node: str | None


@dataclass(frozen=True, slots=True)
class CableState:
    """A network's cable beside what its bit rate allows.

    ``path_m`` [m] is the longest way between two nodes: the trunk and the two longest stubs.
    ``transceivers_ns`` [ns] is the mean of the two slowest transceivers; ``stated`` false when the
    plan does not describe the cable at all, ``terminators_stated`` when it does not tell those on
    the cable: there may be more than ``terminators``.
    """

    network: Network
    stated: bool
    nodes: int
    trunk_m: float | None
    stubs_m: tuple[tuple[str, float], ...]
    terminators_stated: bool
    terminators: tuple[Terminator, ...]
    lengths: Lengths
    data_lengths: Lengths | None
    sample_point: float
    sample_point_stated: bool
    transceivers_ns: float

    @property
    def path_m(self) -> float | None:
        """The longest way between two nodes [m]."""
        if self.trunk_m is None:
            return None
        return self.trunk_m + sum(sorted((m for _, m in self.stubs_m), reverse=True)[:2])

    @property
    def all_stubs_m(self) -> float:
        """All stubs together [m]."""
        return sum(m for _, m in self.stubs_m)

    @property
    def pair_ohm(self) -> float | None:
        """Resistance across the pair with the power off [Ω]; ``None`` without a terminator."""
        return across_pair([t.ohm for t in self.terminators])

    @property
    def round_trip_ns(self) -> float | None:
        """Propagation there and back over the longest way [ns]."""
        return None if self.path_m is None else round_trip_ns(self.path_m, self.transceivers_ns)

    @property
    def round_trip_limit_ns(self) -> float:
        """Time from the start of a bit to its sample [ns]."""
        return self.sample_point * 1e9 / self.network.bit_rate

    @property
    def needs_compensation(self) -> bool:
        """Whether a sender's own bit comes back through its transceiver after the data sample.

        Its controller must then compensate the transmitter delay (ISO 11898-1).
        """
        rate = self.network.data_bit_rate
        if rate is None:
            return False
        point = self.network.data_sample_point or default_sample_point(rate)
        return self.transceivers_ns > point * 1e9 / rate

    @property
    def node_limit(self) -> Limit:
        """The most nodes on the network."""
        if self.network.j1939:
            return Limit(J1939_NODES, "SAE J1939-11 and -14 (from memory)")
        return Limit(TRANSCEIVER_NODES, "common transceivers; common practice, no source")


def cable_state(vehicle: Vehicle, name: str) -> CableState:
    """A network's cable, with the terminators built into its nodes, beside its limits."""
    network = vehicle.networks[name]
    cable = network.cable
    nodes = vehicle.nodes_on(name)
    on_cable = cable.terminators_ohm if cable else None
    fitted = [Terminator(ohm, None) for ohm in on_cable or ()]
    built_in = [
        Terminator(ohm, node.name) for node in nodes if (ohm := node.on[name].terminator_ohm)
    ]
    delays = sorted(
        (
            TRANSCEIVER_NS
            if node.part.transceiver_delay_ns is None
            else node.part.transceiver_delay_ns
            for node in nodes
        ),
        reverse=True,
    )[:2] or [TRANSCEIVER_NS]
    data = None
    if network.data_bit_rate is not None:
        point = network.data_sample_point or default_sample_point(network.data_bit_rate)
        data = data_phase_lengths(network.data_bit_rate, point)
    return CableState(
        network=network,
        stated=cable is not None,
        nodes=len(nodes),
        trunk_m=cable.trunk_m if cable else None,
        stubs_m=tuple(cable.stubs_m.items()) if cable else (),
        terminators_stated=on_cable is not None,
        terminators=(*fitted, *built_in),
        lengths=arbitration_lengths(network.bit_rate, j1939=network.j1939),
        data_lengths=data,
        sample_point=network.sample_point or default_sample_point(network.bit_rate),
        sample_point_stated=network.sample_point is not None,
        transceivers_ns=sum(delays) / len(delays),
    )


def arbitration_lengths(bit_rate: int, *, j1939: bool = False) -> Lengths:
    """The most trunk and stubs [m] at a bit rate [bit/s] with arbitration."""
    if j1939 and bit_rate <= 250_000:
        return Lengths(Limit(40.0, J1939_11), Limit(1.0, J1939_11), None)
    if j1939 and bit_rate <= 500_000:
        return Lengths(Limit(40.0, J1939_14), Limit(1.67, J1939_14), None)
    trunk, stub, stubs = (
        Limit(_by_bit_time(bit_rate, column), TABLE_SOURCE) for column in (1, 2, 3)
    )
    return Lengths(trunk, stub, stubs)


def data_phase_lengths(data_bit_rate: int, sample_point: float) -> Lengths:
    """The most trunk and stubs [m] for the data phase of CAN FD, by the rules above."""
    trunk = sample_point * 1e9 / data_bit_rate / (2 * NS_PER_M)
    rule = STUB_RULE if data_bit_rate > TABLE[0][0] else TABLE_SOURCE
    stub, stubs = (Limit(_by_bit_time(data_bit_rate, column), rule) for column in (2, 3))
    return Lengths(Limit(trunk, ECHO_RULE), stub, stubs)


def _by_bit_time(bit_rate: int, column: int) -> float:
    """A column of the table, interpolated on the bit time."""
    fastest, slowest = TABLE[0], TABLE[-1]
    if bit_rate >= fastest[0]:
        return fastest[column] * fastest[0] / bit_rate
    if bit_rate <= slowest[0]:
        return slowest[column]
    fast, slow = next((a, b) for a, b in pairwise(TABLE) if a[0] > bit_rate >= b[0])
    part = (1 / bit_rate - 1 / fast[0]) / (1 / slow[0] - 1 / fast[0])
    return fast[column] + part * (slow[column] - fast[column])


def across_pair(terminators_ohm: list[float]) -> float | None:
    """Resistance of terminators in parallel [Ω]; ``None`` when there are none."""
    if not terminators_ohm:
        return None
    return 1 / sum(1 / ohm for ohm in terminators_ohm)


def default_sample_point(bit_rate: int) -> float:
    """Sample point by bit rate: 75 % above 800 kbit/s, 80 % above 500, else 87.5 %.

    As in the Linux kernel's ``calc_bittiming.c``, named there as CiA's.
    """
    if bit_rate > 800_000:
        return 0.75
    return 0.8 if bit_rate > 500_000 else 0.875


def round_trip_ns(length_m: float, transceivers_ns: float = TRANSCEIVER_NS) -> float:
    """Propagation there and back [ns]: 2·(t_transceivers + 5 ns/m·L)."""
    return 2 * (transceivers_ns + NS_PER_M * length_m)


def longest_m(bit_rate: int, sample_point: float, transceivers_ns: float = TRANSCEIVER_NS) -> float:
    """The longest way between two nodes [m] whose round trip ends before the sample."""
    return (sample_point * 1e9 / bit_rate / 2 - transceivers_ns) / NS_PER_M
