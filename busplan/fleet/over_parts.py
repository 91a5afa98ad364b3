"""One part type in all vehicles."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from busplan.capture.ahead import in_order
from busplan.errors import UsageError
from busplan.fleet.desk import Desk
from busplan.fleet.grids import read_lists
from busplan.fleet.reply import Reply, table_of
from busplan.fleet.years import by_vehicle
from busplan.pack.statistics import mad_sigma
from busplan.plan.problems import suggestion
from busplan.wording import counted, listing

FURTHEST = 5
"""Nodes and signals that are named as furthest from the others."""
Rows = list[tuple[int, Mapping[str, Any]]]
"""Rows of the table ``signals``, each with the place of its statistics."""
_STATS = ("n", "min", "max", "mean")
Told = tuple[str, str, str, int, int, float, float, float]
"""Signal, vehicle, node; captures, values, lowest, sum of the captures' means, highest."""


def compare_part(desk: Desk, part: str, vehicles: Sequence[str]) -> Reply:
    """One part type wherever it is built in: each of its signals, node by node.

    ``away`` is how far the mean of a node's captures lies from the middle of all nodes, in the
    scatter of all; it takes three. It is no verdict: vehicles are driven differently.
    """
    rows = desk.table("SELECT *, hash(plan_id) AS plan FROM signals").to_pylist()
    wanted = {r["entry"]: r for r in rows if r["part"] == part and r["position"] is not None}
    if not wanted:
        near = suggestion(part, sorted({r["part"] for r in rows if r["part"]}), "part")
        raise UsageError(f'no plan of the fleet has a part "{part}"{near}')
    positions: dict[int, Rows] = {}
    for row in wanted.values():
        positions.setdefault(row["plan"], []).append((row["position"], row))
    told = _by_node(desk, vehicles, positions)
    if not told["signal"]:
        raise UsageError(f'no judged capture asked for tells of a part "{part}"')
    step = {_signal(r): r["step"] or 0.0 for r in wanted.values()}
    unit = {_signal(r): r["unit"] or "" for r in wanted.values()}
    names, mean = np.array(told["signal"], object), np.array(told["mean"], np.float64)
    away = np.full(len(mean), np.nan)
    for one in dict.fromkeys(told["signal"]):
        mine = np.flatnonzero(names == one)
        if len(mine) >= 3:
            scatter = max(mad_sigma(mean[mine]), step[one])
            if scatter > 0:
                away[mine] = (mean[mine] - np.median(mean[mine])) / scatter
    nodes = len(set(zip(told["vehicle"], told["node"], strict=True)))
    where = f"{counted(nodes, 'node')} in {counted(len(set(told['vehicle'])), 'vehicle')}"
    says = [f"{part}: {where}"]
    if nodes < 3:
        says.append("not shown: how far one is from the others, among fewer than three")
    else:
        order = np.argsort(-np.abs(np.nan_to_num(away)), kind="stable")[:FURTHEST]
        far = [
            f"{told['vehicle'][i]}/{told['node'][i]} in {names[i]} ({away[i]:+.1f})" for i in order
        ]
        says.append(f"furthest from the middle, in scatters of all: {listing(far, FURTHEST)}")
    columns = told | {"unit": [unit[s] for s in told["signal"]], "away": away}
    title = f"part {part} over the fleet"
    return Reply(title, table_of(columns), tuple(says), hidden=("values",))


def _signal(row: Mapping[str, Any]) -> str:
    return f"{row['message']}/{row['signal']}"


def _by_node(desk: Desk, vehicles: Sequence[str], positions: Mapping[int, Rows]) -> dict[str, Any]:
    """Statistics of each signal of a part by vehicle and node, whatever the plan, as columns."""
    sums: dict[tuple[str, str, str], list[Any]] = {}
    each = by_vehicle(desk, vehicles, ("start_ns", "dated"), "stats", _STATS)

    def work(given: tuple[str, Any]) -> list[Told]:
        return list(_of_one(desk.judged_files, *given, positions))

    for told in in_order(each, work):
        for signal, vehicle, node, captures, values, lowest, total, highest in told:
            one = sums.setdefault((signal, vehicle, node), [0, 0, np.inf, 0.0, -np.inf])
            one[0] += captures
            one[1] += values
            one[2] = min(one[2], lowest)
            one[3] += total
            one[4] = max(one[4], highest)
    order = sorted(sums)
    figures = [sums[key] for key in order]
    return {
        "signal": [s for s, _, _ in order],
        "vehicle": [v for _, v, _ in order],
        "node": [n for _, _, n in order],
        "captures": [f[0] for f in figures],
        "values": [f[1] for f in figures],
        "lowest": np.array([f[2] for f in figures], np.float64),
        "mean": np.array([f[3] / f[0] for f in figures], np.float64),
        "highest": np.array([f[4] for f in figures], np.float64),
    }


def _of_one(
    files: Sequence[str], vehicle: str, rows: Any, positions: Mapping[int, Rows]
) -> Iterator[Told]:
    """The statistics of one vehicle's captures, plan by plan."""
    plans = np.asarray(rows["plan"])
    for plan in np.unique(plans).tolist():
        wanted = positions.get(plan, ())
        if not wanted:
            continue
        lists = read_lists(files, rows.take(np.flatnonzero(plans == plan)), "stats", _STATS)
        # Those of one plan have statistics of the same signals, or none at all.
        there = np.flatnonzero(lists["n"].length > 0)
        width = int(lists["n"].length.max(initial=0))
        number, low, high, mean = (
            lists[c].grid(there, width)[:, [at for at, _ in wanted]] for c in _STATS
        )
        told = number > 0
        figures = zip(
            told.sum(axis=0).tolist(),
            np.where(told, number, 0.0).sum(axis=0).tolist(),
            np.where(told, low, np.inf).min(axis=0, initial=np.inf).tolist(),
            np.where(told, mean, 0.0).sum(axis=0).tolist(),
            np.where(told, high, -np.inf).max(axis=0, initial=-np.inf).tolist(),
            strict=True,
        )
        for (_, row), (captures, values, lowest, total, highest) in zip(
            wanted, figures, strict=True
        ):
            if captures:
                yield (
                    _signal(row), vehicle, row["node"], captures, int(values), lowest, total,
                    highest,
                )  # fmt: skip
