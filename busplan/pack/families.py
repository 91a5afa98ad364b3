"""Signals that belong together by their names: ``CellVoltage01`` … ``CellVoltage24``."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from busplan.definitions.model import Signal
from busplan.pack.units import conversion
from busplan.plan.vehicle import SignalAddress

_DIGITS = re.compile(r"\d+")
SUMMARY_WORDS = ("min", "max", "mean", "avg", "average", "lowest", "highest", "sum", "total")
"""Words of names that speak of all cells at once."""
CELL_STEP_V = 0.02
CELL_RANGE_V = (2.0, 10.0)


@dataclass(frozen=True, slots=True)
class Numbered:
    """A signal of a family with the numbers in its name."""

    numbers: tuple[int, ...]
    address: SignalAddress
    signal: Signal


@dataclass(frozen=True, slots=True)
class Family:
    """Signals of one node whose names differ in their numbers only, in numeric order.

    ``template`` is the name with ``{}`` for each number; ``kind`` is ``cell`` or ``sensor``.
    """

    network: str
    node: str
    template: str
    kind: str
    members: tuple[Numbered, ...]

    def __len__(self) -> int:
        return len(self.members)

    @property
    def names(self) -> tuple[str, ...]:
        """The signal names in order."""
        return tuple(m.address.signal for m in self.members)

    @property
    def pattern(self) -> str | None:
        """A pattern with ``{n}`` that counts from 1 and gives exactly these names, if one does."""
        if self.template.count("{}") != 1:
            return None
        for form in ("{n}", "{n:02}", "{n:03}"):
            pattern = self.template.replace("{}", form)
            if all(pattern.format(n=i) == name for i, name in enumerate(self.names, start=1)):
                return pattern
        return None


def template_of(name: str) -> tuple[str, tuple[int, ...]]:
    """A name with its numbers taken out, and the numbers."""
    numbers = tuple(int(n) for n in _DIGITS.findall(name))
    return _DIGITS.sub("{}", name.replace("{", "").replace("}", "")), numbers


def find_families(signals: Iterable[tuple[SignalAddress, Signal]]) -> tuple[Family, ...]:
    """Families of cell voltages and temperatures, in order of first appearance."""
    groups: dict[tuple[str, str, str, str], list[Numbered]] = {}
    for address, signal in signals:
        template, numbers = template_of(address.signal)
        kind = kind_of_signal(signal)
        if kind is None or not numbers:
            continue
        key = (address.network, address.node, template, kind)
        groups.setdefault(key, []).append(Numbered(numbers, address, signal))
    families = []
    for (network, node, template, kind), members in groups.items():
        least = 2 if kind == "sensor" or "cell" in template.lower() else 4
        if len(members) >= least:
            ordered = tuple(sorted(members, key=lambda m: m.numbers))
            families.append(Family(network, node, template, kind, ordered))
    return tuple(families)


def highest(signal: Signal, factor: float) -> float:
    """The highest value a signal may have, by its maximum if stated, else by its bits."""
    carried = ((1 << signal.length) - 1) * abs(float(signal.scale)) + float(signal.offset)
    return float(signal.maximum or carried) * factor


def kind_of_signal(signal: Signal) -> str | None:
    """``cell``, ``sensor`` or ``None``, by unit, step and range."""
    words = {w.lower() for w in re.findall(r"[A-Z]?[a-z]+|[A-Z]+", signal.name)}
    if words & set(SUMMARY_WORDS) or signal.selects or signal.is_text:
        return None
    if conversion("temperature", signal.unit) is not None and signal.unit:
        return "sensor"
    volts = conversion("voltage", signal.unit)
    if volts is None:
        named = "cell" in words and signal.unit == ""
        return "cell" if named and signal.length >= 8 else None
    step, top = abs(float(signal.scale)) * volts.factor, highest(signal, volts.factor)
    fits = step <= CELL_STEP_V and signal.length >= 8
    in_range = CELL_RANGE_V[0] <= top <= CELL_RANGE_V[1]
    named = "cell" in words and top > CELL_RANGE_V[0]
    return "cell" if fits and (in_range or named) else None
