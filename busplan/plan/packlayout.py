"""Which signals are the cells, sensors and quantities of the pack, and its limits.

Cells count 1, 2, 3 … through all enclosures in plan order, which is string order. A pattern's ``n``
counts from 1 within its enclosure.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import TypeVar

from busplan.findings import Figure, Finding, Weight, Where
from busplan.plan.locate import KeyPath
from busplan.plan.problems import Problems, suggestion
from busplan.plan.schema import EnclosureSpec, PackSpec, PlanSpec
from busplan.plan.select import selector_pattern
from busplan.plan.vehicle import (
    CellPlace,
    PackLayout,
    PackLimits,
    SensorPlace,
    SignalAddress,
    Stream,
)

MOST_CELLS = 10_000
"""Cells, and sensors, that a pack can have."""
_COUNTED = re.compile(r"[^{}]*(?:\{n(?::0?[1-9])?\}[^{}]*)+")
"""A pattern with its counter; other forms of number could be as long as the memory."""
_T = TypeVar("_T")

CHEMISTRIES: Mapping[str, PackLimits] = MappingProxyType(
    {
        # Voltage windows: parameter sets of the PyBaMM library and cell datasheets; temperatures:
        # cell datasheets (charge 0 to 45 °C, discharge -20 to 60 °C). Spreads: common practice, no
        # source.
        "NMC": PackLimits(2.5, 4.2),
        "NCA": PackLimits(2.7, 4.2),
        "LFP": PackLimits(2.0, 3.65),
        # From memory of common cells, no source; LTO alone may be charged below 0 °C.
        "LTO": PackLimits(1.5, 2.8, charge_low_c=-30.0, discharge_low_c=-30.0),
    }
)


def pack_layout(
    pack: PackSpec,
    streams: Sequence[Stream],
    plan: PlanSpec,
    problems: Problems,
    findings: list[Finding],
    hidden: Callable[[str | None], bool],
) -> PackLayout | None:
    """The layout that ``[pack]`` describes over what the vehicle sends.

    Wrong names go to ``problems``; single cells or sensors that no definition has, and those named
    twice, go to ``findings``. ``hidden`` tells whether a broken table may hide what a node (or, for
    ``None``, any node) sends.
    """
    limits = _limits(pack, problems)
    if pack.network is not None and pack.network not in plan.known("network"):
        problems.unknown(("pack", "network"), "network", pack.network, plan.known("network"))
        return None
    _check_names(pack, problems)
    finder = Finder(streams, pack.network, problems, hidden)
    enclosures: dict[str, tuple[str, ...]] = {}
    loop_position: dict[str, int] = {}
    kind: dict[str, str] = {}
    cells: list[CellPlace] = []
    sensors: list[SensorPlace] = []
    number = 0
    for index, box in enumerate(pack.enclosure):
        path: KeyPath = ("pack", "enclosure", index)
        enclosures[box.name] = tuple(box.modules)
        places = _per_module(box, box.loop_position, (*path, "loop_position"), problems)
        loop_position |= zip(box.modules, places, strict=False)
        kind |= zip(
            box.modules,
            _per_module(box, box.kind, (*path, "kind"), problems, "names"),
            strict=False,
        )
        if box.node is not None and box.node not in plan.known("node"):
            problems.unknown((*path, "node"), "node", box.node, plan.known("node"))
            continue
        cell_counts = _per_module(box, box.cells_per_module, (*path, "cells_per_module"), problems)
        sensor_counts = _per_module(
            box, box.sensors_per_module, (*path, "sensors_per_module"), problems
        )
        missing_cells: list[str] = []
        found = finder.places(box, box.cells, sum(cell_counts), (*path, "cells"), missing_cells)
        for module, address in zip(_spread(box.modules, cell_counts), found, strict=False):
            number += 1
            if address is not None:
                cells.append(CellPlace(number, module, address))
        missing_sensors: list[str] = []
        found = finder.places(
            box, box.sensors, sum(sensor_counts), (*path, "sensors"), missing_sensors
        )
        modules = _spread(box.modules, sensor_counts)
        for i, (module, address) in enumerate(zip(modules, found, strict=False)):
            if address is not None:
                sensors.append(SensorPlace(module, i - modules.index(module) + 1, address))
        findings += _missing(box, "cell", missing_cells, problems, (*path, "cells"))
        findings += _missing(box, "sensor", missing_sensors, problems, (*path, "sensors"))
    findings += _doubled([*cells, *sensors], problems)
    quantities = {
        name: address
        for name, selector in pack.quantities.model_dump(exclude_none=True).items()
        if (address := finder.one(selector, ("pack", "quantities", name), None)) is not None
    }
    if limits is None:
        return None
    return PackLayout(
        chemistry=pack.chemistry,
        limits=limits,
        enclosures=enclosures,
        cells=tuple(cells),
        sensors=tuple(sensors),
        quantities=quantities,
        current_sign=pack.current_sign,
        temperature_resolution_k=pack.temperature_resolution_k,
        capacity_ah=pack.capacity_ah,
        joints_mohm=pack.joints_mohm,
        balancing_current_a=pack.balancing_current_a,
        link_discharge_s=pack.link_discharge_s,
        loop_position=loop_position,
        kind=kind,
    )


class Finder:
    """Looks signals up by selector, first on the pack's own network."""

    def __init__(
        self,
        streams: Sequence[Stream],
        network: str | None,
        problems: Problems,
        hidden: Callable[[str | None], bool],
    ) -> None:
        self.problems = problems
        self.hidden = hidden
        self.network = network
        self.wanted = 0
        """Cells and sensors asked for so far."""
        self.by_signal: dict[str, list[SignalAddress]] = {}
        self.texts: set[SignalAddress] = set()
        for stream in streams:
            for signal in stream.message.signals:
                address = stream.address(signal.name)
                self.by_signal.setdefault(signal.name, []).append(address)
                if signal.is_text:
                    self.texts.add(address)

    def places(
        self,
        box: EnclosureSpec,
        pattern: str | tuple[str, ...],
        count: int,
        path: KeyPath,
        missing: list[str],
    ) -> list[SignalAddress | None]:
        """The signals of an enclosure in order; those that do not exist are ``None``."""
        self.wanted += count
        if self.wanted > 2 * MOST_CELLS:
            self.problems.add(path, f"more than {MOST_CELLS:,} cells or sensors; no pack has them")
            return []
        if isinstance(pattern, tuple):
            if len(pattern) != count:
                self.problems.add(
                    path, f"lists {len(pattern)} signals where the modules have {count}"
                )
            selectors = list(pattern)
        else:
            if not _COUNTED.fullmatch(pattern):
                self.problems.add(
                    path, f'"{pattern}" must hold the counter as {{n}}, {{n:02}} or {{n:03}}'
                )
                return []
            selectors = [pattern.format(n=n) for n in range(1, count + 1)]
        found = [self.find(s, box.node) for s in selectors]
        if selectors and not any(found):
            if not self.hidden(box.node):
                self.one(selectors[0], path, box.node)
            return []
        missing += [s for s, hits in zip(selectors, found, strict=True) if not hits]
        for step, (selector, hits) in enumerate(zip(selectors, found, strict=True)):
            here = (*path, step) if isinstance(pattern, tuple) else path
            if len(hits) > 1:
                self.several(selector, hits, here)
            elif hits:
                self._refuse_text(selector, hits[0], here)
        return [hits[0] if hits else None for hits in found]

    def one(self, selector: str, path: KeyPath, node: str | None) -> SignalAddress | None:
        """The one signal a selector means; a problem when there is none or more than one."""
        hits = self.find(selector, node)
        if len(hits) == 1:
            self._refuse_text(selector, hits[0], path)
            return hits[0]
        if hits:
            self.several(selector, hits, path)
        elif not self.hidden(node):
            name = selector.rsplit("/", 1)[-1]
            sender = f' sent by "{node}"' if node else ""
            known = [
                n
                for n, places in self.by_signal.items()
                if any(node in (None, a.node) for a in places)
            ]
            near = suggestion(name, known, "signal")
            self.problems.add(path, f'there is no signal "{selector}"{sender}{near}')
        return None

    def _refuse_text(self, selector: str, address: SignalAddress, path: KeyPath) -> None:
        if address in self.texts:
            self.problems.add(path, f'"{selector}" is text, and a number is wanted')

    def several(self, selector: str, hits: Sequence[SignalAddress], path: KeyPath) -> None:
        """Say that a selector means more than one signal."""
        shown = " and ".join(str(a) for a in hits[:3])
        self.problems.add(
            path, f'"{selector}" means {len(hits)} signals: {shown}; write more of the name'
        )

    def find(self, selector: str, node: str | None) -> list[SignalAddress]:
        """All signals a selector means, those of the own network first and alone."""
        pattern = selector_pattern(selector)
        last = selector.rsplit("/", 1)[-1]
        pool = self.by_signal.get(last)
        if pool is None:
            if "*" not in last and "?" not in last:
                return []
            pool = [a for places in self.by_signal.values() for a in places]
        hits = [a for a in pool if node in (None, a.node) and pattern.fullmatch(str(a))]
        own = [a for a in hits if a.network == self.network]
        return own or hits


def _limits(pack: PackSpec, problems: Problems) -> PackLimits | None:
    own = pack.limits.model_dump(exclude_none=True)
    base = CHEMISTRIES.get(pack.chemistry.upper())
    if base is None and pack.chemistry != "own":
        named = '", "'.join(CHEMISTRIES)
        problems.add(
            ("pack", "chemistry"),
            f'must be "{named}" or "own" (with [pack.limits]); got "{pack.chemistry}"',
        )
        return None
    if base is None and not {"cell_low_v", "cell_high_v"} <= set(own):
        problems.add(
            ("pack", "limits"),
            "without a known chemistry, cell_low_v and cell_high_v must be stated here",
        )
        return None
    start = base or PackLimits(own["cell_low_v"], own["cell_high_v"])
    values = {n: own.get(n, getattr(start, n)) for n in PackLimits.__dataclass_fields__}
    limits = PackLimits(**values)
    for low, high in (
        ("cell_low_v", "cell_high_v"),
        ("charge_low_c", "charge_high_c"),
        ("discharge_low_c", "discharge_high_c"),
    ):
        if values[low] >= values[high]:
            problems.add(
                ("pack", "limits", low),
                f"{low} ({values[low]}) must lie below {high} ({values[high]})",
            )
    return limits


def _check_names(pack: PackSpec, problems: Problems) -> None:
    """Enclosure and module names are each used once in the pack."""
    seen: dict[str, str] = {}
    for index, box in enumerate(pack.enclosure):
        if any(box.name == other.name for other in pack.enclosure[:index]):
            problems.add(("pack", "enclosure", index, "name"), f'"{box.name}" is there twice')
        for position, module in enumerate(box.modules):
            if module in seen:
                problems.add(
                    ("pack", "enclosure", index, "modules", position),
                    f'module "{module}" is there twice; enclosure "{seen[module]}" has it too',
                )
            seen[module] = box.name


def _per_module(
    box: EnclosureSpec,
    counts: Sequence[_T],
    path: KeyPath,
    problems: Problems,
    what: str = "numbers",
) -> list[_T]:
    """One value for each module, from a list of as many or from one for all."""
    if len(counts) == 1:
        return [counts[0]] * len(box.modules)
    if len(counts) != len(box.modules):
        problems.add(path, f"lists {len(counts)} {what} for {len(box.modules)} modules")
    return list(counts[: len(box.modules)])


def _spread(modules: Sequence[str], counts: Sequence[int]) -> list[str]:
    """The module of each cell or sensor, in order."""
    return [m for m, count in zip(modules, counts, strict=False) for _ in range(count)]


def _missing(
    box: EnclosureSpec, what: str, names: Sequence[str], problems: Problems, path: KeyPath
) -> list[Finding]:
    if not names:
        return []
    return [
        Finding(
            "pack-cell-missing" if what == "cell" else "pack-sensor-missing",
            Weight.CAUTION,
            Where(node=box.node, file=problems.file, line=problems.line(path)),
            f"Enclosure {box.name}: no definition has {', '.join(names[:4])}"
            f"{' and more' if len(names) > 4 else ''}, so {len(names)} {what}"
            f"{'s stay' if len(names) > 1 else ' stays'} unseen.",
            f"A {what} that nobody measures cannot be judged.",
            f"Correct the numbers of {what}s or the pattern in the plan, or the definition file.",
            (Figure(f"missing {what}s", len(names)),),
        )
    ]


def _doubled(places: Sequence[CellPlace | SensorPlace], problems: Problems) -> list[Finding]:
    seen: dict[SignalAddress, int] = {}
    for place in places:
        seen[place.address] = seen.get(place.address, 0) + 1
    return [
        Finding(
            "pack-signal-doubled",
            Weight.CAUTION,
            Where(*address, file=problems.file, line=problems.line(("pack",))),
            f"{address} stands for {count} places of the pack.",
            "One measured value cannot be two cells or sensors; one of them is not measured.",
            "Correct the patterns of the enclosures in the plan.",
            (Figure("places", count),),
        )
        for address, count in seen.items()
        if count > 1
    ]
