"""Small plans whose nodes may sit anywhere, and every placement of them tried as a plan.

Nothing of the search is used here: each placement is written, loaded and held against the checks.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from pathlib import Path

from busplan.checks.registry import run_checks
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle

NETWORKS = ("a", "b", "c")


@dataclass(frozen=True)
class Small:
    """A plan: what stands before its nodes, the network of each, deadlines [ms] by node/message."""

    head: str
    homes: Mapping[str, str]
    deadlines: Mapping[str, int]

    def text(self, homes: Mapping[str, str] | None = None) -> str:
        """The plan, with its nodes on these networks."""
        where = homes or self.homes
        nodes = [f"[node.{name}]\npart = '{name}'\non = ['{k}']" for name, k in where.items()]
        due = [
            f'[message."{where[label.split("/")[0]]}/{label}"]\ndeadline_ms = {ms}'
            for label, ms in self.deadlines.items()
        ]
        return "\n".join((self.head, *nodes, *due)) + "\n"

    def placements(self, folder: Path) -> Iterator[tuple[int, Vehicle]]:
        """How many nodes move, and the vehicle, for every placement."""
        path = folder / "tried.toml"
        for where in product(NETWORKS, repeat=len(self.homes)):
            homes = dict(zip(self.homes, where, strict=True))
            path.write_text(self.text(homes), "utf-8")
            yield sum(homes[n] != k for n, k in self.homes.items()), load_plan(path)

    def fewest_moves(self, folder: Path, bears: Callable[[Vehicle], bool]) -> int | None:
        """The fewest nodes that must move for the checks to find no fault and this to hold too."""
        tried = self.placements(folder)
        return min((moved for moved, v in tried if sound(v) and bears(v)), default=None)


def small_plan(seed: int, nodes: int = 4, tight: float = 0.5) -> Small:
    """Three networks of 125 kbit/s, fixed identifiers, no gateway (invented parts).

    ``tight``: the share of messages that are due after about half of their period.
    """
    chance = random.Random(seed)
    lines = ["[vehicle]", 'name = "Small (invented)"']
    for name in NETWORKS:
        lines += [f"[network.{name}]", "bit_rate = 125_000", "load_limit = 0.9"]
    numbers = chance.sample(range(0x10, 0x700), nodes * 2)
    deadlines = {}
    for n in range(nodes):
        lines += [f"[part.n{n}]", "bit_rates = [125_000]"]
        for m in range(2):
            number, period = numbers.pop(), chance.choice((4, 5, 8, 10, 20))
            lines += [f"[[part.n{n}.message]]", f'name = "M{m}"', f"identifier = {number:#x}"]
            lines += ["bytes = 8", f"cycle_ms = {period}"]
            if chance.random() < tight:
                deadlines[f"n{n}/M{m}"] = max(3, period // 2)
    homes = {f"n{n}": chance.choice(NETWORKS) for n in range(nodes)}
    return Small("\n".join(lines), homes, deadlines)


def sound(vehicle: Vehicle) -> bool:
    """Whether the checks find nothing that placement can mend."""
    wrong = {"deadline-missed", "load-over-limit", "identifier-clash", "bit-rate"}
    return not wrong & {f.code for f in run_checks(vehicle)}
