"""How full each network is by its plan, and whether that is over its limit.

A planned load is an average over all time: each message's time on the wire over its period (for a
message on event, its least distance). Two figures bracket the truth: *nominal* without any stuff
bit, *worst* with as many as payloads could force. Bits are counted from start of frame to the end
of the intermission, so that back-to-back frames give 100 %.

Sources: frame lengths :mod:`busplan.wire.lengths`; 40 % average on a J1939 network SAE J1939-11, as
published in an engine installation manual; 50 % elsewhere common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busplan.checks.wording import rates
from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.paper_text import key_text
from busplan.plan.vehicle import Network, Stream, Vehicle
from busplan.wire.load_limit import headroom, over_limit
from busplan.wording import counted, listing, percent

WINDOW = "average over all time, from the stated periods"
"""The window of every load in this module."""


@dataclass(frozen=True, slots=True)
class MessageLoad:
    """One stream's part of its network: time on the wire [ns] a period, and share of load.

    ``frames`` counts frames a period: more than one where a J1939 transport session is needed.
    ``…_data_ns`` is what CAN FD frames spend of it at the data bit rate. Shares are fractions,
    ``None`` when nobody states the period.
    """

    stream: Stream
    frames: int
    nominal_ns: int
    worst_ns: int
    nominal_data_ns: int
    worst_data_ns: int

    @property
    def nominal(self) -> float | None:
        """Share of the network's time without any stuff bit."""
        return self._share(self.nominal_ns)

    @property
    def worst(self) -> float | None:
        """Share of the network's time with as many stuff bits as payloads can force."""
        return self._share(self.worst_ns)

    @property
    def data_phase(self) -> tuple[float, float]:
        """Nominal and worst share of the network's time that passes at the data bit rate."""
        return self._share(self.nominal_data_ns) or 0.0, self._share(self.worst_data_ns) or 0.0

    def _share(self, ns: int) -> float | None:
        return None if self.stream.cycle is None else ns / self.stream.cycle.ns


@dataclass(frozen=True, slots=True, repr=False)
class PlannedLoad:
    """The planned load of one network; ``nominal`` and ``worst`` are fractions of its time."""

    network: Network
    messages: tuple[MessageLoad, ...]
    nominal: float
    worst: float

    def __repr__(self) -> str:
        told = f"{percent(self.nominal)} nominal, {percent(self.worst)} worst"
        limit = percent(self.network.load_limit)
        return f"<PlannedLoad of {self.network.name!r}: {told}, limit {limit}>"

    @property
    def headroom(self) -> float:
        """Limit minus worst-case load; negative when the load may be over the limit."""
        return headroom(self.worst, self.network.load_limit)

    @property
    def data_phase(self) -> tuple[float, float]:
        """Nominal and worst load at the data bit rate; the rest is at the arbitration bit rate."""
        nominal, worst = zip((0.0, 0.0), *(m.data_phase for m in self.messages), strict=True)
        return sum(nominal), sum(worst)

    @property
    def unstated(self) -> tuple[MessageLoad, ...]:
        """Messages without a period; the load leaves them out."""
        return tuple(m for m in self.messages if m.worst is None)

    def by_node(self) -> dict[str, tuple[float, float]]:
        """Nominal and worst share of each sending node, largest first."""
        shares: dict[str, tuple[float, float]] = {}
        for m in self.messages:
            nominal, worst = shares.get(m.stream.node, (0.0, 0.0))
            shares[m.stream.node] = (nominal + (m.nominal or 0.0), worst + (m.worst or 0.0))
        return dict(sorted(shares.items(), key=lambda item: -item[1][1]))


def limit_origin(network: Network) -> str:
    """Where a network's load limit comes from."""
    if network.load_limit_stated:
        return "plan"
    if network.j1939:
        return "SAE J1939-11, as published in an engine installation manual"
    return "common practice, no source"


def network_loads(vehicle: Vehicle) -> dict[str, PlannedLoad]:
    """The planned load of every network, in plan order."""
    return {name: network_load(vehicle, name) for name in vehicle.networks}


def network_load(vehicle: Vehicle, name: str) -> PlannedLoad:
    """The planned load of one network; its messages in order of arbitration."""
    network = vehicle.networks[name]
    messages = tuple(_message_load(stream, network) for stream in vehicle.on(name))
    return PlannedLoad(
        network,
        messages,
        sum(m.nominal or 0.0 for m in messages),
        sum(m.worst or 0.0 for m in messages),
    )


def _message_load(stream: Stream, network: Network) -> MessageLoad:
    from busplan.wire.lengths import Bits, duration_ns, frames_of, message_bits

    def spent_ns(bits: Bits) -> int:
        return frames * duration_ns(bits, network.bit_rate, network.data_bit_rate)

    frame, frames = frames_of(stream.message)
    nominal, worst = message_bits(frame)
    return MessageLoad(
        stream,
        frames,
        spent_ns(nominal),
        spent_ns(worst),
        spent_ns(Bits(0, nominal.data)),
        spent_ns(Bits(0, worst.data)),
    )


def check(vehicle: Vehicle) -> Iterator[Finding]:
    """Networks over their limit, and messages whose period nobody states."""
    for load in network_loads(vehicle).values():
        if over_limit(load.worst, load.network.load_limit):
            yield _over_limit(load)
        if load.unstated:
            yield periods_missing(load)


def _over_limit(load: PlannedLoad) -> Finding:
    network = load.network
    limit = f"{percent(network.load_limit)} ({limit_origin(network)})"
    told = f"{percent(load.nominal)} without stuff bits, {percent(load.worst)} with the most"
    if over_limit(load.worst, 1.0):
        weight = Weight.FAULT
        why = "There may not be time for all frames: the least urgent ones then never come."
    elif over_limit(load.nominal, network.load_limit):
        weight = Weight.CAUTION
        why = (
            "Whatever the payloads, less urgent frames wait long or miss their deadline, and "
            "little is left for diagnosis, retransmission or another node."
        )
    else:
        weight = Weight.CAUTION
        why = (
            "Payloads decide how many stuff bits there are: with unlucky ones less urgent frames "
            "wait long or miss their deadline."
        )
    biggest = sorted(load.messages, key=lambda m: -(m.worst or 0))[:3]
    shares = (
        f"{m.stream.message.name} of {m.stream.node} {percent(m.worst or 0)}" for m in biggest
    )
    return Finding(
        "load-over-limit",
        weight,
        Where(network.name),
        f"{network.name} at {rates(network)} carries {told}; its limit is {limit}.",
        why,
        "Move nodes to another network, raise the bit rate if all parts speak it, or send the "
        f"biggest shares less often: {listing(shares)}.",
        (
            Figure("nominal load", round(100 * load.nominal, 2), "%"),
            Figure("worst-case load", round(100 * load.worst, 2), "%"),
            Figure("limit", round(100 * network.load_limit, 2), "%"),
            Figure("bit rate", network.bit_rate, "bit/s"),
        ),
    )


def periods_missing(load: PlannedLoad) -> Finding:
    """Messages of a network whose period nobody states, as one finding."""
    missing = load.unstated
    names = [f"{m.stream.node}/{m.stream.message.name}" for m in missing]
    example = f"[message.{key_text(missing[0].stream.label)}]"
    them = "it" if len(names) == 1 else "them"
    return Finding(
        "period-not-stated",
        Weight.CAUTION,
        Where(load.network.name, missing[0].stream.node, missing[0].stream.message.name),
        f"Nobody states how often {counted(len(names), 'message')} of {load.network.name} "
        f"{'is' if len(names) == 1 else 'are'} sent: {listing(names)}.",
        f"The load of {load.network.name} leaves {them} out; its response times count {them} once "
        f"and have none for {them}. Both are too low.",
        f"State cycle_ms, or min_distance_ms if sent on event, in the plan: {example}.",
        (Figure("messages", len(names)),),
    )
