"""All sheets of a vehicle: the names of the files and what stands in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from busplan.definitions.writing import dbc_bytes
from busplan.plan.vehicle import Vehicle
from busplan.sheets.drawing import drawing
from busplan.sheets.gateway import gateway_csv
from busplan.sheets.network_dbc import network_files
from busplan.sheets.wiring_page import wiring_csv, wiring_html


@dataclass(frozen=True, slots=True)
class Sheet:
    """One file: its name, its bytes, what it is, and what could not go into it."""

    name: str
    data: bytes
    what: str
    left_out: tuple[str, ...] = ()


_TEXTS: tuple[tuple[str, str, Callable[[Vehicle], str]], ...] = (
    ("wiring.html", "wiring schedule, to print", wiring_html),
    ("wiring.csv", "wiring schedule, a row a node", wiring_csv),
    ("gateway.csv", "what each gateway receives, sends and routes", gateway_csv),
    ("drawing.svg", "drawing of the networks, A4", drawing),
)


def sheets(vehicle: Vehicle) -> Iterator[Sheet]:
    """Every sheet, made one after the other."""
    for name, what, make in _TEXTS:
        yield Sheet(name, make(vehicle).encode(), what)
    names = _dbc_names(vehicle)
    for file in network_files(vehicle):
        told = f"every message of {file.network}"
        yield Sheet(names[file.network], dbc_bytes(file.text), told, file.left_out)


def sheet_names(vehicle: Vehicle) -> tuple[str, ...]:
    """The names of all files, without making them."""
    return (*(name for name, _, _ in _TEXTS), *_dbc_names(vehicle).values())


def _dbc_names(vehicle: Vehicle) -> dict[str, str]:
    """File names of networks: nothing in them may mean a folder, and none is there twice."""
    found: dict[str, str] = {}
    for network in vehicle.networks:
        plain = "".join(c if c.isalnum() or c in "-_" else "_" for c in network)
        name, number = f"network_{plain}.dbc", 2
        while name.casefold() in map(str.casefold, found.values()):
            name, number = f"network_{plain}_{number}.dbc", number + 1
        found[network] = name
    return found
