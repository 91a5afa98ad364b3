"""What all screens share: heading, state, loads, the pack's figures, the line of time."""

from __future__ import annotations

from typing import NamedTuple

from busplan.findings import Weight
from busplan.pack.labels import SHORT_NAMES, short_cell, short_sensor
from busplan.plan.vehicle import Vehicle
from busplan.replay.pack_state import PackState, PeerRange
from busplan.replay.present import LIVE
from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.replay.state import NOTHING_WRONG
from busplan.text.finding import finding_line
from busplan.text.load_bar import load_bar
from busplan.text.runs import (
    FAINT,
    HEAD,
    OF_WEIGHT,
    PLAIN,
    Line,
    clip,
    fill,
    fold,
    wrap,
)
from busplan.text.scale import is_large, large_text
from busplan.traffic.running import Load
from busplan.wire.load_limit import over_limit
from busplan.wording import percent


def state_role(snapshot: Snapshot) -> str:
    """How the state's word looks: nothing seen is not good."""
    if snapshot.weight > Weight.NOTE:
        return OF_WEIGHT[snapshot.weight]
    return "good" if snapshot.word == NOTHING_WRONG else "note"


def state_lines(snapshot: Snapshot, columns: int, most: int) -> list[Line]:
    """The state in one word and the reasons for it, heaviest first, in at most ``most`` lines."""
    role = state_role(snapshot)
    if not snapshot.troubles:
        return [[(snapshot.word, role)]]
    first, *rest = snapshot.troubles
    lead = f"{snapshot.word}  "
    if most == 1:
        others = f"  {len(rest)} more" if rest else ""
        room = columns - len(lead) - len(others)
        return [[(lead, role), *clip([(first.text, PLAIN)], room), (others, FAINT)]]
    lines = fold([(lead, role), (first.text, PLAIN)], columns, len(lead))
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
                (f"{kind.even.minimum:5.{kind.decimals}f} {kind.unit:<2}", PLAIN),
                (f" {low:<8} ", FAINT),
                ("mean ", FAINT),
                (f"{kind.even.mean:5.{kind.decimals}f}", PLAIN),
                (" max ", FAINT),
                (f"{kind.even.maximum:5.{kind.decimals}f} {kind.unit:<2}", PLAIN),
                (f" {high:<8} ", FAINT),
                ("spread ", FAINT),
                (kind.spread, "strong"),
            ]
        )
    return lines


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
        late = f"{worst[0]} {worst[1]:.1f} K behind" if worst[1] >= 0.05 else "no module behind"
        lines.append([(f"{'lag':<8}", FAINT), (late, PLAIN)])
    return lines


LONGEST_BAR = 80
COUNTING = "being counted"
"""In place of a load while its frames are counted."""


class Kind(NamedTuple):
    """Cells or sensors, and how their figures are written."""

    lead: str
    even: PeerRange | None
    names: list[str]
    decimals: int
    unit: str
    spread: str


def kinds_of(pack: PackState) -> list[Kind]:
    """Cells and sensors, whichever the pack has."""
    cells, sensors = pack.cells.evenness, pack.sensors.evenness
    found = []
    if pack.layout.cells:
        names = [short_cell(c) for c in pack.layout.cells]
        spread = f"{cells.spread * 1e3:.0f} mV" if cells else ""
        found.append(Kind("cells", cells, names, 3, "V", spread))
    if pack.layout.sensors:
        names = [short_sensor(s) for s in pack.layout.sensors]
        spread = f"{sensors.spread:.1f} K" if sensors else ""
        found.append(Kind("heat", sensors, names, 1, "°C", spread))
    return found


def quantities(pack: PackState) -> list[Line]:
    """The pack's mapped quantities, each with its short name; stale ones marked."""
    parts: list[Line] = []
    for name, quantity in pack.quantities.items():
        role = "stale" if quantity.stale else PLAIN
        value = quantity.text
        if is_large(quantity.value, quantity.unit) and value.endswith(quantity.unit):
            value = " ".join(large_text(quantity.value, quantity.unit))
        value += "~" if quantity.stale else ""
        parts.append([(f"{SHORT_NAMES.get(name, name)} ", FAINT), (value, role)])
    return parts


def load_cell(load: Load, limit: float, columns: int, name_width: int) -> Line:
    """One network's load: name, bar on 0 to 100 % with its limit, figure, ``!`` over the limit."""
    lead = f"{load.network:<{name_width}} "
    if not load.counted:
        return fill([(lead, HEAD), (COUNTING, FAINT)], columns)
    over = over_limit(load.now, limit)
    number = f" {percent(load.now, 0):>5}{'!' if over else ' '}"
    bar = min(max(columns - len(lead) - len(number), 4), LONGEST_BAR)
    return [
        (lead, HEAD),
        *load_bar(load.now, limit, bar),
        (number, "over" if over else PLAIN),
    ]


def load_grid(snapshot: Snapshot, vehicle: Vehicle, columns: int, across: int) -> list[Line]:
    """The loads of all networks that were recorded, at most ``across`` in a row."""
    gap = 2
    loads = [load for load in snapshot.loads if load.recorded]
    across = max(min(across, len(loads)), 1)
    each = (columns - gap * (across - 1)) // across
    name_width = max((len(load.network) for load in loads), default=0)
    lines: list[Line] = []
    for start in range(0, len(loads), across):
        line: Line = []
        for load in loads[start : start + across]:
            if line:
                line.append((" " * gap, PLAIN))
            line += load_cell(load, vehicle.networks[load.network].load_limit, each, name_width)
        lines.append(line)
    return lines


def unrecorded(snapshot: Snapshot, columns: int) -> list[Line]:
    """The networks of which nothing was recorded, named; no line when there is none."""
    names = [load.network for load in snapshot.loads if not load.recorded]
    return fold([(f"no frames of {', '.join(names)}", "missing")], columns, 2) if names else []


def no_pack(snapshot: Snapshot) -> str:
    """Why the screens show no pack; empty when they do."""
    if snapshot.pack is None and not snapshot.planned:
        return "No plan was given; --plan PLAN names one that describes cells and sensors."
    if snapshot.pack is None:
        return "No plan describes a pack here; busplan pack --suggest PLAN proposes one."
    if not snapshot.pack.in_capture:
        return "No cell and no sensor of the pack has come."
    return ""


def recent_findings(replay: Replay, snapshot: Snapshot, columns: int, count: int) -> list[Line]:
    """The findings up to this moment, the latest first, in at most ``count`` lines."""
    past = replay.findings[: snapshot.past]
    if not replay.findings:
        return [[(nothing_found(replay), FAINT)]]
    if not past:
        return [[(f"no finding yet; {len(replay.findings)} to come", FAINT)]]
    if count == 1:
        return [clip(finding_line(past[-1]), columns)]
    lines = [line for f in reversed(past) for line in fold(finding_line(f), columns, 13)]
    return lines[:count]


def nothing_found(replay: Replay) -> str:
    """What stands in place of findings when there is none."""
    over = replay.judged and replay.source != LIVE
    return "no findings in this capture" if over else "no findings so far"
