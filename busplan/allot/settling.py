"""Names that a placement leaves open: addresses, bought identifiers, names of what is carried.

The rules of this file: the first that is free and, as far as the order of arbitration counts, in
time; whether all is in time is judged on the whole plan.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from busplan.allot import judge
from busplan.allot.delays import delays
from busplan.allot.free_numbers import FreeNumbers
from busplan.allot.judge import Entry
from busplan.allot.numbers import new_identifiers
from busplan.allot.order import Failure, NetworkOrder
from busplan.allot.problem import Carried, Name, Option, Placement, Question
from busplan.frames.columns import Mask

_ADDRESSES = (*range(128, 248), *range(128))
"""Those that nodes may choose for themselves come first (SAE J1939-81, from memory)."""
_STEP = 0x10
_MOST_SHIFTS = 64


@dataclass(frozen=True, slots=True)
class Settled:
    """The J1939 address and the offset that nodes get, and the identifiers of what is carried.

    ``missing``: nodes and messages for which there was none.
    """

    addresses: Mapping[str, int] = field(default_factory=dict)
    shifts: Mapping[str, int] = field(default_factory=dict)
    renamed: Mapping[Carried, int] = field(default_factory=dict)
    missing: tuple[str, ...] = ()


def settle(
    question: Question, answer: Placement, reserved: Mapping[int, tuple[tuple[int, int], ...]]
) -> Settled:
    """Names for what a placement leaves open; ``reserved``: ranges by network that are not free."""
    missing: list[str] = []
    addresses: dict[str, int] = {}
    shifts: dict[str, int] = {}
    renamed: dict[Carried, int] = {}
    for i, unit in enumerate(question.units):
        option = unit.options[answer.option[i]]
        if option.kind == "address" and unit.node not in addresses:
            found = next(_addresses(question, answer, unit.node, addresses), None)
            if found is None:
                missing.append(unit.node)
            else:
                addresses[unit.node] = found
    for i, unit in enumerate(question.units):
        if unit.options[answer.option[i]].kind == "bought" and unit.node not in shifts:
            shift = _shift(question, answer, unit.node, shifts, reserved)
            if shift is None:
                missing.append(unit.node)
            else:
                shifts[unit.node] = shift
    for what in sorted(answer.renamed, key=lambda c: (c.network, c.unit, c.message)):
        number = _number(question, answer, what, (shifts, renamed), reserved)
        if number is None:
            missing.append(question.units[what.unit].sent[what.message].label)
        else:
            renamed[what] = number
    for network in sorted({what.network for what in renamed}):
        renamed |= _in_time(question, answer, network, (shifts, renamed), reserved)
    return Settled(addresses, shifts, renamed, tuple(missing))


def _networks(question: Question, answer: Placement, node: str) -> set[int]:
    return {answer.where[i] for i, u in enumerate(question.units) if u.node == node}


def _addresses(
    question: Question, answer: Placement, node: str, given: Mapping[str, int]
) -> Iterator[int]:
    """Addresses that nobody has on the networks of a node, the next ones above its own first."""
    networks = _networks(question, answer, node)
    used, own = set(), 0
    for i, unit in enumerate(question.units):
        theirs = {s.address for s in unit.sent if s.address is not None}
        if unit.node == node:
            own = max(theirs, default=own)
        if answer.where[i] in networks and theirs:
            used |= {given[unit.node]} if unit.node in given else theirs
    yield from (a for a in sorted(_ADDRESSES, key=lambda a: (a < own, a < 128)) if a not in used)


def names_on(
    question: Question, answer: Placement, network: int, shifts: Mapping[str, int]
) -> dict[Name, str]:
    """Every identifier that is used on a network, and by which node; those to be found left out."""
    found: dict[Name, str] = {}
    for i, unit in enumerate(question.units):
        option = unit.options[answer.option[i]]
        if answer.where[i] != network or (option.kind == "bought" and unit.node not in shifts):
            continue
        shift = shifts.get(unit.node, option.shift)
        for sent in unit.sent:
            found[Name(sent.name.extended, sent.name.identifier + shift)] = unit.node
    for what in answer.carried - answer.renamed:
        unit = question.units[what.unit]
        option = unit.options[answer.option[what.unit]]
        if what.network != network or (option.kind == "bought" and unit.node not in shifts):
            continue
        shift = shifts.get(unit.node, option.shift)
        sent = unit.sent[what.message]
        name = Name(sent.name.extended, sent.name.identifier + shift)
        found[name] = question.gateways[what.gateway].node
    for sent in question.fixed.get(network, ()):
        found[sent.name] = sent.label
    return found


def _shift(
    question: Question,
    answer: Placement,
    node: str,
    given: Mapping[str, int],
    reserved: Mapping[int, tuple[tuple[int, int], ...]],
) -> int | None:
    """The smallest offset under which a node's identifiers are free and in time."""
    units = [i for i, u in enumerate(question.units) if u.node == node]
    steps = (s * _STEP * n for n in range(1, _MOST_SHIFTS) for s in (1, -1))
    usable = None
    for shift in steps:
        if not all(_free(question, answer, i, shift, given, reserved) for i in units):
            continue
        usable = shift if usable is None else usable
        options = (*question.units[units[0]].options, Option("offset", shift))
        tried = replace(
            question,
            units=tuple(
                replace(u, options=options) if i in units else u
                for i, u in enumerate(question.units)
            ),
        )
        last = len(options) - 1
        chosen = tuple(last if i in units else j for i, j in enumerate(answer.option))
        placed = replace(answer, option=chosen)
        if all(
            judge.fits(tried, judge.members(tried, placed, k), k, answer.rates[k], loose=False)
            for k in _networks(question, answer, node)
        ):
            return shift
    return usable


def _free(
    question: Question,
    answer: Placement,
    i: int,
    shift: int,
    given: Mapping[str, int],
    reserved: Mapping[int, tuple[tuple[int, int], ...]],
) -> bool:
    unit, network = question.units[i], answer.where[i]
    used = names_on(question, answer, network, given)
    for sent in unit.sent:
        name = Name(sent.name.extended, sent.name.identifier + shift)
        if not _may_be(name, reserved.get(network, ())) or used.get(name, unit.node) != unit.node:
            return False
    return True


def _may_be(name: Name, reserved: tuple[tuple[int, int], ...]) -> bool:
    most = 1 << 29 if name.extended else 0x7F0
    return 0 <= name.identifier < most and not any(a <= name.identifier <= b for a, b in reserved)


def _in_time(
    question: Question,
    answer: Placement,
    network: int,
    given: tuple[Mapping[str, int], Mapping[Carried, int]],
    reserved: Mapping[int, tuple[tuple[int, int], ...]],
) -> dict[Carried, int]:
    """Other identifiers for what is renamed on a network, where those ``given`` are too late or too
    early for all to be in time; none where they are not, or where there is no better order."""
    shifts, renamed = given
    ours = {(c.unit, c.message): c for c in renamed if c.network == network}
    there = judge.members(question, answer, network, delays(question, answer))
    entries = judge.entries_of(question, there, network, loose=False)
    ranges = reserved.get(network, ())

    def order(entries: list[Entry]) -> tuple[NetworkOrder, Mask, list[int] | Failure]:
        found = judge.order_of(question, network, answer.rates[network], entries)
        changed = np.array(
            [
                e.free and not (e.movable and e.who and (e.who[0], e.who[2]) not in answer.moved)
                for e in entries
            ],
            np.bool_,
        )
        return found, changed, found.find(changed)

    def ours_of(entry: Entry) -> Carried | None:
        return ours.get((entry.who[0], entry.who[2])) if entry.who and entry.who[3] else None

    named = [
        e._replace(name=e.name._replace(identifier=renamed[what]), free=False)
        if (what := ours_of(e))
        else e
        for e in entries
    ]
    if not isinstance(order(sorted(named, key=judge.rank))[2], Failure):
        return {}
    network_order, changed, found = order(entries)
    if isinstance(found, Failure):
        return {}
    places = frozenset(np.flatnonzero(changed).tolist())
    try:
        numbers = new_identifiers(
            found, places, network_order.ranks, network_order.wide, FreeNumbers(ranges)
        )
    except ValueError:
        return {}
    used = {n.identifier for n in names_on(question, answer, network, shifts)}
    chosen = {what: numbers[n] for n, e in enumerate(entries) if (what := ours_of(e))}
    return {} if used & set(chosen.values()) else chosen


def _number(
    question: Question,
    answer: Placement,
    what: Carried,
    given: tuple[Mapping[str, int], Mapping[Carried, int]],
    reserved: Mapping[int, tuple[tuple[int, int], ...]],
) -> int | None:
    """The free identifier nearest to a message's own on the network it is carried to."""
    shifts, renamed = given
    name = question.units[what.unit].sent[what.message].name
    used = {n.identifier for n in names_on(question, answer, what.network, shifts)}
    used |= {number for other, number in renamed.items() if other.network == what.network}
    around = (name.identifier + s * n for n in range(1, 2048) for s in (1, -1))
    return next(
        (
            n
            for n in around
            if n not in used and _may_be(Name(name.extended, n), reserved.get(what.network, ()))
        ),
        None,
    )
