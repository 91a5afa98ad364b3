"""Figures over a span from A to B: loads, messages, cells, sensors and chosen signals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busplan.decode.codec import decode_message
from busplan.frames.columns import F64
from busplan.plan.vehicle import SignalAddress
from busplan.replay.lines import Line
from busplan.replay.pack_values import Source, by_line
from busplan.replay.replay import Replay
from busplan.traffic.cycles import MeasuredCycle, measured_cycle


@dataclass(frozen=True, slots=True)
class SignalSpan:
    """One signal over a span: how many values, the lowest, mean and highest, first and last.

    A text signal has :attr:`texts` instead, the different ones that came, in order.
    """

    address: SignalAddress
    unit: str
    count: int
    minimum: float
    mean: float
    maximum: float
    first: float
    last: float
    texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NetworkSpan:
    """One network over a span: mean load, its highest second, frames, error frames."""

    network: str
    mean: float
    highest: float
    frames: int
    errors: int


@dataclass(frozen=True, slots=True)
class MessageSpan:
    """One message over a span; ``cycle`` is ``None`` below two frames.

    ``longest_ns`` is the longest time without a frame, from the span's start and to its end too.
    """

    line: Line
    frames: int
    cycle: MeasuredCycle | None
    longest_ns: int


@dataclass(frozen=True, eq=False)
class Span:
    """Everything over a span [ns]."""

    a_ns: int
    b_ns: int
    networks: tuple[NetworkSpan, ...]
    messages: tuple[MessageSpan, ...]
    cells: tuple[SignalSpan, ...]
    sensors: tuple[SignalSpan, ...]
    chosen: tuple[SignalSpan, ...]


def measure_span(
    replay: Replay, a_ns: int, b_ns: int, chosen: Sequence[SignalAddress] = ()
) -> Span:
    """Evaluate every frame from ``a_ns`` to ``b_ns``, both included, whichever comes first."""
    a_ns, b_ns = min(a_ns, b_ns), max(a_ns, b_ns)
    layout, sources = replay.vehicle.pack, replay.sources
    return Span(
        a_ns,
        b_ns,
        _networks(replay, a_ns, b_ns),
        _messages(replay, a_ns, b_ns),
        _signals(replay, [c.address for c in layout.cells], sources.cells.sources, a_ns, b_ns)
        if layout and sources
        else (),
        _signals(replay, [s.address for s in layout.sensors], sources.sensors.sources, a_ns, b_ns)
        if layout and sources
        else (),
        tuple(
            _texts(replay, a, one, a_ns, b_ns)
            for a, one in zip(
                chosen,
                _signals(replay, chosen, [replay.chosen(a) for a in chosen], a_ns, b_ns),
                strict=True,
            )
        ),
    )


def _networks(replay: Replay, a_ns: int, b_ns: int) -> tuple[NetworkSpan, ...]:
    traffic = replay.traffic
    mean, highest = traffic.mean(a_ns, b_ns), traffic.highest(a_ns, b_ns)
    frames, errors = traffic.counts(a_ns, b_ns)
    return tuple(
        NetworkSpan(name, float(mean[i]), float(highest[i]), int(frames[i]), int(errors[i]))
        for i, name in enumerate(traffic.networks)
    )


def _messages(replay: Replay, a_ns: int, b_ns: int) -> tuple[MessageSpan, ...]:
    found = []
    for line in replay.lines.lines:
        if line.k >= 0:
            times = replay.index.times_at(_inside(replay, line, a_ns, b_ns))
            apart = np.diff(times, prepend=a_ns, append=b_ns)
            found.append(MessageSpan(line, len(times), measured_cycle(times), int(apart.max())))
    return tuple(found)


def _signals(
    replay: Replay,
    addresses: Sequence[SignalAddress],
    sources: Sequence[Source | None],
    a_ns: int,
    b_ns: int,
) -> tuple[SignalSpan, ...]:
    found: dict[int, SignalSpan] = {}
    for number, members in by_line(sources).items():
        line = replay.lines.lines[number]
        assert line.message is not None
        rows = replay.index.rows[_inside(replay, line, a_ns, b_ns)]
        names = list(dict.fromkeys(source.reading.address.signal for _, source in members))
        decoded = decode_message(*replay.index.messages.pick(rows), line.message, names)
        for i, source in members:
            reading = source.reading
            column = decoded.signals[reading.address.signal]
            values = reading.values(column.values[reading.measured(column)])
            found[i] = _summary(addresses[i], reading.unit, values)
    return tuple(
        found.get(i) or _summary(address, "", np.empty(0)) for i, address in enumerate(addresses)
    )


def _texts(
    replay: Replay, address: SignalAddress, none: SignalSpan, a_ns: int, b_ns: int
) -> SignalSpan:
    """The texts of a text signal; ``none``, what was found of it, for any other."""
    line = replay.line_of(address)
    message = line.message if line else None
    if line is None or message is None or not message.has(address.signal):
        return none
    if not message.signal(address.signal).is_text:
        return none
    rows = replay.index.rows[_inside(replay, line, a_ns, b_ns)]
    decoded = decode_message(*replay.index.messages.pick(rows), message, [address.signal])
    came = decoded[address.signal]
    texts = tuple(dict.fromkeys(came.values[came.present].tolist()))
    return replace(none, count=int(came.present.sum()), texts=texts)


def _summary(address: SignalAddress, unit: str, values: F64) -> SignalSpan:
    if not len(values):
        nan = float("nan")
        return SignalSpan(
            address=address,
            unit=unit,
            count=0,
            minimum=nan,
            mean=nan,
            maximum=nan,
            first=nan,
            last=nan,
        )
    return SignalSpan(
        address=address,
        unit=unit,
        count=len(values),
        minimum=float(values.min()),
        mean=float(values.mean()),
        maximum=float(values.max()),
        first=float(values[0]),
        last=float(values[-1]),
    )


def _inside(replay: Replay, line: Line, a_ns: int, b_ns: int) -> slice:
    if line.k < 0:
        return slice(0, 0)
    # Times are whole nanoseconds: "before A" is "up to the one before A".
    first, last = replay.index.upto_of(line.k, np.array([a_ns - 1, b_ns])).tolist()
    return slice(first, last)
