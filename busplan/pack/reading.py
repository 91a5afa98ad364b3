"""How a signal that the plan maps becomes a quantity of the pack: settled once, used everywhere.

Whole columns, one frame on a screen, spans and trends all read through one :class:`SignalReading`.
It is made from definition and plan alone. Only where they leave open whether a cell is told in
volts or millivolts its first values decide (:meth:`SignalReading.settled`), by one rule for all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from busplan.decode.codec import DecodedSignal
from busplan.definitions.model import Signal, Stated
from busplan.frames.columns import F64, Array, Mask
from busplan.pack.codes import no_measurement
from busplan.pack.units import OURS, QUANTITY_KIND, Conversion, conversion
from busplan.plan.vehicle import PackLayout, SignalAddress, Vehicle

HIGHEST_CELL_V = 20.0
"""No cell is measured up to a higher voltage; what tells of more is told in millivolts."""
COARSEST_STEP_V = 0.05
"""Steps of this many volts show nothing of a cell; a greater step is one of millivolts."""
SETTLING = 1000
"""So many values decide where definition and plan do not."""


class Assumed(NamedTuple):
    """A unit that the definition does not give: what it is read as, and by what."""

    unit: str
    reason: str


@dataclass(frozen=True, slots=True)
class SignalReading:
    """One mapped signal: ``value = number * factor + offset`` in ``unit``.

    ``number`` is the physical value as decoded, in the definition's unit. ``codes`` names the
    numbers that are no measurements. ``step`` is what one bit is worth, ``lowest`` and ``highest``
    are the ends of what the raw value can carry (``None``: not known), all in ``unit``.
    ``open`` says that the values themselves still have to settle the unit.
    """

    address: SignalAddress
    signal: Signal
    cycle: Stated | None
    unit: str
    factor: float = 1.0
    offset: float = 0.0
    codes: Mapping[float | int, str] = field(default_factory=dict)
    step: float = 0.0
    lowest: float | None = None
    highest: float | None = None
    assumed: Assumed | None = None
    open: bool = False

    @property
    def plain(self) -> bool:
        """Whether numbers are taken as they are."""
        return self.factor == 1.0 and self.offset == 0.0

    def value(self, number: float | int) -> float:
        """One decoded number as the quantity; NaN when it is a code or no number."""
        if number in self.codes or number - number != 0:
            return float("nan")
        return float(number) if self.plain else number * self.factor + self.offset

    def measured(self, decoded: DecodedSignal) -> Mask:
        """Which frames carry a measurement: the signal is there and no code."""
        present = decoded.present
        if self.codes:
            present = present & ~np.isin(decoded.values, self._coded(decoded.values))
        if self.signal.is_float:
            present = present & np.isfinite(decoded.values)
        return present

    def _coded(self, values: Array) -> Array:
        return np.array(list(self.codes), values.dtype)

    def values(self, numbers: Array) -> F64:
        """Decoded numbers, codes already left out, as the quantity; shape kept."""
        return Conversion(self.factor, self.offset).apply(np.asarray(numbers, np.float64))

    def settled(self, numbers: F64) -> SignalReading:
        """The reading once the first decoded numbers have been seen; itself when it is not open."""
        if not self.open:
            return self
        first = numbers[:SETTLING]
        millivolts = bool(len(first)) and float(np.median(first)) > HIGHEST_CELL_V
        scale = _read_as(millivolts, "its first values")
        return _made(self.address, self.signal, self.cycle, self.unit, self.codes, scale, 1)


@dataclass(frozen=True, eq=False)
class PackReadings:
    """The readings of a layout, in its order; ``None`` where the plan's node has no such signal."""

    cells: tuple[SignalReading | None, ...]
    sensors: tuple[SignalReading | None, ...]
    quantities: Mapping[str, SignalReading | None]

    @staticmethod
    def of(vehicle: Vehicle, layout: PackLayout) -> PackReadings:
        """From definition and plan alone."""
        streams = {s.path: s for s in vehicle.streams}

        def read(
            address: SignalAddress, kind: str, top_v: float, sign: int = 1
        ) -> SignalReading | None:
            stream = streams.get(address[:3])
            if stream is None or not stream.message.has(address.signal):
                return None
            cycle = None if stream.event else stream.cycle
            signal = stream.message.signal(address.signal)
            return _read(address, signal, cycle, kind, top_v, sign)

        limits = layout.limits
        pack_v = limits.cell_high_v * max(len(layout.cells), 1)
        return PackReadings(
            tuple(read(c.address, "voltage", 0.0) for c in layout.cells),
            tuple(read(s.address, "temperature", 0.0) for s in layout.sensors),
            {
                name: read(
                    address,
                    QUANTITY_KIND.get(name, ""),
                    pack_v,
                    layout.current_sign if name == "current" else 1,
                )
                for name, address in layout.quantities.items()
            },
        )


def plain_reading(address: SignalAddress, signal: Signal, cycle: Stated | None) -> SignalReading:
    """Any signal in its own unit; a state without a unit keeps all its values."""
    codes = no_measurement(signal) if signal.unit else {}
    return SignalReading(
        address, signal, cycle, signal.unit, codes=codes, step=abs(float(signal.scale))
    )


class _Scale(NamedTuple):
    """How numbers become ours, and why where the definition does not say."""

    conversion: Conversion
    assumed: Assumed | None = None
    open: bool = False


def _read(
    address: SignalAddress,
    signal: Signal,
    cycle: Stated | None,
    kind: str,
    top_v: float,
    sign: int,
) -> SignalReading:
    if not kind:
        return _made(address, signal, cycle, signal.unit, {}, _Scale(Conversion(1.0)), 1)
    codes = no_measurement(signal) if signal.choices else {}
    return _made(address, signal, cycle, OURS[kind], codes, _scale(signal, kind, top_v), sign)


def _scale(signal: Signal, kind: str, top_v: float) -> _Scale:
    found = conversion(kind, signal.unit)
    if found is not None:
        return _Scale(found)
    if kind == "voltage" and not signal.unit.strip():
        return _unitless(signal, top_v)
    return _Scale(Conversion(1.0), Assumed(OURS[kind], "what the plan maps it as"))


def _unitless(signal: Signal, top_v: float) -> _Scale:
    """Volts or millivolts: by what one bit is worth and the stated range, else open.

    ``top_v`` is the highest voltage a pack can have, 0 for a cell.
    """
    low, top = signal.minimum, signal.maximum
    stated = float(top) if low is not None and top is not None and low < top else None
    if top_v:
        # A definition of a whole pack ends within a few times its voltage, or at the raw end.
        return _read_as(stated is not None and stated > 50 * top_v, "its stated range")
    if not signal.is_float and abs(float(signal.scale)) > COARSEST_STEP_V:
        return _read_as(True, "the size of its step")
    if stated is not None:
        return _read_as(stated > HIGHEST_CELL_V, "its stated range")
    if signal.is_float:
        return _Scale(Conversion(1.0), open=True)
    return _read_as(False, "the size of its step")


def _read_as(millivolts: bool, reason: str) -> _Scale:
    if millivolts:
        return _Scale(Conversion(1e-3), Assumed("mV", reason))
    return _Scale(Conversion(1.0), Assumed("V", reason))


def _made(
    address: SignalAddress,
    signal: Signal,
    cycle: Stated | None,
    unit: str,
    codes: Mapping[float | int, str],
    scale: _Scale,
    sign: int,
) -> SignalReading:
    """The reading with its sign, its step and the ends of its raw value."""
    factor, offset = sign * scale.conversion.factor, sign * scale.conversion.offset
    ends: list[float] | list[None] = [None, None]
    if not signal.is_float and signal.length <= 52:
        low = -(1 << (signal.length - 1)) if signal.signed else 0
        first, last = low * factor, (low + (1 << signal.length) - 1) * factor
        step, start = float(signal.scale), float(signal.offset) * factor + offset
        ends = sorted((first * step + start, last * step + start))
    return SignalReading(
        address=address,
        signal=signal,
        cycle=cycle,
        unit=unit,
        factor=factor,
        offset=offset,
        codes=codes,
        step=abs(float(signal.scale) * factor),
        lowest=ends[0],
        highest=ends[1],
        assumed=scale.assumed,
        open=scale.open,
    )
