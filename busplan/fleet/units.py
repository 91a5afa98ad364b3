"""Every signal of a plan in busplan's own unit, and where its values stand in a file of frames."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Any

from busplan.fleet.schema import SLOTS
from busplan.pack.reading import PackReadings, SignalReading, plain_reading
from busplan.pack.units import OURS, Conversion, conversion
from busplan.plan.vehicle import SignalAddress, Stream, Vehicle


@dataclass(frozen=True, eq=False)
class Rows:
    """Signals that share the rows of one message; ``name`` is what the rows are called.

    A message of more than :data:`busplan.fleet.schema.SLOTS` numbers has several: its name, then
    ``NAME#2`` and so on.
    """

    name: str
    readings: tuple[SignalReading, ...]


def own_unit(unit: str) -> tuple[str, Conversion] | None:
    """Our unit for a definition's unit, and how its values become ours; ``None``: kept as it is.

    Only what cannot be mistaken: a bare K may be a difference, a bare F a capacitance and a bare
    mohm milli or mega. Where the plan maps a signal it is known, and read as the pack is.
    """
    bare = unit.strip()
    for kind in ("voltage", "current"):
        if found := conversion(kind, bare):
            return OURS[kind], found
    if bare.lower() != "mohm" and (found := conversion("resistance", bare)):
        return OURS["resistance"], found
    found = conversion("temperature", bare)
    if found and len(bare) > 1 and found.offset != -273.15:
        return OURS["temperature"], found
    return None


def readings_of(vehicle: Vehicle) -> dict[SignalAddress, SignalReading]:
    """How each number of the vehicle is read: what the plan maps as the pack's, the rest by unit.

    Values that mean "no measurement" are none. Signals of text are left out.
    """
    mapped: dict[SignalAddress, SignalReading] = {}
    if vehicle.pack is not None:
        told = PackReadings.of(vehicle, vehicle.pack)
        for reading in (*told.cells, *told.sensors, *told.quantities.values()):
            if reading is not None:
                mapped.setdefault(reading.address, reading)
    found = {}
    for address, stream, signal in vehicle.signals():
        if signal.is_text:
            continue
        cycle = None if stream.event else stream.cycle
        found[address] = mapped.get(address) or _in_our_unit(plain_reading(address, signal, cycle))
    return found


def _in_our_unit(reading: SignalReading) -> SignalReading:
    own = own_unit(reading.unit)
    if own is None:
        return reading
    unit, change = own
    return replace(
        reading,
        unit=unit,
        factor=change.factor,
        offset=change.offset,
        step=abs(reading.step * change.factor),
    )


def rows_of(stream: Stream, readings: Mapping[SignalAddress, SignalReading]) -> list[Rows]:
    """The rows that a message takes, each with at most :data:`SLOTS` signals."""
    mine = [readings[stream.address(s.name)] for s in stream.message.signals if not s.is_text]
    if not mine:
        return [Rows(stream.label, ())]
    return [
        Rows(
            f"{stream.label}#{first // SLOTS + 1}" if first else stream.label,
            tuple(mine[first : first + SLOTS]),
        )
        for first in range(0, len(mine), SLOTS)
    ]


def slots_of(vehicle: Vehicle) -> int:
    """Value columns that the frames of a plan need."""
    widest = max(
        (sum(not s.is_text for s in stream.message.signals) for stream in vehicle.streams),
        default=1,
    )
    return min(max(widest, 1), SLOTS)


def signal_rows(plan: str, vehicle: Vehicle) -> list[dict[str, Any]]:
    """What every slot of a plan's frames holds, for the table ``signals``; texts have no slot."""
    readings = readings_of(vehicle)
    position = {address: place for place, address in enumerate(readings)}
    listed: list[dict[str, Any]] = []
    for stream in vehicle.streams:
        node = vehicle.nodes.get(stream.node)
        about = {
            "plan_id": plan,
            "network": stream.network,
            "node": stream.node,
            "part": "" if node is None else node.part.name,
            "message": stream.path[2],
        }
        for rows in rows_of(stream, readings):
            for slot, reading in enumerate(rows.readings):
                listed.append(
                    about
                    | {"rows": rows.name, "slot": slot}
                    | {"position": position[reading.address]}
                    | _told(reading)
                )
        listed += [
            about | {"rows": None, "slot": None, "signal": s.name, "unit": s.unit}
            for s in stream.message.signals
            if s.is_text
        ]
    for row in listed:
        name = "\0".join((plan, row["network"], row["node"], row["message"], row["signal"]))
        row["entry"] = sha256(name.encode()).hexdigest()
    return list({row["entry"]: row for row in listed}.values())


def _told(reading: SignalReading) -> dict[str, Any]:
    signal = reading.signal
    choices = {str(number): text for number, text in signal.choices.items()}
    return {
        "signal": signal.name,
        "unit": reading.unit,
        "unit_as_defined": signal.unit,
        "factor": reading.factor,
        "offset": reading.offset,
        "step": reading.step,
        "choices": json.dumps(choices, ensure_ascii=False) if choices else None,
    }
