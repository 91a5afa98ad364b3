"""Made plans whose messages carry identifiers in no good order (invented parts)."""

from __future__ import annotations

import random

PERIODS_MS = (10, 20, 50, 100, 200, 1000)


def shuffled_plan(
    networks: int = 1,
    nodes: int = 6,
    messages: int = 8,
    *,
    seed: int = 1,
    fixed: float = 0.0,
    tight: float = 0.3,
    load: float = 0.6,
) -> str:
    """A plan in which each node's messages have random identifiers.

    ``tight``: the share of messages whose deadline is a quarter of the period; ``fixed``: the share
    of parts that keep their identifiers; ``load``: about the worst-case load of each network.
    """
    rng = random.Random(seed)
    lines = ["[vehicle]", 'name = "Sorter (invented)"']
    for net in range(networks):
        lines += [f"[network.net{net}]", "bit_rate = 500_000", "load_limit = 0.95"]
        numbers = rng.sample(range(0x20, 0x7E0), nodes * messages)
        periods = [rng.choice(PERIODS_MS) for _ in numbers]
        total = sum(0.27 / p for p in periods)  # 135 bits of the longest frame at 500 kbit/s
        while total > load:
            slowed = periods.index(min(periods))
            total -= 0.27 / periods[slowed]
            periods[slowed] = PERIODS_MS[min(PERIODS_MS.index(periods[slowed]) + 2, 5)]
            total += 0.27 / periods[slowed]
        deadlines = []
        for node in range(nodes):
            name = f"n{net}_{node}"
            rule = "fixed" if rng.random() < fixed else "free"
            lines += [f"[part.{name}]", f'identifiers = "{rule}"', "bit_rates = [500_000]"]
            for number in range(messages):
                row = node * messages + number
                lines += [
                    f"[[part.{name}.message]]",
                    f'name = "M{number}"',
                    f"identifier = {numbers[row]:#x}",
                    "bytes = 8",
                    f"cycle_ms = {periods[row]}",
                ]
                if rng.random() < tight:
                    deadlines += [
                        f'[message."net{net}/{name}/M{number}"]',
                        f"deadline_ms = {max(2.5, periods[row] / 4)}",
                    ]
        for node in range(nodes):
            lines += [f"[node.n{net}_{node}]", f'part = "n{net}_{node}"', f'on = ["net{net}"]']
        lines += deadlines
    return "\n".join(lines) + "\n"
