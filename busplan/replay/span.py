"""Figures over a span from A to B: loads, messages, cells, sensors and chosen signals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busplan.decode.codec import decode_message
from busplan.plan.vehicle import PackLayout, SignalAddress
from busplan.replay.lines import Line
from busplan.replay.replay import VOLTS, Replay
from busplan.traffic.cycles import MeasuredCycle, measured_cycle
from busplan.traffic.running import F64


@dataclass(frozen=True, slots=True)
class SignalSpan:
    """One signal over a span: how many values, the lowest, mean and highest, first and last."""

    address: SignalAddress
    unit: str
    count: int
    minimum: float
    mean: float
    maximum: float
    first: float
    last: float


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
    layout = replay.vehicle.pack
    return Span(
        a_ns,
        b_ns,
        _networks(replay, a_ns, b_ns),
        _messages(replay, a_ns, b_ns),
        _cells(replay, layout, a_ns, b_ns),
        _signals(replay, [s.address for s in layout.sensors] if layout else [], a_ns, b_ns),
        _signals(replay, chosen, a_ns, b_ns),
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


def _cells(
    replay: Replay, layout: PackLayout | None, a_ns: int, b_ns: int
) -> tuple[SignalSpan, ...]:
    if layout is None:
        return ()
    return _signals(replay, [c.address for c in layout.cells], a_ns, b_ns, volts=True)


def _signals(
    replay: Replay,
    addresses: Sequence[SignalAddress],
    a_ns: int,
    b_ns: int,
    *,
    volts: bool = False,
) -> tuple[SignalSpan, ...]:
    by_line: dict[int, list[int]] = {}
    for i, address in enumerate(addresses):
        line = replay.line_of(address)
        if line and line.message and line.message.has(address.signal):
            by_line.setdefault(replay.lines.number[line.key], []).append(i)
    found: dict[int, SignalSpan] = {}
    for number, members in by_line.items():
        line = replay.lines.lines[number]
        assert line.message is not None
        rows = replay.index.rows[_inside(replay, line, a_ns, b_ns)]
        names = [addresses[i].signal for i in members]
        decoded = decode_message(*replay.index.messages.pick(rows), line.message, names)
        for i, name in zip(members, names, strict=True):
            column = decoded.signals[name]
            values = np.asarray(column.values[column.present], np.float64)
            unit = column.signal.unit
            if volts:
                values, unit = values * VOLTS.get(unit, 1.0), "V"
            found[i] = _summary(addresses[i], unit, values)
    return tuple(
        found.get(i) or _summary(address, "", np.empty(0)) for i, address in enumerate(addresses)
    )


def _summary(address: SignalAddress, unit: str, values: F64) -> SignalSpan:
    if not len(values):
        nan = float("nan")
        return SignalSpan(address, unit, 0, nan, nan, nan, nan, nan)
    return SignalSpan(
        address,
        unit,
        len(values),
        float(values.min()),
        float(values.mean()),
        float(values.max()),
        float(values[0]),
        float(values[-1]),
    )


def _inside(replay: Replay, line: Line, a_ns: int, b_ns: int) -> slice:
    if line.k < 0:
        return slice(0, 0)
    # Times are whole nanoseconds: "before A" is "up to the one before A".
    first, last = replay.index.upto_of(line.k, np.array([a_ns - 1, b_ns])).tolist()
    return slice(first, last)
