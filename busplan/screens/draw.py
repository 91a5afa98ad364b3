"""What all screens share: heading, state, loads, the pack's figures, the line of time."""

from __future__ import annotations

from busplan.findings import Finding, Weight
from busplan.plan.vehicle import Vehicle
from busplan.replay.pack import Evenness, PackState, cell_name, sensor_name
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.traffic import Load
from busplan.screens.runs import (
    FAINT,
    HEAD,
    OF_WEIGHT,
    PLAIN,
    Line,
    clip,
    clock_text,
    fill,
    load_bar,
)

CAUTION = "High voltage can kill. Not a safety device: follow local codes; licensed people only."


def vehicle_label(vehicle: Vehicle) -> str:
    """The vehicle's name, saying so when it is invented."""
    return f"{vehicle.name} (invented)" if vehicle.invented else vehicle.name


def state_line(snapshot: Snapshot) -> Line:
    """The state in one word and the heaviest reason for it."""
    role = OF_WEIGHT[snapshot.weight] if snapshot.weight > Weight.NOTE else "good"
    line: Line = [(snapshot.word, role)]
    if snapshot.troubles:
        first, *rest = snapshot.troubles
        line.append((f"  {first.text}", PLAIN))
        if rest:
            line.append((f"  (+{len(rest)} more)", FAINT))
    return line


def pack_figures(pack: PackState) -> list[Line]:
    """Minimum, mean, maximum and spread of cells and sensors, and where the extremes are."""
    layout = pack.layout
    lines: list[Line] = []
    for lead, peers, names, form, spread in (
        ("cells", pack.cells, [cell_name(c) for c in layout.cells], "{:.3f} V", "{:.0f} mV"),
        ("heat", pack.sensors, [sensor_name(s) for s in layout.sensors], "{:.1f} °C", "{:.1f} K"),
    ):
        if not names:
            continue
        even = peers.evenness
        if even is None:
            lines.append([(f"{lead:<6}", HEAD), ("no fresh value", "stale")])
            continue
        lines.append(_figures(lead, even, names, form, spread, 1e3 if lead == "cells" else 1.0))
    extra = quantities_line(pack)
    return [*lines, extra] if extra else lines


def _figures(
    lead: str, even: Evenness, names: list[str], form: str, spread: str, factor: float
) -> Line:
    return [
        (f"{lead:<6}", HEAD),
        ("min ", FAINT),
        (form.format(even.minimum), PLAIN),
        (f" {names[even.lowest]}  ", FAINT),
        ("mean ", FAINT),
        (form.format(even.mean), PLAIN),
        ("  max ", FAINT),
        (form.format(even.maximum), PLAIN),
        (f" {names[even.highest]}  ", FAINT),
        ("spread ", FAINT),
        (spread.format(even.spread * factor), "strong"),
    ]


def quantities_line(pack: PackState) -> Line:
    """The pack's mapped quantities; stale ones marked."""
    line: Line = []
    for name, (value, unit, stale) in pack.quantities.items():
        line.append((f"{name.replace('_', ' ')} ", FAINT))
        line.append((f"{value:.4g} {unit}".rstrip() + ("~" if stale else ""), "stale" if stale else PLAIN))
        line.append(("  ", PLAIN))
    return [("pack  ", HEAD), *line] if line else []


def load_cell(load: Load, limit: float, columns: int, name_width: int) -> Line:
    """One network's load: name, bar on 0 to 100 % with its limit, figure."""
    lead = f"{load.network:<{name_width}} "
    if not load.recorded:
        return fill([(lead, FAINT), ("not in this capture", "missing")], columns)
    number = f" {load.now:4.0%}"
    bar = max(columns - len(lead) - len(number), 4)
    over = "over" if load.now > limit else PLAIN
    return [(lead, HEAD), *load_bar(load.now, limit, bar), (number, over)]


def load_grid(snapshot: Snapshot, vehicle: Vehicle, columns: int, across: int) -> list[Line]:
    """All networks' loads, ``across`` in a row."""
    gap = 2
    each = (columns - gap * (across - 1)) // across
    name_width = max((len(n) for n in vehicle.networks), default=0)
    lines: list[Line] = []
    loads = snapshot.loads
    for start in range(0, len(loads), across):
        line: Line = []
        for load in loads[start : start + across]:
            if line:
                line.append((" " * gap, PLAIN))
            line += load_cell(load, vehicle.networks[load.network].load_limit, each, name_width)
        lines.append(line)
    return lines


def finding_line(finding: Finding, columns: int) -> Line:
    """A finding in one line: mark, time, sentence."""
    t_ns = finding.where.time_ns
    at = clock_text(t_ns) if t_ns is not None else "-"
    role = OF_WEIGHT[finding.weight]
    return clip(
        [(f"{finding.weight.mark} ", role), (f"{at:>9}  ", FAINT), (finding.summary, role)], columns
    )


def recent_findings(replay: Replay, snapshot: Snapshot, columns: int, count: int) -> list[Line]:
    """The findings up to this moment, the latest first."""
    past = replay.findings[: snapshot.past]
    if not replay.findings:
        return [[("no findings in this capture", FAINT)]]
    if not past:
        return [[(f"no finding yet; {len(replay.findings)} to come", FAINT)]]
    return [finding_line(f, columns) for f in reversed(past[-count:])]
