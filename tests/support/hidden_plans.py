"""A made plan that works, and the same plan with nodes displaced and names set wrongly.

What was done to it is known, so a search for what mends it must not find anything dearer. The same
seed gives the same plan.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

from busplan.plan.movable import USUAL
from busplan.plan.reader import load_plan
from busplan.timing.gateways import vehicle_timing

PERIODS = (50, 100, 200, 200, 500, 1000)
MESSAGES = 6


@dataclass(frozen=True)
class Hidden:
    """``text`` of the displaced plan, and what it costs to undo what was done to it."""

    text: str
    cost: float
    messages: int


@dataclass
class _Node:
    name: str
    network: int
    rates: tuple[int, ...]
    identifiers: list[int]
    periods: list[int]
    rule: str
    to: str
    offset: int = 0
    on: int = 0


def hidden_plan(
    folder: Path,
    nodes: int = 200,
    networks: int = 12,
    seed: int = 1,
    *,
    displaced: float = 0.12,
    tight: float = 0.4,
) -> Hidden:
    """Deadlines are ``tight`` times the period, or as long as the plan that works takes."""
    chance = random.Random(seed)
    rates = [(250_000, 500_000)[k % 2] for k in range(networks)]
    made = [_made(chance, n, n % networks, rates, nodes) for n in range(nodes)]
    _tell_apart(chance, made, networks)
    plain = folder / f"hidden_{seed}.toml"
    plain.write_text(_text(made, rates, {}), "utf-8")
    timing = vehicle_timing(load_plan(plain))
    deadlines = {}
    for name, network in timing.networks.items():
        for r in network.responses:
            assert r.response_ns is not None
            assert r.stream.cycle is not None
            wanted = max(r.response_ns, int(tight * r.stream.cycle.ns))
            deadlines[r.stream.message.name] = (name, min(wanted, r.stream.cycle.ns) / 1e6)
    cost = 0.0
    for node in made:
        if chance.random() < displaced:
            node.on = chance.choice([k for k in range(networks) if k != node.network])
            cost += USUAL.move
        elif node.rule.startswith("[") and chance.random() < 0.4:
            node.offset = 0x100
            cost += USUAL.identifier
    return Hidden(_text(made, rates, deadlines), cost, nodes * MESSAGES)


def _made(chance: random.Random, n: int, network: int, rates: list[int], nodes: int) -> _Node:
    own = rates[network]
    speaks = (own,) if chance.random() < 0.4 else (250_000, 500_000)
    rule = chance.choices(['"fixed"', '"free"', "[0x0, 0x100]"], (8, 1, 1))[0]
    partner = (n + len(rates) * chance.randint(1, 3)) % nodes
    periods = [chance.choice(PERIODS) for _ in range(MESSAGES)]
    to = f"unit_{partner:03}" if partner % len(rates) == network else ""
    return _Node(f"unit_{n:03}", network, speaks, [], periods, rule, to, 0, network)


def _tell_apart(chance: random.Random, made: list[_Node], networks: int) -> None:
    """Identifiers that differ on each network, with the offset too; urgent ones first, roughly."""
    for k in range(networks):
        used: set[int] = set()
        for node in (m for m in made if m.network == k):
            for period in node.periods:
                while True:
                    number = min(0x6EF, int(chance.gauss(0x80 + period, 0x80)))
                    number = number if number > 0 else chance.randrange(0x600)
                    if not {number, number + 0x100} & used and number < 0x5F0:
                        break
                used |= {number, number + 0x100} if node.rule.startswith("[") else {number}
                node.identifiers.append(number)


def _text(made: list[_Node], rates: list[int], deadlines: dict[str, tuple[str, float]]) -> str:
    lines = ['[vehicle]\nname = "Displaced"\ninvented = true\n']
    for k, rate in enumerate(rates):
        lines.append(f"[network.net{k}]\nbit_rate = {rate}\nload_limit = 0.6\n")
    for node in made:
        lines.append(
            f"[part.{node.name}]\nidentifiers = {node.rule}\nbit_rates = {list(node.rates)}\n"
        )
        for m, (number, period) in enumerate(zip(node.identifiers, node.periods, strict=True)):
            to = f"receivers = ['{node.to}']\n" if m == 0 and node.to else ""
            lines.append(
                f"[[part.{node.name}.message]]\nname = '{node.name}_m{m}'\n"
                f"identifier = {number:#x}\nbytes = 8\ncycle_ms = {period}\n{to}"
            )
        shift = f"identifier_offset = {node.offset:#x}\n" if node.offset else ""
        lines.append(f"[node.{node.name}]\npart = '{node.name}'\non = ['net{node.on}']\n{shift}")
        for m in range(MESSAGES):
            name = f"{node.name}_m{m}"
            if name in deadlines:
                ms = deadlines[name][1]
                lines.append(f'[message."net{node.on}/{name}"]\ndeadline_ms = {ms}\n')
    ports = ", ".join(f"p{k} = 'net{k}'" for k in range(len(rates)))
    lines.append("[part.gate]\nidentifiers = 'free'\n")
    for k, rate in enumerate(rates):
        lines.append(
            f"[part.gate.port.p{k}]\nbit_rates = [{rate}]\n[[part.gate.port.p{k}.message]]\n"
            f"name = 'Gate{k}'\nidentifier = 0x7{k:02X}\nbytes = 8\ncycle_ms = 500\n"
        )
    lines.append(f"[node.gate]\npart = 'gate'\non = {{ {ports} }}\nkeep = true\n")
    return "".join(lines)
