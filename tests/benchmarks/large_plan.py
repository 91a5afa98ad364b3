"""A made plan of 12 networks, 200 nodes and 1,500 messages, with all kinds of mistakes in it.

Half of the parts are on paper, half have a definition file; names are as alike as those of real
parts from one maker. The same seed gives the same plan.
"""

import random
from pathlib import Path

from support.plans import dbc, message, signal

NETWORKS = 12
PARTS = 180
NODES = 200
MESSAGES = 1_500
SIGNALS = 6


def write_large_plan(folder: Path, seed: int = 1) -> Path:
    """The plan with its definition files in ``folder``."""
    chance = random.Random(seed)
    plan = ['[vehicle]\nname = "Large"\ninvented = true\n']
    for n in range(NETWORKS):
        rate = (125_000, 250_000, 500_000)[n % 3]
        plan.append(f"[network.section_{n:02}]\nbit_rate = {rate}\nchannels = ['can{n}']\n")
        if n % 2:
            plan.append(
                f"[network.section_{n:02}.cable]\ntrunk_m = {chance.choice([5, 20, 60])}.0\n"
                "terminators_ohm = [120, 120]\n"
            )
    plan.append("[part.gate]\nidentifiers = 'free'\n")
    for n in range(NETWORKS):
        plan.append(
            f"[part.gate.port.section_{n:02}]\n[[part.gate.port.section_{n:02}.message]]\n"
            f"name = 'GatewayState{n:02}'\nidentifier = 0x{0x700 + n:X}\nbytes = 8\n"
            "cycle_ms = 500\n"
        )
    ports = ", ".join(f"section_{n:02} = 'section_{n:02}'" for n in range(NETWORKS))
    plan.append(f"[node.gate]\npart = 'gate'\non = {{ {ports} }}\n")
    counts = [MESSAGES * NODES // (NODES * PARTS)] * PARTS
    twice = list(range(NODES - 1 - PARTS))
    sent = sum(counts) + sum(counts[p] for p in twice)
    for i in range(MESSAGES - NETWORKS - sent):
        counts[len(twice) + i % (PARTS - len(twice))] += 1
    for p in range(PARTS):
        name = f"hydraulic_unit_{p:03}"
        sender = f"HYDRAULIC_UNIT_{p:03}"
        network = p % NETWORKS
        told = []
        for m in range(counts[p]):
            identifier = (p * 11 + m * 7 + chance.choice([0, 0, 0, 1])) % 0x6F0
            cycle = chance.choice([10, 20, 50, 100, 100, 200, 500, 1000])
            to = f"HYDRAULIC_UNIT_{(p + 12 * chance.randint(0, 3) + (m == 0)) % PARTS:03}"
            told.append((identifier, f"HydraulicUnit{p:03}Message{m:02}", cycle, to))
        if p % 2:
            text = [
                message(
                    identifier,
                    title,
                    sender,
                    *(signal(f"{title}Value{s}", 8 * s, 8, to=to) for s in range(SIGNALS)),
                )
                for identifier, title, _, to in told
            ]
            cycles = {identifier: cycle for identifier, _, cycle, _ in told if cycle != 1000}
            (folder / f"{name}.dbc").write_text(dbc([sender], *text, cycles=cycles), "utf-8")
            plan.append(
                f"[part.{name}]\ndefinitions = '{name}.dbc'\nsender = '{sender}'\n"
                f"bit_rates = [{(125_000, 250_000, 500_000)[network % 3]}]\n"
            )
        else:
            plan.append(f"[part.{name}]\nsender = '{sender}'\n")
            for identifier, title, cycle, to in told:
                plan.append(
                    f"[[part.{name}.message]]\nname = '{title}'\nidentifier = 0x{identifier:X}\n"
                    f"bytes = 8\ncycle_ms = {cycle}\nreceivers = ['{to}']\n"
                )
                plan += [
                    f"[[part.{name}.message.signal]]\nname = '{title}Value{s}'\n"
                    f"start = {8 * s}\nlength = 8\n"
                    for s in range(SIGNALS)
                ]
        plan.append(f"[node.{name}]\npart = '{name}'\non = ['section_{network:02}']\n")
        if p in twice:
            plan.append(f"[node.{name}_second]\npart = '{name}'\non = ['section_{network:02}']\n")
    for r in range(60):
        p = chance.randrange(PARTS)
        source, target = p % NETWORKS, (p + 1 + r) % NETWORKS
        if source != target:
            plan.append(
                f"[[route]]\nmessage = 'HydraulicUnit{p:03}Message01'\n"
                f"from = 'section_{source:02}'\nto = 'section_{target:02}'\nthrough = 'gate'\n"
            )
    path = folder / "large.toml"
    path.write_text("".join(plan), "utf-8")
    return path
