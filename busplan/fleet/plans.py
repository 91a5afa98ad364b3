"""Plans as they were when captures were judged by them: the very files, kept by their content."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.errors import PlanError, Problem
from busplan.files import read_whole
from busplan.fleet.identity import plan_id
from busplan.fleet.place import Place
from busplan.plan.vehicle import Vehicle

if TYPE_CHECKING:
    from busplan.definitions.dbc import Definitions

LARGEST = 20_000_000
"""Bytes of the largest file of a plan."""


@dataclass(frozen=True, eq=False)
class GivenPlan:
    """A plan with the bytes of itself and of all its definition files, by the names in it."""

    name: str
    id: str
    vehicle: Vehicle
    text: bytes
    definitions: Mapping[str, bytes]


def read_plan(path: Path) -> GivenPlan:
    """A plan and all it names; :class:`busplan.errors.PlanError` when anything is wrong."""
    from busplan.definitions.dbc import load_dbc
    from busplan.plan.reader import read_document, vehicle_of

    document, problems = read_document(path)
    folder = path.parent
    found: dict[str, bytes] = {}

    def load(file: Path) -> Definitions:
        read = load_dbc(file)
        found[_named(file, folder)] = read_whole(file, LARGEST)
        return read

    vehicle = vehicle_of(document, problems, folder, load)
    try:
        text = read_whole(path, LARGEST)
    except OSError as error:
        raise PlanError(f"{path}: cannot be read: {error.strerror}") from error
    return GivenPlan(path.name, plan_id(text, found), vehicle, text, found)


def _named(file: Path, folder: Path) -> str:
    """A definition file by the name the plan gives it."""
    return file.relative_to(folder).as_posix() if file.is_relative_to(folder) else file.as_posix()


def keep_plan(place: Place, plan: GivenPlan) -> None:
    """Keep a plan's files in the fleet, unless they are there; ``plan.json`` comes last."""
    base = f"plans/{plan.id}"
    if place.exists(f"{base}/plan.json"):
        return
    place.write(f"{base}/plan.toml", plan.text)
    files = {}
    for number, (name, data) in enumerate(sorted(plan.definitions.items())):
        files[name] = f"{number}.dbc"
        place.write(f"{base}/{files[name]}", data)
    told = {"name": plan.name, "definitions": files}
    place.write(f"{base}/plan.json", json.dumps(told, indent=2).encode())


@lru_cache(maxsize=64)
def _opened(url: str, wanted: str) -> Vehicle:
    from busplan.definitions.dbc import parse_dbc
    from busplan.definitions.source import NoSuchFileError, decode_text
    from busplan.plan.reader import read_document, vehicle_of

    place, base = Place(url), f"plans/{wanted}"
    listed = place.read(f"{base}/plan.json")
    if listed is None:
        raise PlanError(f"{place.uri(base)}: the fleet has lost this plan; add a capture with it")
    told = json.loads(listed)
    names: dict[str, str] = told["definitions"]
    document, problems = read_document(place.local(f"{base}/plan.toml"))

    def load(file: Path) -> Definitions:
        name = file.as_posix()
        kept = names.get(name)
        data = None if kept is None else place.read(f"{base}/{kept}")
        if data is None:
            raise NoSuchFileError(Problem(name, None, "", "the fleet does not have it"), ())
        text, encoding, findings = decode_text(data, name)
        return parse_dbc(text, name, encoding=encoding, findings=findings)

    return replace(vehicle_of(document, problems, Path(), load), source=str(told["name"]))


def opened_plan(place: Place, wanted: str) -> Vehicle:
    """The vehicle of a kept plan; what it calls files are the names in the plan.

    :class:`busplan.errors.PlanError` when the fleet does not have it.
    """
    return _opened(place.url, wanted)
