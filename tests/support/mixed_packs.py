"""Random packs with their traffic, and by plain loops what is known of each signal at a moment.

Nothing here uses the project's reading: bits are set one by one, units are turned by the textbook
formulas of each scale, ages are counted frame by frame.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np
from hypothesis import strategies as st

from busplan.definitions.model import Message, MuxCondition, Origin, Signal, Stated
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import (
    CellPlace,
    Network,
    PackLayout,
    PackLimits,
    SensorPlace,
    Stream,
    Vehicle,
)

MS = 1_000_000
START = 1_700_000_000_000_000_000
Turn = Callable[[float], float]

VOLTAGES: Mapping[str, Turn] = {
    "V": lambda x: x,
    "mV": lambda x: x / 1000,
    "Volt": lambda x: x,
}
TEMPERATURES: Mapping[str, Turn] = {
    # Fahrenheit and kelvin: BIPM, The International System of Units (2019), and NIST SP 811, B.8.
    "°C": lambda x: x,
    "degC": lambda x: x,
    "°F": lambda x: (x - 32) / 1.8,
    "K": lambda x: x - 273.15,
    "": lambda x: x,
}
CURRENTS: Mapping[str, Turn] = {"A": lambda x: x, "mA": lambda x: x / 1000, "": lambda x: x}
CODES = ("not available", "SNA", "Error", "Sensor_defect", "invalid")
ORDINARY = ("0 V", "empty", "full", "standby level")


@dataclass(frozen=True)
class Made:
    """One mapped signal: how its raw values become ours, and which are codes."""

    role: str
    signal: Signal
    turn: Turn
    codes: frozenset[int]
    page: int | None


@dataclass(frozen=True)
class Sent:
    """One message: its stream, times [ns from the start] and raw values of each frame."""

    stream: Stream
    made: tuple[Made, ...]
    times: tuple[int, ...]
    raws: tuple[Mapping[str, int], ...]


@dataclass(frozen=True)
class MixedPack:
    """A vehicle, its capture and what was sent."""

    vehicle: Vehicle
    table: FrameTable
    sent: tuple[Sent, ...]

    def of(self, role: str) -> list[tuple[Sent, Made]]:
        """All signals of a role, in the layout's order."""
        return [(s, m) for s in self.sent for m in s.made if m.role == role]


def carried(sent: Sent, made: Made) -> list[tuple[int, int]]:
    """Time and raw value of every frame that carries the signal."""
    found = []
    for time, raws in zip(sent.times, sent.raws, strict=True):
        if made.page is None or raws["Page"] == made.page:
            found.append((time, raws[made.signal.name]))
    return found


def physical(made: Made, raw: int, sign: int = 1) -> float:
    """A raw value as our quantity; NaN for a code."""
    if raw in made.codes:
        return math.nan
    return sign * made.turn(raw * made.signal.scale + made.signal.offset)


def allowed(sent: Sent, made: Made) -> float:
    """The age [ns] up to which a value counts, told in the words of the rule."""

    def own(times: Sequence[int]) -> float:
        gaps = [b - a for a, b in pairwise(times)]
        return max(2.5 * median(gaps), 1e9) if gaps else math.inf

    gaps = [b - a for a, b in pairwise(sent.times)]
    if sent.stream.cycle is None or sent.stream.event:
        message = own(sent.times)
    elif len(gaps) >= 16:
        message = 2.5 * max(sent.stream.cycle.ns, median(gaps))
    else:
        message = 2.5 * sent.stream.cycle.ns
    if made.page is None:
        return message
    times = [time for time, _ in carried(sent, made)]
    return max(message, own(times)) if len(times) > 1 else message


def known(sent: Sent, made: Made, t_ns: int, sign: int = 1) -> float:
    """The value that holds at a moment; NaN: none yet, a code, or too old."""
    value = math.nan
    for time, raw in carried(sent, made):
        if time <= t_ns:
            value = physical(made, raw, sign) if t_ns - time <= allowed(sent, made) else math.nan
    return value


@st.composite
def mixed_packs(draw: st.DrawFn) -> MixedPack:
    """Cells, sensors and a current over one to three messages."""
    sent = tuple(_message(draw, n) for n in range(draw(st.integers(1, 3))))
    cells = [(s, m) for s in sent for m in s.made if m.role == "cell"]
    sensors = [(s, m) for s in sent for m in s.made if m.role == "sensor"]
    amps = [(s, m) for s in sent for m in s.made if m.role == "current"]
    layout = PackLayout(
        "NMC",
        PackLimits(3.0, 4.2),
        {"A": ("A1",)},
        tuple(
            CellPlace(i + 1, "A1", s.stream.address(m.signal.name))
            for i, (s, m) in enumerate(cells)
        ),
        tuple(
            SensorPlace("A1", i + 1, s.stream.address(m.signal.name))
            for i, (s, m) in enumerate(sensors)
        ),
        dict(zip(["current"], (s.stream.address(m.signal.name) for s, m in amps), strict=False)),
        draw(st.sampled_from([1, -1])),
    )
    networks = {"pack": Network("pack", 500_000)}
    streams = tuple(s.stream for s in sent)
    vehicle = Vehicle("Heron", "heron.toml", networks, {}, {}, streams, pack=layout)
    return MixedPack(vehicle, _table(sent), sent)


def _message(draw: st.DrawFn, number: int) -> Sent:
    paged = draw(st.booleans())
    made = []
    for i in range(draw(st.integers(1, 3))):
        made.append(_signal(draw, f"S{number}{i}", 8 + 16 * i, i % 2 if paged else None))
    selector = Signal("Page", 0, 8, selects=paged)
    cycle = draw(st.sampled_from([None, 20, 100, 400]))
    event = cycle is not None and draw(st.integers(0, 5)) == 0
    stated = None if cycle is None else Stated(cycle * MS, Origin.DEFINITION)
    message = Message(
        f"M{number}",
        0x300 + number,
        False,
        8,
        (selector, *(m.signal for m in made)),
        cycle=stated,
        event=event,
    )
    gaps = draw(st.lists(st.sampled_from([20, 21, 99, 100, 103, 260, 900, 2600]), max_size=40))
    times = np.cumsum([draw(st.integers(0, 500)), *gaps]) * MS
    raws = []
    for n in range(len(times)):
        values = {"Page": n % 2}
        for m in made:
            low = -(1 << (m.signal.length - 1)) if m.signal.signed else 0
            some = st.integers(low, low + (1 << m.signal.length) - 1)
            listed = sorted(m.signal.choices)
            values[m.signal.name] = draw(st.one_of(some, st.sampled_from(listed)))
        raws.append(values)
    stream = Stream("pack", "monitor", message, stated, None, event=event)
    return Sent(stream, tuple(made), tuple(int(t) for t in times), tuple(raws))


def _signal(draw: st.DrawFn, name: str, start: int, page: int | None) -> Made:
    role = draw(st.sampled_from(["cell", "cell", "sensor", "current"]))
    units = {"cell": VOLTAGES, "sensor": TEMPERATURES, "current": CURRENTS}[role]
    unit = draw(st.sampled_from([*units, "none"] if role == "cell" else list(units)))
    scale = draw(st.sampled_from([1, 0.5, 0.1, 0.02, 0.001]))
    if unit == "none":
        # A step of a tenth shows nothing of a cell in volts: common practice, no source.
        unit, turn = "", VOLTAGES["mV" if scale >= 0.1 else "V"]
    else:
        turn = units[unit]
    length = draw(st.sampled_from([8, 12, 16]))
    signed, big = draw(st.booleans()), draw(st.booleans())
    low = -(1 << (length - 1)) if signed else 0
    raw = st.integers(low, low + (1 << length) - 1)
    named = draw(st.lists(raw, min_size=1, max_size=3, unique=True))
    names = {r: draw(st.sampled_from(CODES + ORDINARY)) for r in named}
    signal = Signal(
        name,
        start + 7 if big else start,
        length,
        big,
        signed,
        scale=scale,
        offset=draw(st.sampled_from([0, -40, 0.5])),
        unit=unit,
        choices=names,
        condition=None if page is None else MuxCondition("Page", ((page, page),)),
    )
    return Made(role, signal, turn, frozenset(r for r in names if names[r] in CODES), page)


def _table(sent: Sequence[Sent]) -> FrameTable:
    frames = []
    for s in sent:
        for time, raws in zip(s.times, s.raws, strict=True):
            frames.append((time, s.stream.message.identifier, _payload(s, raws)))
    frames.sort(key=lambda f: (f[0], f[1]))
    return FrameTable.from_columns(
        ["pack"],
        np.array([time for time, _, _ in frames]) + START,
        np.zeros(len(frames)),
        np.array([identifier for _, identifier, _ in frames]),
        np.zeros(len(frames)),
        np.full(len(frames), 8),
        np.array([byte for _, _, payload in frames for byte in payload], np.uint8),
    )


def _payload(sent: Sent, raws: Mapping[str, int]) -> list[int]:
    payload = [0] * 8
    payload[0] = raws["Page"]
    for made in sent.made:
        signal = made.signal
        if made.page is not None and raws["Page"] != made.page:
            continue
        bit = signal.start
        # Little-endian: from the least significant bit up; big-endian: from the most down.
        order = range(signal.length - 1, -1, -1) if signal.big_endian else range(signal.length)
        for place in order:
            payload[bit // 8] |= (raws[signal.name] >> place & 1) << bit % 8
            if not signal.big_endian:
                bit += 1
            else:
                bit = bit + 15 if bit % 8 == 0 else bit - 1
    return payload
