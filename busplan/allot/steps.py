"""The changes of an answer one by one: what each is, what it costs, why, and why not otherwise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busplan.allot import judge
from busplan.allot.asking import Asked
from busplan.allot.problem import Name, Placement, Question, carrying, residents
from busplan.allot.programme import carry_name, move_name
from busplan.allot.room import bits_per_s
from busplan.allot.settling import names_on
from busplan.allot.whole import Answer, identifier_name
from busplan.frames.identifier import format_identifier
from busplan.plan.movable import ANY
from busplan.wire.load_limit import over_limit
from busplan.wording import listing, percent, plural


@dataclass(frozen=True, slots=True)
class Step:
    """One change. ``name`` is what it is refused by; empty where it cannot be refused alone.

    ``what`` it is, ``why``, and ``elsewhere``: what speaks against its other places.
    """

    name: str
    what: str
    cost: float
    why: str
    elsewhere: tuple[str, ...] = ()


def steps(answer: Answer) -> tuple[Step, ...]:
    """Every change of an answer, the dearest kinds first."""
    return (
        *_networks(answer),
        *_moves(answer),
        *_options(answer),
        *_routes(answer),
        *_identifiers(answer),
    )


def _networks(answer: Answer) -> Iterator[Step]:
    question, placement = answer.asked.question, answer.placement
    for k, net in enumerate(question.nets):
        rate = placement.rates[k]
        if net.new and rate:
            guests = [
                u.node for u, w in zip(question.units, placement.where, strict=True) if w == k
            ]
            yield Step(
                f"rate {net.name} {rate}",
                f"a new network {net.name} at {rate // 1000} kbit/s",
                question.costs.network,
                f"for {listing(dict.fromkeys(guests), 4)}",
            )
        elif rate != net.rate and not net.new:
            yield Step(
                f"rate {net.name} {rate}",
                f"{net.name} runs at {rate // 1000} kbit/s instead of {net.rate // 1000}",
                question.costs.reset * residents(question, k),
                _why_not_rate(question, placement, k, net.rate) or "cheapest",
                tuple(
                    f"at {b // 1000} kbit/s: {why}"
                    for b in net.rates
                    if b not in (rate, net.rate)
                    and (why := _why_not_rate(question, placement, k, b))
                ),
            )


def _why_not_rate(question: Question, placement: Placement, k: int, rate: int) -> str:
    """What speaks against a bit rate for what is on a network then."""
    units = [u for u, w in zip(question.units, placement.where, strict=True) if w == k]
    strangers = [u.node for u in units if rate not in u.rates]
    if strangers:
        does = "does" if len(strangers) == 1 else "do"
        return f"{listing(strangers, 3)} {does} not speak it"
    load = _load(question, placement, k) / rate
    limit = question.nets[k].limit
    if over_limit(load, limit):
        return f"its load there would be {percent(load)}, its limit is {percent(limit)}"
    there = judge.members(question, placement, k)
    if not judge.fits(question, there, k, rate, loose=False):
        return "messages would be late"
    return ""


def _load(question: Question, placement: Placement, k: int) -> float:
    """Bits a second on a network in the worst case."""
    net = question.nets[k]
    sent = [
        s
        for m in judge.members(question, placement, k)
        for s in (
            question.units[m.unit].sent
            if m.message is None
            else (question.units[m.unit].sent[m.message],)
        )
    ]
    rate = placement.rates[k]
    return sum(bits_per_s(s, rate, net.data_rate) for s in (*sent, *question.fixed.get(k, ())))


def _moves(answer: Answer) -> Iterator[Step]:
    question, placement = answer.asked.question, answer.placement
    for i, unit in enumerate(question.units):
        here = placement.where[i]
        if here == unit.home:
            continue
        port = f"the connection {unit.port} of {unit.node}" if _several(question, i) else unit.node
        old, new = question.nets[unit.home].name, question.nets[here].name
        yield Step(
            move_name(question, i, here),
            f"{port} moves from {old} to {new}",
            question.costs.move,
            why_not(answer, i, unit.home) or f"all together costs less so than on {old}",
            tuple(
                f"{net.name}: {why_not(answer, i, k) or 'no cheaper'}"
                for k, net in enumerate(question.nets)
                if k not in (here, unit.home) and placement.rates[k]
            ),
        )


def _several(question: Question, i: int) -> bool:
    return sum(u.node == question.units[i].node for u in question.units) > 1


def why_not(answer: Answer, i: int, k: int) -> str:
    """What speaks against a unit on a network, everything else as in the answer."""
    question, placement = answer.asked.question, answer.placement
    unit, net = question.units[i], question.nets[k]
    if k not in unit.networks:
        return _barred(answer.asked, i, k)
    rate = placement.rates[k]
    if rate not in unit.rates:
        spoken = listing([f"{b // 1000}" for b in sorted(unit.rates)])
        return f"{unit.node} speaks {spoken} kbit/s only, {net.name} runs at {rate // 1000}"
    if shared := _shared(answer, i, k):
        return shared
    where = tuple(k if n == i else w for n, w in enumerate(placement.where))
    moved = Placement(
        where, placement.option, placement.rates, placement.renamed, placement.carried
    )
    load = _load(question, moved, k) / rate
    if over_limit(load, net.limit):
        return f"the load of {net.name} would be {percent(load)}, its limit is {percent(net.limit)}"
    if not judge.fits(question, judge.members(question, moved, k), k, rate, loose=False):
        return f"a message of {net.name} would be late"
    return ""


def _shared(answer: Answer, i: int, k: int) -> str:
    """Names that a unit shares with what is on a network."""
    question, placement = answer.asked.question, answer.placement
    unit = question.units[i]
    option = unit.options[placement.option[i]]
    if option.kind == "bought":
        return ""
    used = names_on(question, placement, k, answer.settled.shifts)
    for sent in unit.sent:
        name = Name(sent.name.extended, sent.name.identifier + option.shift)
        other = used.get(name)
        if other not in (None, unit.node) and not sent.movable:
            label = format_identifier(name.identifier, name.extended)
            return f"{unit.node} and {other} both send {label}"
    return ""


def _barred(asked: Asked, i: int, k: int) -> str:
    """Why a unit may not sit on a network at all."""
    unit, net = asked.question.units[i], asked.question.nets[k]
    freedom = asked.vehicle.freedom
    allowed = freedom.nodes[unit.node].allowed
    if unit.pinned:
        return unit.pinned
    if allowed is not None and net.name not in allowed:
        return "the plan does not allow it there"
    if net.new:
        return "it belongs on a network of J1939 or CAN FD"
    if not freedom.networks.get(net.name, ANY).guests:
        return f"{net.name} takes no guests"
    if net.data_rate is not None:
        return f"nothing says that {unit.node} takes CAN FD frames at its rates"
    if net.j1939:
        return f"the 29-bit identifiers of {unit.node} are not those of J1939"
    return f"{unit.node} belongs on a network of J1939 or CAN FD"


def _options(answer: Answer) -> Iterator[Step]:
    question, placement = answer.asked.question, answer.placement
    seen = set()
    for i, unit in enumerate(question.units):
        option = unit.options[placement.option[i]]
        if option.kind == "as it is" or unit.node in seen:
            continue
        seen.add(unit.node)
        if option.kind == "address":
            new = f"the J1939 address 0x{answer.settled.addresses.get(unit.node, 0):02X}"
            what, why = f"{unit.node} gets {new}", _address_shared(question, i)
        else:
            node = answer.vehicle.nodes[unit.node]
            offset = f"{node.identifier_offset:#x}"
            bought = (
                "is bought with other identifiers, " if option.kind == "bought" else "is set to "
            )
            what, why = f"{unit.node} {bought}offset {offset}", _home_shared(answer, i)
        shift = f" {option.shift:#x}" if option.shift else ""
        yield Step(f"{option.kind} {unit.node}{shift}", what, option.cost, why)


def _address_shared(question: Question, i: int) -> str:
    mine = {s.address for s in question.units[i].sent if s.address is not None}
    for other in question.units:
        theirs = mine & {s.address for s in other.sent}
        if other.node != question.units[i].node and theirs:
            return f"it shares 0x{min(theirs, key=str):02X} with {other.node}"
    return "its own is taken"


def _home_shared(answer: Answer, i: int) -> str:
    question, placement = answer.asked.question, answer.placement
    unit = question.units[i]
    names = {s.name for s in unit.sent}
    for n, other in enumerate(question.units):
        both = names & {s.name for s in other.sent}
        if placement.where[n] == placement.where[i] and other.node != unit.node and both:
            name = min(both)
            label = format_identifier(name.identifier, name.extended)
            return f"it shares {label} with {other.node}"
    return "all is in time so"


def _routes(answer: Answer) -> Iterator[Step]:
    question = answer.asked.question
    for what in sorted(answer.placement.carried, key=lambda c: (c.network, c.unit, c.message)):
        price = carrying(question, what)
        renamed = what in answer.placement.renamed
        if not price and not renamed:
            continue
        label = question.units[what.unit].sent[what.message].label
        gateway = question.gateways[what.gateway].node
        network = question.nets[what.network].name
        told = f"{gateway} carries {label} to {network}"
        if renamed and what in answer.settled.renamed:
            told += f" as {answer.settled.renamed[what]:#x}"
        wanted = dict.fromkeys(
            question.units[i].node
            for w in question.wanted
            for i in w.units
            if (what.unit, what.message) in w.bring and answer.placement.where[i] == what.network
        )
        needs = f"{plural(len(wanted), 'needs', 'need')} it"
        yield Step(
            carry_name(question, what),
            told,
            price + question.costs.identifier * renamed,
            f"{listing(wanted, 3)} {needs}" if wanted else "as it did before",
        )


def _identifiers(answer: Answer) -> Iterator[Step]:
    found = answer.identifiers
    for change in found.changes if found is not None else ():
        yield Step(
            identifier_name(change.stream),
            f"{change.stream.label} becomes {change.new} (was {change.was})",
            answer.asked.question.costs.identifier,
            f"it {change.reason}",
        )
