"""A made plan of 12 networks and 1,492 messages whose identifiers came as the parts were bought.

Each network has 18 nodes, each with a block of identifiers of its own somewhere; every identifier
may change. The plan is invented. With the seed given, 134 messages are late.
"""

import random

NETWORKS = 12
NODES = 18
MESSAGES = 1_492
PERIODS_MS = (10, 20, 50, 100, 200, 500, 1000)
SEED = 47
FRAME_MS = 0.27
"""The longest frame of 8 bytes at 500 kbit/s, 135 bits."""


def fleet_plan(seed: int = SEED) -> str:
    """The plan as text."""
    rng = random.Random(seed)
    lines = ["[vehicle]", 'name = "Depot"', "invented = true"]
    for net in range(NETWORKS):
        lines += [f"[network.line_{net:02}]", "bit_rate = 500_000", "load_limit = 0.95"]
        count = MESSAGES // NETWORKS + (net < MESSAGES % NETWORKS)
        load = rng.uniform(0.42, 0.70)
        periods = [rng.choice(PERIODS_MS) for _ in range(count)]
        while sum(FRAME_MS / p for p in periods) > load:
            k = min(range(count), key=lambda k: (periods[k], rng.random()))
            periods[k] = PERIODS_MS[PERIODS_MS.index(periods[k]) + 1]
        while sum(FRAME_MS / p for p in periods) < load - 0.01:
            k = rng.randrange(count)
            periods[k] = PERIODS_MS[max(PERIODS_MS.index(periods[k]) - 1, 0)]
        shares = [count // NODES + (node < count % NODES) for node in range(NODES)]
        blocks = rng.sample(range(0x10, 0x7E0, 0x10), NODES)
        for node, (share, block) in enumerate(zip(shares, blocks, strict=True)):
            name = f"unit_{net:02}_{node:02}"
            numbers = sorted(rng.sample(range(block, block + 0x10), share))
            lines += [f"[part.{name}]", 'identifiers = "free"', f"[node.{name}]"]
            lines += [f'part = "{name}"', f'on = ["line_{net:02}"]']
            for number, identifier in enumerate(numbers):
                lines += [
                    f"[[part.{name}.message]]",
                    f'name = "State{number}"',
                    f"identifier = {identifier:#05x}",
                    "bytes = 8",
                    f"cycle_ms = {periods.pop()}",
                ]
    return "\n".join(lines) + "\n"
