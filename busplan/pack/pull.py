"""From recorded frames to the pack's signals: decode what the layout names, bring units to ours."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np

from busplan.capture.trust import refuse_longer
from busplan.decode.codec import DecodedSignal, decode_message
from busplan.errors import CaptureError, PlanError
from busplan.findings import Figure, Finding, Weight, Where
from busplan.frames.columns import F64, Mask
from busplan.frames.table import FrameTable
from busplan.pack.labels import listed, place
from busplan.pack.reading import PackReadings, SignalReading
from busplan.pack.series import EMPTY, NO_PAUSES, NOTHING, Heard, PackSeries, Trace
from busplan.plan.vehicle import PackLayout, SignalAddress, Stream, Vehicle
from busplan.traffic.clock_steps import carried_on, longest_of_one_clock
from busplan.traffic.silence import allowed_of, allowed_of_part
from busplan.traffic.stopped import longest_unpaused
from busplan.transport.messages import put_together
from busplan.wording import listing, plural

PAUSE_S = 1.0
"""A pause of everybody counts as one from so long on."""
LONGEST_DAYS = 2
"""Resistances are fitted on a grid of a current's period, 10 ms perhaps, over the whole span."""


def pull_series(table: FrameTable, vehicle: Vehicle) -> PackSeries:
    """All signals that ``vehicle.pack`` names, from a capture.

    The table's networks bear the plan's names (:func:`busplan.capture.capture.apply_plan`).
    :class:`PlanError` when the plan has no ``[pack]``; :class:`CaptureError` when the capture
    carries none of its cells and sensors, or is too long. Where the clock of the recording was set
    back, the longest part with one clock is taken, where everybody paused for long the longest part
    without such a pause.
    """
    layout = vehicle.pack
    if layout is None:
        raise PlanError(
            f"{vehicle.source}: there is no [pack] section; "
            "`busplan pack --suggest` proposes one from the definitions"
        )
    readings = PackReadings.of(vehicle, layout)
    findings: list[Finding] = []
    wanted = [*readings.cells, *readings.sensors, *readings.quantities.values()]
    origin_ns, told = table.origin_ns, ""
    paths = {reading.address[:3] for reading in wanted if reading is not None}
    one_clock = longest_of_one_clock(table, *carried_on(paths, vehicle))
    if one_clock is not None:
        table, told = one_clock.part, one_clock.told
    unpaused = longest_unpaused(table, vehicle)
    stopped = NO_PAUSES
    if unpaused is not None:
        table = unpaused.part
        stopped = np.asarray((unpaused.pauses - table.origin_ns) / 1e9, np.float64)
    refuse_longer(table, LONGEST_DAYS, "a pack is evaluated over")
    traces = iter(_traces(table, vehicle, wanted, findings))
    cells = tuple(islice(traces, len(readings.cells)))
    sensors = tuple(islice(traces, len(readings.sensors)))
    quantities = dict(zip(readings.quantities, traces, strict=True))
    if not any(len(t) for t in (*cells, *sensors)):
        heard = ", ".join(table.networks) or "none"
        raise CaptureError(
            f"this capture carries no cell voltage and no module temperature of the plan "
            f"(networks in it: {heard})"
        )
    findings += _not_received(layout, cells, "cell") + _not_received(layout, sensors, "sensor")
    return PackSeries(
        cells,
        sensors,
        quantities,
        table.span_ns / 1e9,
        tuple(findings),
        _pauses(table),
        begin_s=(table.origin_ns - origin_ns) / 1e9,
        one_clock=told,
        stopped=stopped,
        paused="" if unpaused is None else unpaused.told,
        others=() if unpaused is None else unpaused.others,
    )


def _pauses(table: FrameTable) -> F64:
    """From when to when [s] no frame of anybody came, (k, 2)."""
    earliest, latest = table.believable
    time = table.time_ns[(table.time_ns >= earliest) & (table.time_ns <= latest)]
    steps = np.diff(time)
    if (steps < 0).any():  # several adapters in one file
        time = np.sort(time)
        steps = np.diff(time)
    rows = np.flatnonzero(steps > PAUSE_S * 1e9)
    ends = np.column_stack((time[rows], time[rows + 1]))
    return np.asarray((ends - table.origin_ns) / 1e9, np.float64)


def _traces(
    table: FrameTable,
    vehicle: Vehicle,
    wanted: Sequence[SignalReading | None],
    findings: list[Finding],
) -> list[Trace]:
    """What came of every reading, in their order; one decoding per message."""
    streams = {s.path: s for s in vehicle.streams}
    by_message: dict[tuple[str, str, str], list[int]] = {}
    for i, reading in enumerate(wanted):
        if reading is not None:
            by_message.setdefault(reading.address[:3], []).append(i)
    traces = [EMPTY] * len(wanted)
    told: set[SignalAddress] = set()
    origin = table.origin_ns
    earliest, latest = table.believable
    messages = put_together(table, vehicle)
    for key, places in by_message.items():
        stream = streams[key]
        rows = messages.groups.get(stream.key)
        if rows is None:
            continue
        # Another clock's stamps would stretch every grid over time to years.
        first, last = np.searchsorted(messages.times(rows), (earliest, latest + 1))
        rows = rows[first:last]
        if not len(rows):
            continue
        mine = [r for i in places if (r := wanted[i]) is not None]
        names = list(dict.fromkeys(r.address.signal for r in mine))
        decoded = decode_message(*messages.pick(rows), stream.message, names)
        time_s = (decoded.time_ns - origin) / 1e9
        message_ns = allowed_of(mine[0].cycle, decoded.time_ns)
        heard = Heard(time_s, message_ns / 1e9)
        for i, reading in zip(places, mine, strict=True):
            column = decoded[reading.address.signal]
            measured = reading.measured(column)
            settled = reading.settled(np.asarray(column.values[measured], np.float64))
            allowed = message_ns
            if reading.signal.condition is not None:
                allowed = allowed_of_part(message_ns, decoded.time_ns[column.present])
            traces[i] = _trace(settled, column, measured, heard, allowed / 1e9)
            if reading.address not in told:
                told.add(reading.address)
                findings += _tolerated(settled, len(traces[i].ended_s), int(column.present.sum()))
        if decoded.short:
            findings.append(_short(stream, decoded.short, len(decoded)))
    return traces


def _trace(
    reading: SignalReading, column: DecodedSignal, measured: Mask, heard: Heard, allowed_s: float
) -> Trace:
    whole = bool(measured.all())
    time_s, numbers = heard.time_s, column.values
    return Trace(
        time_s=time_s if whole else time_s[measured],
        value=reading.values(numbers if whole else numbers[measured]),
        step=reading.step,
        lowest=reading.lowest,
        highest=reading.highest,
        choices=reading.signal.choices,
        ended_s=NOTHING if whole else time_s[column.present & ~measured],
        allowed_s=allowed_s,
        message=heard,
    )


def _tolerated(reading: SignalReading, named: int, frames: int) -> Iterator[Finding]:
    """Codes that came in place of measurements, and a unit that had to be assumed."""
    if named:
        yield _unavailable(reading.address, named, frames)
    if reading.assumed is not None:
        unit, reason = reading.assumed
        yield Finding(
            "pack-unit-assumed",
            Weight.NOTE,
            place(reading.address),
            f'The definition gives {reading.address.signal} the unit "{reading.signal.unit}"; it '
            f"is read as {unit}, by {reason}.",
            "A wrong unit makes every judgement of this signal wrong.",
            "State the unit in the definition file.",
        )


def _not_received(layout: PackLayout, traces: Sequence[Trace], what: str) -> list[Finding]:
    """One finding per node of which cells or sensors never came.

    A capture without any of that kind was recorded elsewhere or cut; that is no fault of the pack.
    """
    if not any(len(t) for t in traces):
        return []
    if what == "cell":
        named = [(str(c.number), c.address) for c in layout.cells]
    else:
        named = [(f"{s.module}/{s.position}", s.address) for s in layout.sensors]
    silent: dict[tuple[str, str], dict[str, list[str]]] = {}
    for (label, address), trace in zip(named, traces, strict=True):
        if not len(trace.heard.time_s):
            messages = silent.setdefault(address[:2], {})
            messages.setdefault(address.message, []).append(label)
    return [_never(what, *node, messages) for node, messages in silent.items()]


def _never(what: str, network: str, node: str, messages: dict[str, list[str]]) -> Finding:
    labels = [label for of_one in messages.values() for label in of_one]
    alone = next(iter(messages)) if len(messages) == 1 else None
    came = f"{node}/{alone} never came" if alone else f"{node} sent no {listing(messages, 6)}"
    return Finding(
        "pack-cell-not-received" if what == "cell" else "pack-sensor-not-received",
        Weight.FAULT,
        Where(network, node, alone),
        f"{came}, so {plural(len(labels), what)} {_in_rows(labels)} "
        f"{plural(len(labels), 'was', 'were')} not heard.",
        f"A {what} that is not measured cannot be judged, nor protected.",
        "Check the node's supply, its connection and the plan's names.",
        (Figure(f"{what}s", len(labels)),),
    )


def _in_rows(labels: Sequence[str]) -> str:
    """Names in one line; numbers that follow each other as ``25 to 48``."""
    if len(labels) > 4 and all(a.isdecimal() for a in labels):
        first = int(labels[0])
        if [int(a) for a in labels] == list(range(first, first + len(labels))):
            return f"{labels[0]} to {labels[-1]}"
    return listed(labels, 24)


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
    never = named == frames
    return Finding(
        "pack-value-not-available",
        Weight.FAULT if never else Weight.CAUTION,
        place(address),
        f"{named} of {frames} values of {address.signal} are codes "
        '(such as "not available"), not measurements.',
        "It was never measured, so it cannot be judged, nor protected."
        if never
        else "They are left out of the judgement.",
        "Check the sensor and its wire.",
        (Figure("codes", named), Figure("frames", frames)),
    )
