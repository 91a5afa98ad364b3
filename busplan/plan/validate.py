"""Checking the tables of a plan against the schema, and saying what is wrong in plain words.

One table is checked at a time, so that one wrong table hides nothing in the others.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import ValidationError

from busplan.plan.allot_schema import AllotSpec
from busplan.plan.behaviour_spec import BehaviourSpec, ClaimSpec
from busplan.plan.cable_schema import CableSpec
from busplan.plan.commission_spec import PlannedTestSpec
from busplan.plan.likely import likely
from busplan.plan.locate import KeyPath
from busplan.plan.message_schema import MessageSpec
from busplan.plan.paper_schema import LONGEST_NAME
from busplan.plan.problems import Problems, near_miss, show_value, suggestion
from busplan.plan.route_schema import RouteSpec
from busplan.plan.schema import (
    NetworkSpec,
    NodeSpec,
    PackSpec,
    PartSpec,
    PlanSpec,
    VehicleSpec,
)
from busplan.plan.spec import Spec

S = TypeVar("S", bound=Spec)
SECTIONS = (
    "vehicle",
    "allot",
    "network",
    "part",
    "node",
    "route",
    "message",
    "pack",
    "role",
    "behaviour",
    "test",
)
ROLE = "the name of a signal or message as text, or a table that says what holds"
NAME_PATTERN = rf"[^\s/*]{{1,{LONGEST_NAME}}}"
_NAME = re.compile(NAME_PATTERN)


def read_spec(document: Mapping[str, Any], problems: Problems) -> PlanSpec:
    """Check every table of a parsed plan; what is wrong goes to ``problems``."""
    spec = PlanSpec()
    for key in document:
        if key not in SECTIONS:
            problems.add((key,), f"unknown section{suggestion(key, SECTIONS)}")
    if "vehicle" in document:
        spec.vehicle = read_table(VehicleSpec, document["vehicle"], ("vehicle",), problems) or (
            spec.vehicle
        )
    if "allot" in document:
        found = read_table(AllotSpec, document["allot"], ("allot",), problems)
        spec.allot = found or spec.allot
    _section(spec, document, "network", NetworkSpec, spec.networks, problems)
    _section(spec, document, "part", PartSpec, spec.parts, problems)
    _section(spec, document, "node", NodeSpec, spec.nodes, problems)
    _section(spec, document, "message", MessageSpec, spec.messages, problems)
    spec.routes |= _listed(document, "route", RouteSpec, problems)
    spec.behaviours |= _listed(document, "behaviour", BehaviourSpec, problems)
    spec.tests |= _listed(document, "test", PlannedTestSpec, problems)
    _roles(spec, document, problems)
    if "pack" in document:
        spec.pack = read_table(PackSpec, document["pack"], ("pack",), problems)
    return spec


def _section(
    spec: PlanSpec,
    document: Mapping[str, Any],
    section: str,
    model: type[S],
    into: dict[str, S],
    problems: Problems,
) -> None:
    tables = document.get(section, {})
    if not isinstance(tables, dict):
        problems.add(
            (section,), f"must be tables such as [{section}.NAME]; got {show_value(tables)}"
        )
        return
    for name, table in tables.items():
        path = (section, name)
        if section != "message" and not _NAME.fullmatch(name):
            problems.add(
                path,
                f"a name may hold no blank, slash or asterisk, and at most {LONGEST_NAME} letters",
            )
        if checked := read_table(model, table, path, problems):
            into[name] = checked
        else:
            spec.broken.setdefault(section, set()).add(name)


def _listed(
    document: Mapping[str, Any], section: str, model: type[S], problems: Problems
) -> dict[int, S]:
    """The tables of ``[[section]]`` that can be used, by their place."""
    tables = document.get(section, [])
    if not isinstance(tables, list):
        problems.add((section,), f"must be [[{section}]] tables; got {show_value(tables)}")
        return {}
    checked = ((i, read_table(model, t, (section, i), problems)) for i, t in enumerate(tables))
    return {i: table for i, table in checked if table is not None}


def _roles(spec: PlanSpec, document: Mapping[str, Any], problems: Problems) -> None:
    """``[role]``: names of signals or messages, and claims."""
    roles = document.get("role", {})
    if not isinstance(roles, dict):
        problems.add(("role",), f"must be the table [role]; got {show_value(roles)}")
        return
    for name, value in roles.items():
        if isinstance(value, str) and value:
            spec.roles[name] = value
            continue
        if isinstance(value, dict):
            claim = read_table(ClaimSpec, value, ("role", name), problems)
        else:
            problems.add(("role", name), f"must be {ROLE}; got {show_value(value)}")
            claim = None
        if claim is not None:
            spec.roles[name] = claim
        else:
            spec.broken.setdefault("role", set()).add(name)


def read_table(model: type[S], table: Any, path: KeyPath, problems: Problems) -> S | None:
    """One table checked; ``None`` when it cannot be used. Unknown keys alone leave it usable."""
    try:
        return model.model_validate(table)
    except ValidationError as error:
        errors = error.errors(include_url=False)
    for item in errors:
        bound = _bound(item["type"], item.get("ctx", {}))
        _explain(model, item["type"], item["loc"], item["input"], bound, path, problems)
    if any(item["type"] != "extra_forbidden" for item in errors):
        return None
    return model.model_validate(_without(table, [e["loc"] for e in errors]))


def _explain(
    model: type[Spec],
    kind: str,
    loc: tuple[str | int, ...],
    value: Any,
    bound: tuple[str, str],
    path: KeyPath,
    problems: Problems,
) -> None:
    """Say what pydantic found wrong at ``loc`` inside the table at ``path``.

    ``bound``: the bound that was passed, in words and as a number, where it was one.
    """
    place = (*path, *loc)
    if kind == "missing":
        allowed, _ = _field_at(model, loc)
        problems.add(place[:-1], f'the key "{loc[-1]}" is missing; it must be {allowed}')
    elif kind == "extra_forbidden":
        _, inside = _field_at(model, loc[:-1])
        key = str(loc[-1])
        hint = near_miss(key, inside) or _elsewhere(key) or suggestion(key, inside, "key")
        problems.add(place, f"unknown key{hint}")
    else:
        allowed, _ = _field_at(model, loc)
        words, number = bound
        known = not number or re.search(rf"(?<![\d.]){re.escape(number)}(?!\.?\d)", allowed)
        told = "" if known else f" ({words} {number})"
        hint = likely(allowed, value, alone=not (loc and isinstance(loc[-1], int)))
        problems.add(place, f"must be {allowed or 'a table'}{told}; got {show_value(value)}{hint}")


_BOUNDS = {
    "less_than_equal": ("at most", "le"),
    "less_than": ("below", "lt"),
    "greater_than_equal": ("at least", "ge"),
    "greater_than": ("above", "gt"),
    "string_too_long": ("letters: at most", "max_length"),
    "too_long": ("entries: at most", "max_length"),
}


def _bound(kind: str, context: Mapping[str, Any]) -> tuple[str, str]:
    """The bound that a value has passed, in words and as a number; empty where it is none."""
    words, key = _BOUNDS.get(kind, ("", ""))
    limit = context.get(key)
    if limit is None:
        return "", ""
    return words, str(int(limit) if float(limit).is_integer() else limit)


_TABLES: Mapping[str, type[Spec]] = {
    "[network.NAME]": NetworkSpec,
    "[network.NAME.cable]": CableSpec,
    "[part.NAME]": PartSpec,
    "[node.NAME]": NodeSpec,
    '[message."NETWORK/NODE/MESSAGE"]': MessageSpec,
}
"""Tables whose keys are looked for in others; those of routes and the pack have words for many."""


def _elsewhere(key: str) -> str:
    """``; it is a key of …`` where another table has it, else nothing."""
    homes = [
        table
        for table, model in _TABLES.items()
        if key in [f.alias or name for name, f in model.model_fields.items()]
    ]
    return f"; it is a key of {' and '.join(homes)}" if 0 < len(homes) < 3 else ""


def _field_at(model: type[Spec], loc: tuple[str | int, ...]) -> tuple[str, list[str]]:
    """What the nearest field above ``loc`` must be, and the keys of the table at ``loc``."""
    allowed = ""
    here: Any = model
    for step in loc:
        here = _plain_type(here)
        if isinstance(here, type) and issubclass(here, Spec):
            fields = {f.alias or name: f for name, f in here.model_fields.items()}
            if step not in fields:
                return allowed, []
            allowed = fields[str(step)].description or allowed
            here = fields[str(step)].annotation
        else:
            here = (get_args(here) or (None,))[-1]
    here = _plain_type(here)
    if isinstance(here, type) and issubclass(here, Spec):
        return allowed, [f.alias or name for name, f in here.model_fields.items()]
    return allowed, []


def _plain_type(annotation: Any) -> Any:
    """The annotation without ``Annotated`` and ``| None``."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
        elif isinstance(annotation, UnionType) or get_origin(annotation) is Union:
            annotation = next(a for a in get_args(annotation) if a is not type(None))
        else:
            return annotation


def _without(table: Any, places: list[tuple[str | int, ...]]) -> Any:
    """A copy of nested tables without the keys at ``places``."""
    if isinstance(table, dict):
        gone = {p[0] for p in places if len(p) == 1}
        return {
            k: _without(v, [p[1:] for p in places if len(p) > 1 and p[0] == k])
            for k, v in table.items()
            if k not in gone
        }
    if isinstance(table, list):
        return [
            _without(v, [p[1:] for p in places if len(p) > 1 and p[0] == i])
            for i, v in enumerate(table)
        ]
    return table
