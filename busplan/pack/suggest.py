"""A proposal for the plan's ``[pack]`` section, from names, units and lengths in the definitions.

It is a proposal: each guess says why, and what only the builder knows (how many modules, in which
order the enclosures follow each other) is marked to be checked.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from busplan.definitions.model import Message, Signal
from busplan.pack.families import Family, find_families, highest
from busplan.pack.units import QUANTITY_KIND, conversion
from busplan.plan.vehicle import SignalAddress, Vehicle
from busplan.wording import counted, disarmed, escaped

Named = tuple[SignalAddress, Signal]


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The proposed section as TOML text, and how many cells and sensors it finds."""

    text: str
    cells: int
    sensors: int
    quantities: tuple[str, ...]


def suggest_for_vehicle(vehicle: Vehicle) -> Suggestion:
    """From all that the nodes of a plan send."""
    carried = {(r.target, r.through, r.kind, r.arrives_as) for r in vehicle.routes}
    copies = {
        a
        for a, _, _ in vehicle.signals()
        if not carried.isdisjoint(
            (a.network, a.node, kind, name)
            for kind, name in (("message", a.message), ("signal", a.signal))
        )
    }
    return _suggest([(a, s) for a, _, s in vehicle.signals()], copies, whole=True)


def suggest_for_messages(messages: Iterable[Message]) -> Suggestion:
    """From one definition file; its senders stand for nodes, the network is left open."""
    named = [
        (SignalAddress("", m.senders[0].lower() if m.senders else "", m.name, s.name), s)
        for m in messages
        for s in m.signals
    ]
    return _suggest(named, set(), whole=False)


def _suggest(
    signals: Sequence[Named], copies: AbstractSet[SignalAddress], *, whole: bool
) -> Suggestion:
    signals = [(a, s) for a, s in signals if not s.is_text]
    families = find_families(signals)
    cells = [f for f in families if f.kind == "cell"]
    nodes = {(f.network, f.node) for f in cells}
    sensors = {
        (f.network, f.node): f
        for f in reversed(families)
        if f.kind == "sensor" and (f.network, f.node) in nodes
    }
    lines = ["[pack]", 'chemistry = "own"   # check: NMC, NCA, LFP, LTO or own limits']
    networks = {f.network for f in cells if f.network}
    if len(networks) == 1:
        lines.append(f"network = {_quoted(next(iter(networks)))}")
    lines.append("current_sign = 1   # check: 1 when a positive current discharges, -1 when not")
    steps = {abs(float(m.signal.scale)) for f in sensors.values() for m in f.members}
    if len(steps) == 1:
        lines.append(f"temperature_resolution_k = {next(iter(steps)):g}   # one bit of the signal")
    lines.append("# capacity_ah = 100          # nominal, of one cell; capacities need it")
    lines.append("# joints_mohm = 0.8          # fuse, contactors, joints when commissioned")
    lines.append("# balancing_current_a = 0.1  # of one cell; the time to balance needs it")
    lines += ["[pack.limits]   # check against the cell's datasheet"]
    lines += ["cell_low_v = 3.0", "cell_high_v = 4.2"]
    for index, family in enumerate(cells):
        lines += ["", *_enclosure(index, family, sensors.get((family.network, family.node)), whole)]
    if not cells:
        lines += ["", "# No family of numbered cell voltages was found in these definitions."]
    lines += ["", *_one_by_one(signals)]
    found = _quantities(signals, networks, copies, max(map(len, cells), default=0))
    if found:
        lines += ["[pack.quantities]   # check each"]
        lines += [f"{name} = {_quoted(_selector(a))}" for name, a in found.items()]
    text = "\n".join(lines).rstrip() + "\n"
    count = sum(len(f) for f in sensors.values())
    return Suggestion(text, sum(len(f) for f in cells), count, tuple(found))


def _enclosure(index: int, cells: Family, sensors: Family | None, whole: bool) -> list[str]:
    letter = chr(ord("A") + index) if index < 26 else f"E{index + 1}"
    modules, why = _modules(cells, sensors)
    names = [f"{letter}{i + 1}" for i in range(modules)]
    share = len(cells) // modules
    lines = [
        "[[pack.enclosure]]",
        f"name = {_quoted(letter)}   # {len(cells)} signals like {disarmed(cells.names[0])}",
        f"node = {_quoted(cells.node)}" + ("" if whole else "   # check: the node's name"),
        f"modules = {json.dumps(names)}   # check: {why}",
        f"cells_per_module = {share}",
        f"cells = {_names(cells)}",
    ]
    if sensors is not None:
        lines += [
            f"sensors_per_module = {len(sensors) // modules}",
            f"sensors = {_names(sensors)}",
        ]
    return lines


def _modules(cells: Family, sensors: Family | None) -> tuple[int, str]:
    """How many modules an enclosure may have, and what that guess rests on."""
    count = len(cells)
    if cells.template.count("{}") == 2:
        first = {m.numbers[0] for m in cells.members}
        if 1 < len(first) < count and count % len(first) == 0:
            return len(first), "by the first number in the names"
    if sensors is not None:
        for each in (2, 1, 3, 4):
            modules, rest = divmod(len(sensors), each)
            if rest == 0 and modules and count % modules == 0 and count // modules >= 2:
                return modules, f"guessed from {counted(each, 'sensor')} a module"
    return 1, "nothing tells how many"


def _names(family: Family) -> str:
    pattern = family.pattern
    return _quoted(pattern) if pattern else json.dumps(list(family.names))


def _quoted(text: str) -> str:
    return escaped(json.dumps(text, ensure_ascii=False))


def _selector(address: SignalAddress) -> str:
    return "/".join(part for part in address if part)


def _one_by_one(signals: Sequence[Named]) -> list[str]:
    """A word on messages that send one cell a frame with its number beside it."""
    messages: dict[tuple[str, ...], list[Signal]] = {}
    for address, signal in signals:
        messages.setdefault(address[:3], []).append(signal)
    lines = []
    for key, members in messages.items():
        values = [s for s in members if "cell" in s.name.lower() and "volt" in s.name.lower()]
        values = [s for s in values if not any(c.isdigit() for c in s.name) and not _summary(s)]
        counters = [
            s
            for s in members
            if any(w in s.name.lower() for w in ("index", "number", "cellid")) and s not in values
        ]
        if len(values) == 1 and counters:
            lines.append(
                f"# {key[2]} seems to carry one cell a frame ({values[0].name}, numbered by "
                f"{counters[0].name}): define it multiplexed, one signal a cell, to use it here."
            )
    return [*lines, ""] if lines else []


def _summary(signal: Signal) -> bool:
    return any(w in signal.name.lower() for w in ("min", "max", "mean", "avg", "sum"))


def _quantities(
    signals: Sequence[Named],
    networks: AbstractSet[str],
    copies: AbstractSet[SignalAddress],
    cells: int,
) -> dict[str, SignalAddress]:
    """The best candidate for each quantity: its unit first, then see :func:`_rank`.

    ``copies`` are signals that a gateway sends for somebody else; ``cells``: how many the longest
    family has.
    """
    rules: dict[str, tuple[Sequence[str], Sequence[str]]] = {
        # quantity: words of which one must be in message or signal name; words that must not be
        "current": (("packcurr", "batterycurr", "battcurr", "packamps"), ("limit", "max", "min")),
        "voltage": (("packvolt", "batteryvolt", "battvolt"), ("limit", "max", "min")),
        "link_voltage": (("linkvoltage", "dclink", "busvoltage"), ("limit", "motor")),
        "insulation": (("insulation", "isolation"), ("limit", "warn")),
        "state_of_charge": (("stateofcharge", "soc"), ("limit",)),
        "inlet_temperature": (("loopinlet", "coolantin", "inlettemp"), ("limit", "target")),
        "outlet_temperature": (("loopoutlet", "coolantout", "outlettemp"), ("limit", "target")),
        "dcdc_output_voltage": (("dcdcoutputvoltage", "dcdcoutvolt", "lvvoltage"), ("limit",)),
        "charger_current": (("chargercurrent", "chargecurrent"), ("limit", "request", "max")),
        "charger_current_request": (("chargecurrentrequest", "chargercurrentrequest"), ("limit",)),
        "charger_voltage": (("chargervoltage", "chargevoltage"), ("limit", "request", "max")),
        "charger_voltage_request": (("chargevoltagerequest", "chargervoltagerequest"), ("limit",)),
    }
    found: dict[str, SignalAddress] = {}
    for quantity, (words, without) in rules.items():
        kind = QUANTITY_KIND[quantity]
        candidates = [
            (_rank(a, words, networks, copies), a)
            for a, s in signals
            if s.unit
            and conversion(kind, s.unit) is not None
            and any(w in _plain(a.signal) for w in words)
            and not any(w in _plain(a.signal) for w in without)
        ]
        if candidates:
            found[quantity] = min(candidates)[1]
    near = {a.node for a, _ in signals if a.network in networks}
    for quantity, pattern in ABBREVIATED.items():
        least = cells * LEAST_CELL_V if quantity == "voltage" else 0.0
        short = [
            (_rank(a, (), networks, copies), a)
            for a, s in signals
            if pattern.search(a.signal)
            and s.unit
            and (unit := conversion(QUANTITY_KIND[quantity], s.unit)) is not None
            and highest(s, unit.factor) >= least
            and (not networks or a.node in near)
        ]
        if short:
            found.setdefault(quantity, min(short)[1])
    states = [
        (_rank(a, ("contactorstate",), networks, copies), a)
        for a, s in signals
        if len(s.choices) >= 3 and "contactor" in _plain(a.signal)
    ]
    if states:
        found["contactor_state"] = min(states)[1]
    return found | _switches(signals, networks, copies)


LEAST_CELL_V = 1.5
"""A pack's voltage can be told with so much a cell at least (common practice, no source): a signal
that cannot hold it is another battery's, most often the one of 12 V."""


def _abbreviated(letters: str) -> re.Pattern[str]:
    """Names such as ``Ibat``, ``BMS_I_Pack`` or ``BattI``, by a quantity's letters in formulas."""
    pack = "(?:batt?|pack|hv)"
    whole = f"[{letters}]_?{pack}|{pack}_?[{letters}]"
    return re.compile(f"(?:^|_)(?:{whole})(?:_(?:act|actual|meas|filt|[av]))?$", re.IGNORECASE)


ABBREVIATED: Mapping[str, re.Pattern[str]] = {
    "current": _abbreviated("i"),
    "voltage": _abbreviated("uv"),
}
"""Abbreviations of the pack's own, taken only where no longer name is found, and only of a node
that sends on a network of the cells."""


SWITCHES: Mapping[str, Sequence[str]] = {
    "plus_contactor": ("pluscontactor", "positivecontactor", "mainpluscontactor"),
    "minus_contactor": ("minuscontactor", "negativecontactor", "mainminuscontactor"),
    "pre_charge_contactor": ("prechargecontactor", "prechargerelay"),
    "plus_command": ("pluscommand", "pluscontactorcommand", "positivecommand"),
    "minus_command": ("minuscommand", "minuscontactorcommand", "negativecommand"),
    "pre_charge_command": ("prechargecommand", "prechargecontactorcommand"),
    "charger_enable": ("chargeenable", "chargerenable"),
    "dcdc_enable": ("dcdcenable", "dcdcon"),
    "insulation_state": ("insulationstate", "isolationstate"),
}
"""States by the whole name of their signal; a part of a name would catch too much."""


def _switches(
    signals: Sequence[Named], networks: AbstractSet[str], copies: AbstractSet[SignalAddress]
) -> dict[str, SignalAddress]:
    """Signals without a unit whose whole name is one of :data:`SWITCHES`."""
    found = {}
    for quantity, words in SWITCHES.items():
        candidates = [
            (_rank(a, words, networks, copies), a)
            for a, s in signals
            if not s.unit and s.length <= 8 and _plain(a.signal) in words
        ]
        if candidates:
            found[quantity] = min(candidates)[1]
    return found


def _plain(name: str) -> str:
    return name.lower().replace("_", "")


def _rank(
    address: SignalAddress,
    words: Sequence[str],
    networks: AbstractSet[str],
    copies: AbstractSet[SignalAddress],
) -> tuple[int, int, int, int]:
    """Smaller is better: the earlier word, who sends it, the pack's network, the shorter name."""
    name = _plain(address.signal)
    word = next((i for i, w in enumerate(words) if w in name), len(words))
    elsewhere = bool(networks) and address.network not in networks
    return word, int(address in copies), int(elsewhere), len(name)
