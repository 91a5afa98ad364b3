"""What each signal of a message shows at given times: from the scene, or sensible by definition.

The order in which a value is looked for: the scene's series for ``node/signal``, then for
``signal``; a multiplexer selector pages through its values; a counter counts; a checksum is filled
in last; anything else gets a quiet, believable value from its unit, choices and range.
"""

from __future__ import annotations

from zlib import crc32

import numpy as np

from busplan.decode.encode import encode_message
from busplan.decode.protection import SAE_J1850, checksum
from busplan.definitions.model import Message, Signal, raw_range
from busplan.demo.scenes import Scene
from busplan.frames.columns import F64, I64, U8
from busplan.plan.vehicle import Stream

CALM_CHOICES = (
    "Good",
    "Ready",
    "Running",
    "Recording",
    "Measuring",
    "Holding",
    "Clear",
    "Closed",
    "Stowed",
    "On",
    "Driving",
)
"""Value names that tell of a node doing its work quietly; the first that fits is shown."""
STILL = {
    "MotorSpeedLimit": 9000,
    "PedalSupply": 5.0,
    "Derating": 0,
    "ChargerDerating": 0,
    "DoorPosition": 0,
    "DoorMotorCurrent": 0,
    "DoorEventKind": 1,
    "DcdcOutputVoltage": 13.8,
    "DcdcOutputCurrent": 41.0,
    "DcdcVoltageRequest": 13.8,
    "ChargeVoltageRequest": 0,
    "ChargeCurrentRequest": 0,
    "ChargeEnable": 0,
    "ChargeTimeLeft": 0,
    "ChargerState": 0,
    "ChargerVoltage": 0,
    "ChargerCurrent": 0,
    "MainsVoltage": 0,
    "MainsCurrent": 0,
    "PlugState": 0,
    "PilotDuty": 0,
    "CableCurrentLimit": 0,
    "InsulationPlus": 5100,
    "InsulationMinus": 5060,
    "InsulationVoltage": 181.0,
    "SteeringPumpSpeed": 2200,
    "SteeringCurrent": 9.0,
    "LiftPressure": 0,
}
"""What a van shows that is not charging, doors closed, for signals no scene speaks of."""
QUIET = {
    "V": 13.7,
    "A": 1.6,
    "°C": 24.0,
    "%": 40.0,
    "bar": 1.4,
    "rpm": 1200.0,
    "h": 612.4,
    "kΩ": 2600.0,
    "lx": 320.0,
    "kB": 7_340_032.0,
    "kWh/km": 0.31,
    "km": 100.0,
    "min": 30.0,
}
"""What a signal without a script shows, by its unit."""


def payloads(scene: Scene, stream: Stream, time_ns: I64, seed: int) -> U8:
    """Payloads of one stream's frames queued at ``time_ns`` (from the scene's start), ``(n, len)``.

    A message that the scene sends short is cut after encoding, checksum included.
    """
    message = stream.message
    n = len(time_ns)
    counts = frame_counts(n, scene.planted.skips.get(stream.label))
    values: dict[str, F64] = {}
    for signal in message.signals:
        if not signal.name.endswith("Checksum"):
            values[signal.name] = signal_values(scene, stream, signal, time_ns, counts, seed)
    data = encode_message(message, values, n)
    for signal in message.signals:
        if signal.name.endswith("Checksum"):
            fill_checksum(data, message, signal)
    return data[:, : scene.planted.short.get(stream.label, message.length)]


def frame_counts(n: int, skip_every: int | None = None) -> I64:
    """Number of each frame as its counter sees it; one number is left out every so many frames."""
    counts = np.arange(n, dtype=np.int64)
    return counts + counts // skip_every if skip_every else counts


def signal_values(
    scene: Scene, stream: Stream, signal: Signal, time_ns: I64, counts: I64, seed: int
) -> F64:
    """Physical values of one signal, ``(n,)``, within what its bits and its range can hold."""
    time = time_ns / 1e9
    series = scene.series.get(f"{stream.node}/{signal.name}") or scene.series.get(signal.name)
    if signal.selects:
        return pages(stream.message, signal, counts)
    if series is not None:
        values = series.at(time)
        if series.noise:
            name = f"{stream.label}/{signal.name}"
            random = np.random.default_rng([seed, crc32(name.encode())])
            values = values + series.noise * random.standard_normal(len(values))
    elif signal.name in STILL:
        values = np.full(len(time), float(STILL[signal.name]))
    elif "Counter" in signal.name or signal.name.endswith("EventCount"):
        return np.asarray(counts % (1 << min(signal.length, 62)), np.float64)
    elif signal.name.endswith(("Time", "UpTime")) and signal.unit == "s":
        values = time
    else:
        values = quiet_values(f"{stream.node}/{signal.name}", signal, time)
    return within(signal, values)


def within(signal: Signal, values: F64) -> F64:
    """Values limited to the stated range, or to what the bits hold when none is stated."""
    if signal.minimum is not None and signal.maximum is not None:
        return np.clip(values, float(signal.minimum), float(signal.maximum))
    if signal.is_float:
        return values
    low, high = (raw * signal.scale + signal.offset for raw in raw_range(signal))
    return np.clip(values, min(low, high), max(low, high))


def pages(message: Message, selector: Signal, counts: I64) -> F64:
    """Values of a multiplexer selector: one page after the other; inner pages turn more slowly."""
    raws = selector_values(message, selector)
    turn = 1
    condition = selector.condition
    while condition is not None:
        outer = message.signal(condition.selector)
        turn *= len(selector_values(message, outer))
        condition = outer.condition
    chosen = np.asarray(raws, np.float64)[counts // turn % len(raws)]
    return np.asarray(chosen * selector.scale + selector.offset, np.float64)


def selector_values(message: Message, selector: Signal) -> list[int]:
    """Raw selector values under which any signal is on the wire."""
    ranges = [
        r
        for s in message.signals
        if s.condition is not None and s.condition.selector == selector.name
        for r in s.condition.ranges
    ]
    return sorted({raw for low, high in ranges for raw in range(low, high + 1)}) or [0]


def quiet_values(name: str, signal: Signal, time_s: F64) -> F64:
    """A believable value for a signal nothing is said about; it hardly moves."""
    dice = crc32(name.encode())
    if signal.choices:
        calm = [
            raw for word in CALM_CHOICES for raw, text in signal.choices.items() if text == word
        ]
        raw = calm[0] if calm else min(signal.choices)
        return np.full(len(time_s), raw * signal.scale + signal.offset, np.float64)
    if signal.length == 1:
        return np.zeros(len(time_s))
    if not signal.unit:
        # A serial number is a large number, a count of mishaps a small one.
        most = 1 << 24 if "Serial" in signal.name else 60
        raw = dice % min(raw_range(signal)[1], most)
        return np.full(len(time_s), raw * signal.scale + signal.offset)
    spread = 0.02 if signal.unit == "V" else 0.2
    middle = QUIET.get(signal.unit, 0.0) * (1 - spread / 2 + spread * (dice % 101) / 100)
    if signal.unit == "h":
        return np.full(len(time_s), middle)
    period = 40 + dice % 200
    return np.asarray(middle * (1 + spread / 10 * np.sin(2 * np.pi * time_s / period + dice % 7)))


def fill_checksum(data: U8, message: Message, signal: Signal) -> None:
    """Write the checksum byte in place: CRC-8 SAE J1850 over the identifier, then the other bytes.

    The identifier goes first, high byte first: two bytes when it has 11 bits, four when 29. That
    nodes cover the identifier too, so that a frame under a wrong one is noticed, is common
    practice, no source.
    """
    position = signal.start // 8
    width = 4 if message.extended else 2
    head = np.frombuffer(message.identifier.to_bytes(width, "big"), np.uint8)
    covered = np.delete(data, position, axis=1)
    whole = np.concatenate([np.broadcast_to(head, (len(data), width)), covered], axis=1)
    data[:, position] = checksum(whole, SAE_J1850)
