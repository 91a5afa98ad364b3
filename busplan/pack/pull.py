"""From recorded frames to the pack's signals: decode what the layout names, bring units to ours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from busplan.capture.trust import refuse_longer
from busplan.decode.codec import DecodedSignal, decode_message
from busplan.definitions.model import Signal
from busplan.errors import CaptureError, PlanError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.table import FrameTable
from busplan.pack.labels import place
from busplan.pack.series import EMPTY, PackSeries, Trace
from busplan.pack.statistics import F64
from busplan.pack.units import QUANTITY_KIND, Conversion, conversion
from busplan.plan.vehicle import PackLayout, SignalAddress, Stream, Vehicle
from busplan.transport.messages import put_together
from busplan.wording import plural

LONGEST_DAYS = 2
"""Resistances are fitted on a grid of a current's period, 10 ms perhaps, over the whole span."""
HIGHEST_CELL_V = 10.0
"""A cell voltage without a unit whose values exceed this is read as millivolts."""


def pull_series(table: FrameTable, vehicle: Vehicle) -> PackSeries:
    """All signals that ``vehicle.pack`` names, from a capture.

    The table's networks bear the plan's names (:func:`busplan.capture.capture.apply_plan`).
    :class:`PlanError` when the plan has no ``[pack]``; :class:`CaptureError` when the capture
    carries none of its cells and sensors, or is too long.
    """
    layout = vehicle.pack
    if layout is None:
        raise PlanError(
            f"{vehicle.source}: there is no [pack] section; "
            "`busplan pack --suggest` proposes one from the definitions"
        )
    refuse_longer(table, LONGEST_DAYS, "a pack is evaluated over")
    kinds: dict[SignalAddress, str] = {
        **{a: QUANTITY_KIND.get(n, "") for n, a in layout.quantities.items()},
        **{c.address: "voltage" for c in layout.cells},
        **{s.address: "temperature" for s in layout.sensors},
    }
    findings: list[Finding] = []
    traces = _traces(table, vehicle, kinds, findings)
    cells = tuple(traces[c.address] for c in layout.cells)
    sensors = tuple(traces[s.address] for s in layout.sensors)
    if not any(len(t) for t in (*cells, *sensors)):
        heard = ", ".join(table.networks) or "none"
        raise CaptureError(
            f"this capture carries no cell voltage and no module temperature of the plan "
            f"(networks in it: {heard})"
        )
    quantities = {n: traces[a] for n, a in layout.quantities.items()}
    if "current" in quantities and layout.current_sign < 0:
        quantities["current"] = _negated(quantities["current"])
    findings += _not_received(layout, cells, "cell") + _not_received(layout, sensors, "sensor")
    return PackSeries(cells, sensors, quantities, table.span_ns / 1e9, tuple(findings))


def _traces(
    table: FrameTable,
    vehicle: Vehicle,
    kinds: Mapping[SignalAddress, str],
    findings: list[Finding],
) -> dict[SignalAddress, Trace]:
    """Every named signal; one decoding per message."""
    streams = {s.path: s for s in vehicle.streams}
    wanted: dict[tuple[str, str, str], list[SignalAddress]] = {}
    for address in kinds:
        wanted.setdefault(address[:3], []).append(address)
    traces = dict.fromkeys(kinds, EMPTY)
    origin = table.origin_ns
    earliest, latest = table.believable
    messages = put_together(table, vehicle)
    for key, addresses in wanted.items():
        stream = streams.get(key)
        rows = None if stream is None else messages.groups.get(stream.key)
        if stream is None or rows is None:
            continue
        # Another clock's stamps would stretch every grid over time to years.
        first, last = np.searchsorted(messages.times(rows), (earliest, latest + 1))
        rows = rows[first:last]
        if not len(rows):
            continue
        names = [a.signal for a in addresses]
        decoded = decode_message(*messages.pick(rows), stream.message, names)
        time_s = (decoded.time_ns - origin) / 1e9
        for address in addresses:
            traces[address] = _trace(
                decoded[address.signal], time_s, address, kinds[address], findings
            )
        if decoded.short:
            findings.append(_short(stream, decoded.short, len(decoded)))
    return traces


def _trace(
    decoded: DecodedSignal,
    time_s: F64,
    address: SignalAddress,
    kind: str,
    findings: list[Finding],
) -> Trace:
    signal = decoded.signal
    present = decoded.present
    values = np.asarray(decoded.values, np.float64)
    if kind and signal.choices:
        named = np.isin(decoded.raw, np.array(list(signal.choices), decoded.raw.dtype)) & present
        if named.any():
            present = present & ~named
            findings.append(_unavailable(address, int(named.sum()), len(named)))
    if signal.is_float:
        present = present & np.isfinite(values)
    whole = bool(present.all())
    values = values if whole else values[present]
    unit = _unit(signal, kind, values, address, findings)
    lowest, highest = _range(signal)
    ends = [
        None if end is None else float(unit.apply(np.array([end]))[0]) for end in (lowest, highest)
    ]
    return Trace(
        time_s if whole else time_s[present],
        unit.apply(values),
        abs(float(signal.scale) * unit.factor),
        ends[0],
        ends[1],
        signal.choices,
    )


def _unit(
    signal: Signal, kind: str, values: F64, address: SignalAddress, findings: list[Finding]
) -> Conversion:
    if not kind:
        return Conversion(1.0)
    found = conversion(kind, signal.unit)
    if found is not None:
        return found
    millivolts = kind == "voltage" and signal.unit == "" and _is_cell(values)
    assumed = Conversion(1e-3) if millivolts else Conversion(1.0)
    ours = {"voltage": "V", "current": "A", "temperature": "°C", "resistance": "Ω", "charge": "%"}
    read_as = "mV" if millivolts else ours[kind]
    findings.append(
        Finding(
            "pack-unit-assumed",
            Weight.NOTE,
            place(address),
            f'The definition gives {address.signal} the unit "{signal.unit}"; it is read as '
            f"{read_as}.",
            "A wrong unit makes every judgement of this signal wrong.",
            "State the unit in the definition file.",
        )
    )
    return assumed


def _is_cell(values: F64) -> bool:
    return bool(len(values) and HIGHEST_CELL_V < float(np.median(values)) < 6000.0)


def _range(signal: Signal) -> tuple[float | None, float | None]:
    """The ends of what the raw value can carry, in the signal's unit."""
    if signal.is_float or signal.length > 52:
        return None, None
    low = -(1 << (signal.length - 1)) if signal.signed else 0
    high = low + (1 << signal.length) - 1
    ends = sorted(raw * float(signal.scale) + float(signal.offset) for raw in (low, high))
    return ends[0], ends[1]


def _negated(trace: Trace) -> Trace:
    lowest = None if trace.highest is None else -trace.highest
    highest = None if trace.lowest is None else -trace.lowest
    return replace(trace, value=-trace.value, lowest=lowest, highest=highest)


def _not_received(layout: PackLayout, traces: Sequence[Trace], what: str) -> list[Finding]:
    """One finding per message whose cells or sensors never came.

    A capture without any of that kind was recorded elsewhere or cut; that is no fault of the pack.
    """
    if not any(len(t) for t in traces):
        return []
    if what == "cell":
        named = [(str(c.number), c.address) for c in layout.cells]
    else:
        named = [(f"{s.module}/{s.position}", s.address) for s in layout.sensors]
    silent: dict[tuple[str, str, str], list[str]] = {}
    for (label, address), trace in zip(named, traces, strict=True):
        if not len(trace):
            silent.setdefault(address[:3], []).append(label)
    return [
        Finding(
            "pack-cell-not-received" if what == "cell" else "pack-sensor-not-received",
            Weight.FAULT,
            Where(*key),
            f"{key[1]}/{key[2]} never came, so {plural(len(labels), what)} "
            f"{', '.join(labels)} {plural(len(labels), 'is', 'are')} not in this capture.",
            f"A {what} that is not measured cannot be judged, nor protected.",
            "Check the node's supply, its connection and the plan's names.",
            (Figure(f"{what}s", len(labels)),),
        )
        for key, labels in silent.items()
    ]


def _short(stream: Stream, short: int, frames: int) -> Finding:
    return Finding(
        "pack-frame-short",
        Weight.CAUTION,
        Where(stream.network, stream.node, stream.message.name),
        f"{short} of {frames} frames of {stream.message.name} have fewer bytes than defined.",
        "What they do not carry is missing from the judgement.",
        "Compare the definition file with the node's version.",
        (Figure("short frames", short), Figure("frames", frames)),
    )


def _unavailable(address: SignalAddress, named: int, frames: int) -> Finding:
    return Finding(
        "pack-value-not-available",
        Weight.CAUTION,
        place(address),
        f"{named} of {frames} values of {address.signal} are named codes "
        '(such as "not available"), not measurements.',
        "They are left out of the judgement.",
        "Check the sensor and its wire.",
        (Figure("codes", named), Figure("frames", frames)),
    )
