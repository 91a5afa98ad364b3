"""Readings that cannot be, as findings: one for a channel, one for many of one cause."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from busplan.findings import Figure, Finding, Weight
from busplan.pack.labels import cell_label, place, sensor_label, sentence
from busplan.pack.sensors import FaultyReading, SensorFault
from busplan.plan.vehicle import PackLayout, SignalAddress

FEWEST_TOGETHER = 3
"""When so many leap, and half of their kind, it is none of them."""
_CODES = {
    ("cell", SensorFault.SATURATED): "cell-saturated",
    ("cell", SensorFault.IMPOSSIBLE): "cell-impossible",
    ("cell", SensorFault.JUMPING): "cell-jumping",
    ("cell", SensorFault.STUCK): "cell-stuck",
    ("cell", SensorFault.NOISY): "cell-noisy",
    ("sensor", SensorFault.SATURATED): "sensor-saturated",
    ("sensor", SensorFault.IMPOSSIBLE): "sensor-impossible",
    ("sensor", SensorFault.JUMPING): "sensor-jumping",
    ("sensor", SensorFault.STUCK): "sensor-stuck",
}


def faulty_findings(
    faulty: Sequence[FaultyReading], layout: PackLayout, *, by_message: bool = False
) -> list[Finding]:
    """A finding for each faulty channel; one for all of a kind that most of them have alike.

    ``by_message``: of each message on its own, for whoever judges messages.
    """
    found: list[Finding] = []
    for kind, places in (("cell", layout.cells), ("sensor", layout.sensors)):
        addresses = [p.address for p in places]
        sources = [a[:3] if by_message else None for a in addresses]
        for source in dict.fromkeys(sources):
            own = [f for f in faulty if f.kind == kind and sources[f.index] == source]
            found += _of_kind(own, sources.count(source), addresses, layout, by_message=by_message)
    return found


def _of_kind(
    own: list[FaultyReading],
    of: int,
    addresses: Sequence[SignalAddress],
    layout: PackLayout,
    *,
    by_message: bool,
) -> Iterator[Finding]:
    leaping = [f for f in own if f.fault is SensorFault.JUMPING]
    if len(leaping) >= max(FEWEST_TOGETHER, of / 2):
        own = [f for f in own if f.fault is not SensorFault.JUMPING]
        yield _together(leaping, of, addresses[leaping[0].index])
    nodes = {} if by_message else _sizes(addresses)
    for alike in _alike(own, of):
        own = [f for f in own if f not in alike]
        yield _all_alike(alike, of, addresses[alike[0].index])
    for alike in _of_one_node(own, nodes, addresses):
        own = [f for f in own if f not in alike]
        first = addresses[alike[0].index]
        yield _all_alike(alike, len(alike), first, of_node=first.node)
    yield from (_finding(f, layout) for f in own)


def _sizes(addresses: Sequence[SignalAddress]) -> dict[tuple[str, str], int]:
    """How many channels each node (network, node) sends."""
    return dict(Counter((a.network, a.node) for a in addresses))


def _alike(own: Sequence[FaultyReading], of: int) -> list[list[FaultyReading]]:
    """Those that most of a kind share: at one end of the range, at one impossible value, or all at
    such."""
    most = max(FEWEST_TOGETHER, of / 2)
    by: dict[tuple[SensorFault, float], list[FaultyReading]] = {}
    for one in own:
        if one.fault in (SensorFault.SATURATED, SensorFault.IMPOSSIBLE):
            by.setdefault((one.fault, one.value), []).append(one)
    same = [s for s in by.values() if len(s) >= most]
    others = [f for f in own if f.fault is SensorFault.IMPOSSIBLE and all(f not in s for s in same)]
    return [*same, others] if len(others) >= most else same


def _of_one_node(
    own: Sequence[FaultyReading],
    sizes: Mapping[tuple[str, str], int],
    addresses: Sequence[SignalAddress],
) -> list[list[FaultyReading]]:
    """Those of a node all of whose channels have one fault: it repeats old values, or none yet."""
    by: dict[tuple[SensorFault, tuple[str, str]], list[FaultyReading]] = {}
    for one in own:
        if one.fault in (SensorFault.SATURATED, SensorFault.IMPOSSIBLE, SensorFault.STUCK):
            by.setdefault((one.fault, addresses[one.index][:2]), []).append(one)
    return [
        same
        for (_, node), same in by.items()
        if len(same) >= FEWEST_TOGETHER and len(same) == sizes.get(node)
    ]


def _all_alike(
    alike: Sequence[FaultyReading], of: int, address: SignalAddress, of_node: str = ""
) -> Finding:
    """One cause everywhere: a definition, or a monitor that has nothing to tell."""
    one, cells = alike[0], alike[0].kind == "cell"
    what, unit = ("cell voltages", "V") if cells else ("temperatures", "°C")
    what += f" of {of_node}" if of_node else ""
    least, most = min(f.count for f in alike), max(f.count for f in alike)
    number = f"{most}" if least == most else f"{least} to {most}"
    low, high = min(f.value for f in alike), max(f.value for f in alike)
    reading = f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"
    does = {
        SensorFault.SATURATED: f"sit at the end of their range, {reading}, in {number} readings "
        "each",
        SensorFault.IMPOSSIBLE: f"read {reading}, which cannot be, in {number} readings each",
        SensorFault.STUCK: f"are stuck at {reading} while their peers move",
    }[one.fault]
    return Finding(
        _CODES[one.kind, one.fault],
        Weight.FAULT if cells else Weight.CAUTION,
        place(address, min(f.time_s for f in alike)),
        f"{len(alike)} of {of} {what} {does}.",
        "So many sensors do not fail alike: their monitors may have nothing to tell, or the "
        "definition may be another one's. What is not measured is not protected; all are left out.",
        "Check the definition files (bits, byte order, scale) and whether the monitors measure, "
        "then sensors, plugs and wires, with the pack made safe by licensed people.",
        (
            Figure("channels", len(alike)),
            Figure("reading", one.value, unit),
            Figure("readings", most),
        ),
    )


def _together(leaping: Sequence[FaultyReading], of: int, address: SignalAddress) -> Finding:
    """No sensor does what most do at once: two stretches of time are mixed, or two senders."""
    cells = leaping[0].kind == "cell"
    most = max(f.count for f in leaping)
    what = "cell voltages" if cells else "temperatures"
    return Finding(
        "readings-jump-together",
        Weight.FAULT if cells else Weight.CAUTION,
        place(address, min(f.time_s for f in leaping)),
        f"{len(leaping)} of {of} {what} leap away and come back, up to {most} times.",
        "No sensor is at fault alone when most leap: the clock of the recording stepped back, or "
        "two senders share identifiers, and two courses are mixed. None of them is believed.",
        "Record again with one clock; see that each identifier has one sender.",
        (Figure("channels", len(leaping)), Figure("readings", most)),
    )


def _finding(reading: FaultyReading, layout: PackLayout) -> Finding:
    address: SignalAddress
    if reading.kind == "cell":
        cell = layout.cells[reading.index]
        label, address, unit = f"The voltage of {cell_label(cell)}", cell.address, "V"
    else:
        sensor = layout.sensors[reading.index]
        label, address, unit = sentence(sensor_label(sensor)), sensor.address, "°C"
    text = {
        SensorFault.SATURATED: f"sits at the end of its range, {reading.value:g} {unit}, in "
        f"{reading.count} readings",
        SensorFault.IMPOSSIBLE: f"reads {reading.value:g} {unit}, which cannot be, in "
        f"{reading.count} readings",
        SensorFault.JUMPING: f"leaps to {reading.value:g} {unit} and back, {reading.count} times",
        SensorFault.NOISY: f"scatters by {reading.value * 1e3:.0f} mV from reading to reading, far "
        "more than its peers",
        SensorFault.STUCK: f"is stuck at {reading.value:g} {unit} while its peers move",
    }[reading.fault]
    return Finding(
        _CODES[reading.kind, reading.fault],
        Weight.FAULT if reading.kind == "cell" else Weight.CAUTION,
        place(address, reading.time_s),
        f"{label} {text}.",
        "What is measured wrongly is protected wrongly; its readings are left out here.",
        "Check the sensor, its plug and its wire with the pack made safe by licensed people.",
        (Figure("reading", reading.value, unit), Figure("readings", reading.count)),
    )
