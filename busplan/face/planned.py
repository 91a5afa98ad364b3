"""A plan from Python: loading it, its findings, its loads."""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from busplan.definitions.model import FixedMap
from busplan.errors import UsageError
from busplan.face.findings import Findings
from busplan.face.given import a_path, a_vehicle, names
from busplan.face.showing import clean, frame_of, html_of
from busplan.plan.vehicle import Vehicle

if TYPE_CHECKING:
    from pandas import DataFrame

    from busplan.checks.planned_load import PlannedLoad

Rows = Literal["networks", "nodes", "messages"]


def load_plan(file: str | PathLike[str]) -> Vehicle:
    """The vehicle that a plan file (TOML) and the definition files (DBC) it names describe.

    :class:`busplan.PlanError` with every problem of them at once.

    >>> v = busplan.load_plan("as_built.toml")
    >>> v.name, list(v.networks)[:3]
    ('Magpie', ['drive', 'pack', 'charge'])
    """
    from busplan.plan.reader import load_plan as load

    return load(Path(fspath(a_path(file, "load_plan"))))


def check(vehicle: Vehicle, *, only: Iterable[str] | str | None = None) -> Findings:
    """Everything that is wrong with a plan, heaviest first.

    ``only`` names codes to keep; :class:`busplan.UsageError` when no check has such a code.

    >>> v = busplan.load_plan("as_bought.toml")
    >>> busplan.check(v, only="load-over-limit").to_frame()["network"].tolist()
    ['body']
    """
    from busplan.checks import require_codes, run_checks

    chosen = names(only, "only")
    require_codes(chosen)
    return Findings(run_checks(a_vehicle(vehicle, "check"), chosen))


class Loads(FixedMap[str, "PlannedLoad"]):
    """The planned load of each network by name: shares of its time, 1 is all of it.

    *Nominal* is without any stuff bit, *worst* with as many as payloads can force.
    """

    def to_frame(self, rows: Rows = "networks") -> DataFrame:
        """One row a network, node or message; what nobody states is NaN.

        Messages without a period have no share and are left out of every sum; ``unstated`` counts
        them.
        """
        if rows == "networks":
            return frame_of([_network(one) for one in self.values()], _NETWORK)
        if rows == "nodes":
            shares = [
                {"network": name, "node": node, "nominal": nominal, "worst": worst}
                for name, one in self.items()
                for node, (nominal, worst) in one.by_node().items()
            ]
            return frame_of(shares, dict.fromkeys(("network", "node", "nominal", "worst"), ""))
        if rows == "messages":
            return frame_of([m for one in self.values() for m in _messages(one)], _MESSAGE)
        raise UsageError(f'rows is "networks", "nodes" or "messages", not {rows!r}')

    def __repr__(self) -> str:
        lines = [f"<Loads of {len(self)} networks>"]
        lines += [
            clean(
                f"{'#' if one.headroom < 0 else '.'} {name}: {one.worst:.1%} worst, "
                f"{one.nominal:.1%} nominal, limit {one.network.load_limit:.0%}"
            )
            for name, one in self.items()
        ]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return html_of("planned load (shares of time)", self.to_frame())


_NETWORK = {
    "network": "",
    "bit_rate": "bit/s",
    "data_bit_rate": "bit/s",
    "nominal": "",
    "worst": "",
    "limit": "",
    "headroom": "",
    "unstated": "",
}
_MESSAGE = {
    "network": "",
    "identifier": "",
    "message": "",
    "node": "",
    "length": "byte",
    "frames": "",
    "period_ms": "ms",
    "event": "",
    "nominal": "",
    "worst": "",
}


def _network(one: PlannedLoad) -> dict[str, object]:
    return {
        "network": one.network.name,
        "bit_rate": one.network.bit_rate,
        "data_bit_rate": one.network.data_bit_rate,
        "nominal": one.nominal,
        "worst": one.worst,
        "limit": one.network.load_limit,
        "headroom": one.headroom,
        "unstated": len(one.unstated),
    }


def _messages(one: PlannedLoad) -> list[dict[str, object]]:
    return [
        {
            "network": one.network.name,
            "identifier": m.stream.message.label,
            "message": m.stream.message.name,
            "node": m.stream.node,
            "length": m.stream.message.length,
            "frames": m.frames,
            "period_ms": None if m.stream.cycle is None else m.stream.cycle.ms,
            "event": m.stream.event,
            "nominal": m.nominal,
            "worst": m.worst,
        }
        for m in one.messages
    ]


def loads(vehicle: Vehicle, *, networks: Iterable[str] | str | None = None) -> Loads:
    """The planned load of every network, or of those named, from the periods that are stated.

    >>> found = busplan.loads(busplan.load_plan("as_built.toml"))
    >>> found["drive"].nominal < found["drive"].worst < found["drive"].network.load_limit
    True
    """
    from busplan.checks.planned_load import network_load
    from busplan.plan.select import select_networks

    a_vehicle(vehicle, "loads")
    chosen = select_networks(vehicle, names(networks, "networks"))
    return Loads((name, network_load(vehicle, name)) for name in chosen)
