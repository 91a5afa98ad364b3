"""A board's file joined with a vehicle: which signals its selectors name, every mistake at once."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

from busplan.board.limits import Comparison, Condition, Limit
from busplan.board.model import Board, Boards, Tile
from busplan.board.quantities import LOAD, address_of, taken
from busplan.board.spec import GRID, OF_NO_SIGNAL, SIGNALS, BoardSpec, FileSpec, LimitSpec, TileSpec
from busplan.findings import Weight
from busplan.pack.windows import REST_A
from busplan.plan.locate import KeyPath
from busplan.plan.problems import Problems, show_value, suggestion
from busplan.plan.select import selector_pattern
from busplan.plan.validate import read_table
from busplan.plan.vehicle import Vehicle

SECTIONS = ("limit", "board", "presets", "blink")
_WHEN = re.compile(r"(?P<subject>.+?)\s+(?P<how>is|above|below)\s+(?P<wanted>.+)")
MOST_LIMITS = 5000
"""Limits of one file, each signal counted; more is taken for a mistyped selector."""


class Names:
    """What a vehicle's selectors name."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.signals = {str(address): signal for address, _, signal in vehicle.signals()}
        self._found: dict[str, tuple[str, ...]] = {}

    def subjects(self, selector: str) -> tuple[str, ...]:
        """Full names of the signals, or the quantities, that a selector names; empty: none."""
        if selector not in self._found:
            self._found[selector] = self._subjects(selector)
        return self._found[selector]

    def _subjects(self, selector: str) -> tuple[str, ...]:
        layout = self.vehicle.pack
        if selector in ("cells", "sensors"):
            if layout is None:
                return ()
            places = layout.cells if selector == "cells" else layout.sensors
            return tuple(str(place.address) for place in places)
        if layout is not None and selector in layout.quantities:
            return (str(layout.quantities[selector]),)
        if selector.startswith(LOAD):
            network = selector.removeprefix(LOAD)
            return (selector,) if network in self.vehicle.networks else ()
        made = taken(selector)
        if made is not None:
            group = made[1].split(", ")
            known = all(name in self.signals or self._subjects(name) for name in group)
            return (selector,) if known else ()
        pattern = selector_pattern(selector)
        return tuple(name for name in self.signals if pattern.fullmatch(name))

    def near(self, selector: str) -> str:
        """What may have been meant."""
        if selector.startswith(LOAD):
            return suggestion(selector.removeprefix(LOAD), self.vehicle.networks, "network")
        last = [name.rsplit("/", 1)[-1] for name in self.signals]
        return suggestion(selector.rsplit("/", 1)[-1], last, "signal") if last else ""


def resolve_boards(document: Mapping[str, Any], problems: Problems, vehicle: Vehicle) -> Boards:
    """The boards of a parsed file. Raises :class:`busplan.errors.PlanError` with every problem.

    A selector that names no signal is no problem: the file may serve several vehicles. Its tile
    keeps its place, and :attr:`Boards.missing` names those of limits.
    """
    for key in document:
        if key not in SECTIONS:
            problems.add((key,), f"unknown key or table{suggestion(key, SECTIONS)}")
    top = {k: document[k] for k in ("presets", "blink") if k in document}
    spec = read_table(FileSpec, top, (), problems) or FileSpec()
    names = Names(vehicle)
    limits: list[Limit] = []
    missing: list[str] = []
    for path, table in _tables(document, "limit", (), problems):
        found = read_table(LimitSpec, table, path, problems)
        if found is not None:
            limits += _limits(found, path, names, missing, problems)
    if len(limits) > MOST_LIMITS:
        problems.add(
            ("limit",), f"these are limits of {len(limits)} signals; {MOST_LIMITS} at most"
        )
    boards = []
    for path, table in _tables(document, "board", (), problems):
        board = read_table(BoardSpec, table, path, problems)
        if board is not None:
            boards.append(_board(board, path, names, problems))
    problems.stop()
    return Boards(
        boards=tuple(boards),
        limits=tuple(limits),
        presets=tuple(spec.presets),
        blink=spec.blink,
        source=problems.file,
        missing=tuple(dict.fromkeys(missing)),
    )


def _tables(
    document: Mapping[str, Any], name: str, path: KeyPath, problems: Problems
) -> Iterable[tuple[KeyPath, Any]]:
    found = document.get(name, [])
    if not isinstance(found, list):
        problems.add((*path, name), f"must be [[{name}]] tables; got {show_value(found)}")
        return []
    return [((*path, name, i), table) for i, table in enumerate(found)]


def _limits(
    spec: LimitSpec, path: KeyPath, names: Names, missing: list[str], problems: Problems
) -> list[Limit]:
    ends = {
        "fault_low": spec.fault_low,
        "caution_low": spec.caution_low,
        "caution_high": spec.caution_high,
        "fault_high": spec.fault_high,
    }
    given = [(name, value) for name, value in ends.items() if value is not None]
    if not given:
        problems.add(path, f"needs one of {', '.join(ends)}")
    for (name, low), (other, high) in pairwise(given):
        if low >= high:
            problems.add((*path, name), f"must be below {other} ({high:g}); got {low:g}")
    when = None if spec.when is None else _condition(spec.when, path, names, missing, problems)
    if spec.settle_s and spec.when is None:
        problems.add((*path, "settle_s"), "belongs to a condition; give when too")
    subjects = names.subjects(spec.signal)
    if not subjects:
        missing.append(spec.signal)
    if spec.take != "each" and subjects:
        subjects = (made_subject(spec.take, spec.signal, subjects),)
    found = []
    for subject in subjects:
        for name, value in given:
            signal = names.signals.get(subject)
            found.append(
                Limit(
                    subject=subject,
                    weight=Weight.FAULT if name.startswith("fault") else Weight.CAUTION,
                    above=name.endswith("high"),
                    value=value,
                    back_by=spec.back_by,
                    for_ns=_ns(spec.for_s),
                    clear_ns=_ns(spec.clear_s),
                    when=when,
                    settle_ns=round(spec.settle_s * 1e9),
                    unit="%" if subject.startswith(LOAD) else signal.unit if signal else "",
                )
            )
    return found


def made_subject(take: str, selector: str, subjects: Sequence[str]) -> str:
    """The name of a quantity that is made of several signals."""
    group = selector if selector in ("cells", "sensors") else ", ".join(subjects)
    return f"{take} of {group}"


def _ns(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1e9)


def _condition(
    text: str, path: KeyPath, names: Names, missing: list[str], problems: Problems
) -> Condition | None:
    condition, wrong = read_condition(text, names)
    if wrong:
        problems.add((*path, "when"), wrong)
    elif condition is not None and not names.subjects(condition.subject):
        missing.append(condition.subject)
    return condition


def read_condition(text: str, names: Names) -> tuple[Condition | None, str]:
    """A condition as typed, and what is wrong with it, empty when nothing is.

    Its subject stays a selector when the vehicle has no such signal.
    """
    match = _WHEN.fullmatch(text.strip())
    if match is None:
        return None, 'must be "SIGNAL is STATE", "SIGNAL above NUMBER" or "... below NUMBER"'
    selector, wanted = match["subject"], match["wanted"]
    how: Comparison = "below"
    if match["how"] != "below":
        how = "is" if match["how"] == "is" else "above"
    subjects = names.subjects(selector)
    if not subjects:
        return Condition(selector, how, wanted), ""
    if len(subjects) > 1:
        return None, f'"{selector}" names {len(subjects)} signals; a condition needs one'
    signal = names.signals.get(subjects[0])
    if how != "is" and not _is_number(wanted):
        return None, f'"{how}" needs a number; got "{wanted}"'
    if how == "is" and signal is not None and not _is_number(wanted):
        states = list(signal.choices.values())
        if wanted.casefold() not in {s.casefold() for s in states}:
            return None, f'{signal.name} has no state "{wanted}"{suggestion(wanted, states)}'
    return Condition(subjects[0], how, wanted), ""


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _board(spec: BoardSpec, path: KeyPath, names: Names, problems: Problems) -> Board:
    tiles = []
    for i, table in enumerate(spec.tile):
        here = (*path, "tile", i)
        found = read_table(TileSpec, table, here, problems)
        if found is not None:
            tiles.append(_tile(found, here, names, problems))
    return Board(spec.name, tuple(tiles), _ns(spec.window_s))


def _tile(spec: TileSpec, path: KeyPath, names: Names, problems: Problems) -> Tile:
    for place, extent, word in zip(spec.at, spec.size, ("right", "foot"), strict=True):
        if place + extent > GRID:
            problems.add(
                (*path, "size"), f"reaches over the {word} end of the {GRID} x {GRID} grid"
            )
    if not spec.signals and spec.show not in OF_NO_SIGNAL:
        problems.add(
            path,
            f'the key "signals" is missing; it must be {SIGNALS}',
        )
    if spec.range is not None and not spec.range[0] < spec.range[1]:
        problems.add((*path, "range"), "must be [lowest, highest], the lowest first")
    return tile_of(spec, names)


def tile_of(spec: TileSpec, names: Names) -> Tile:
    """The tile that a table describes, for a vehicle."""
    subjects: list[str] = []
    for selector in spec.signals:
        subjects += names.subjects(selector)
    take = None if spec.take == "each" else spec.take
    if take is not None and subjects:
        one = spec.signals[0] if len(spec.signals) == 1 else ""
        subjects = [made_subject(take, one, list(dict.fromkeys(subjects)))]
    return Tile(
        show=spec.show,
        at=(spec.at[0], spec.at[1]),
        size=(spec.size[0], spec.size[1]),
        subjects=tuple(dict.fromkeys(subjects)),
        unknown=tuple(s for s in spec.signals if not names.subjects(s)),
        written=tuple(spec.signals),
        take=take,
        range=None if spec.range is None else (spec.range[0], spec.range[1]),
        title=spec.title,
        decimals=spec.decimals,
        window_ns=_ns(spec.window_s),
        bad=frozenset(spec.bad),
    )


def limits_of_plan(vehicle: Vehicle) -> tuple[Limit, ...]:
    """The limits that the plan states: of cells, sensors and their spreads, of loads."""
    found = [
        Limit(
            f"{LOAD}{network.name}",
            Weight.CAUTION,
            above=True,
            value=100 * network.load_limit,
            of_plan=True,
            unit="%",
        )
        for network in vehicle.networks.values()
        if vehicle.source
    ]
    layout = vehicle.pack
    if layout is None:
        return tuple(found)
    limits = layout.limits

    def fault(subject: str, above: bool, value: float, when: Condition | None = None) -> Limit:
        unit = "V" if when is None and subject in cells else "°C"
        return Limit(
            subject, Weight.FAULT, above=above, value=value, when=when, of_plan=True, unit=unit
        )

    cells = {str(cell.address) for cell in layout.cells}
    for cell in layout.cells:
        found.append(fault(str(cell.address), False, limits.cell_low_v))
        found.append(fault(str(cell.address), True, limits.cell_high_v))
    charge = (limits.charge_low_c, limits.charge_high_c)
    discharge = (limits.discharge_low_c, limits.discharge_high_c)
    wide = (min(charge[0], discharge[0]), max(charge[1], discharge[1]))
    current = layout.quantities.get("current")
    modes: list[tuple[tuple[float, float], Condition | None]] = [(wide, None)]
    if current is not None and address_of(str(current)) is not None:
        modes.append((charge, Condition(str(current), "below", f"{-REST_A:g}")))
        modes.append((discharge, Condition(str(current), "above", f"{REST_A:g}")))
    for sensor in layout.sensors:
        for window, when in modes:
            for i, above in enumerate((False, True)):
                if when is None or window[i] != wide[i]:
                    found.append(fault(str(sensor.address), above, window[i], when))
    if len(layout.cells) > 1:
        found.append(_spread("cells", 1e3 * limits.voltage_spread_v, "mV"))
    if len(layout.sensors) > 1:
        found.append(_spread("sensors", limits.temperature_spread_k, "K"))
    return tuple(found)


def _spread(group: str, value: float, unit: str) -> Limit:
    return Limit(
        f"spread of {group}", Weight.CAUTION, above=True, value=value, of_plan=True, unit=unit
    )
