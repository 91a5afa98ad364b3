"""What all screens share: heading, state, loads, the pack's figures, the line of time."""

from __future__ import annotations

from typing import NamedTuple

from busplan.findings import Finding, Weight
from busplan.plan.vehicle import Vehicle
from busplan.replay.pack import Evenness, PackState
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
    width,
    wrap,
)

CAUTION = (
    "High voltage can kill. Not a safety device: follow local codes, leave pack work to licensed "
    "people."
)
CAUTION_SHORT = "High voltage can kill. Not a safety device. Pack work: licensed people only."


def vehicle_label(vehicle: Vehicle) -> str:
    """The vehicle's name, saying so when it is invented."""
    return f"{vehicle.name} (invented)" if vehicle.invented else vehicle.name


def state_lines(snapshot: Snapshot, columns: int, most: int) -> list[Line]:
    """The state in one word and the reasons for it, heaviest first, in at most ``most`` lines."""
    role = OF_WEIGHT[snapshot.weight] if snapshot.weight > Weight.NOTE else "good"
    if not snapshot.troubles:
        return [[(snapshot.word, role)]]
    first, *rest = snapshot.troubles
    lead = f"{snapshot.word}  "
    if most == 1:
        others = f" (and {len(rest)} more)" if rest else ""
        room = columns - len(lead) - len(others)
        return [[(lead, role), *clip([(first.text, PLAIN)], room), (others, FAINT)]]
    lines = wrap(lead + first.text, columns, indent=len(lead))
    lines[0] = [(snapshot.word, role), (lines[0][0][0][len(snapshot.word) :], PLAIN)]
    for n, trouble in enumerate(rest):
        more = wrap(f"{trouble.weight.mark} {trouble.text}", columns, OF_WEIGHT[trouble.weight], 2)
        if len(lines) + len(more) > most:
            if len(lines) < most:
                lines.append([(f"and {len(rest) - n} more", FAINT)])
            break
        lines += more
    return lines[:most]


def pack_figures(pack: PackState) -> list[Line]:
    """Minimum, mean, maximum and spread of cells and sensors, and where the extremes are."""
    lines: list[Line] = []
    for kind in kinds_of(pack):
        if kind.even is None:
            lines.append([(f"{kind.lead:<6}", HEAD), ("no fresh value", "stale")])
            continue
        low, high = kind.names[kind.even.lowest], kind.names[kind.even.highest]
        lines.append(
            [
                (f"{kind.lead:<6}", HEAD),
                ("min ", FAINT),
                (f"{kind.even.minimum:.{kind.decimals}f}", PLAIN),
                (f" {low:<8} ", FAINT),
                ("mean ", FAINT),
                (f"{kind.even.mean:.{kind.decimals}f}", PLAIN),
                (" max ", FAINT),
                (f"{kind.even.maximum:.{kind.decimals}f}", PLAIN),
                (f" {high:<8} ", FAINT),
                ("spread ", FAINT),
                (kind.spread, "strong"),
            ]
        )
    extra = quantities_line(pack)
    return [*lines, extra] if extra else lines


def pack_table(pack: PackState) -> list[Line]:
    """The same figures as a table, for a narrow block beside the map."""
    kinds = [k for k in kinds_of(pack) if k.even]
    lines: list[Line] = [[(" " * 8, PLAIN), *((f"{k.lead:<18}", HEAD) for k in kinds)]]
    for what in ("max", "mean", "min"):
        line: Line = [(f"{what:<8}", FAINT)]
        for kind in kinds:
            assert kind.even is not None
            value, name = {
                "max": (kind.even.maximum, kind.names[kind.even.highest]),
                "mean": (kind.even.mean, f"of {kind.even.count}"),
                "min": (kind.even.minimum, kind.names[kind.even.lowest]),
            }[what]
            number = f"{value:.{kind.decimals}f} {kind.unit}"
            line += [(f"{number:<8}", PLAIN), (f" {name:<9}", FAINT)]
        lines.append(line)
    lines.append([(f"{'spread':<8}", FAINT), *((f"{k.spread:<18}", "strong") for k in kinds)])
    worst = pack.worst_lag
    if worst:
        lines.append([(f"{'lag':<8}", FAINT), (f"{worst[0]} {worst[1]:.1f} K behind", PLAIN)])
    return lines


LONGEST_BAR = 80


class Kind(NamedTuple):
    """Cells or sensors, and how their figures are written."""

    lead: str
    even: Evenness | None
    names: list[str]
    decimals: int
    unit: str
    spread: str


def kinds_of(pack: PackState) -> list[Kind]:
    """Cells and sensors, whichever the pack has."""
    cells, sensors = pack.cells.evenness, pack.sensors.evenness
    found = []
    if pack.layout.cells:
        names = [f"{c.number} {c.module}" for c in pack.layout.cells]
        spread = f"{cells.spread * 1e3:.0f} mV" if cells else ""
        found.append(Kind("cells", cells, names, 3, "V", spread))
    if pack.layout.sensors:
        names = [f"{s.module}/{s.position}" for s in pack.layout.sensors]
        spread = f"{sensors.spread:.1f} K" if sensors else ""
        found.append(Kind("heat", sensors, names, 1, "°C", spread))
    return found


def quantities_line(pack: PackState) -> Line:
    """The pack's mapped quantities; stale ones marked."""
    line: Line = []
    for name, quantity in pack.quantities.items():
        role = "stale" if quantity.stale else PLAIN
        line.append((f"{name.replace('_', ' ')} ", FAINT))
        line.append((quantity.text + ("~" if quantity.stale else ""), role))
        line.append(("  ", PLAIN))
    return [("pack  ", HEAD), *line] if line else []


def quantities_block(pack: PackState, columns: int) -> list[Line]:
    """The same over as many lines as it takes."""
    lines: list[Line] = []
    for name, quantity in pack.quantities.items():
        role = "stale" if quantity.stale else PLAIN
        part: Line = [
            (f"{name.replace('_', ' ')} ", FAINT),
            (quantity.text + ("~" if quantity.stale else ""), role),
        ]
        if lines and width(lines[-1]) + 2 + width(part) <= columns:
            lines[-1] += [("  ", PLAIN), *part]
        else:
            lines.append(part)
    return lines


def load_cell(load: Load, limit: float, columns: int, name_width: int) -> Line:
    """One network's load: name, bar on 0 to 100 % with its limit, figure."""
    lead = f"{load.network:<{name_width}} "
    if not load.recorded:
        return fill([(lead, FAINT), ("not in this capture", "missing")], columns)
    number = f" {load.now:4.0%}"
    bar = min(max(columns - len(lead) - len(number), 4), LONGEST_BAR)
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
