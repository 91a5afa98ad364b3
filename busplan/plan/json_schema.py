"""The plan file as a JSON Schema (draft 2020-12), for editors that complete and check it.

The rules of this file: everything comes from the tables that check a plan; nothing is told twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaMode, models_json_schema

from busplan.plan.allot_schema import AllotSpec
from busplan.plan.behaviour_spec import BehaviourSpec, ClaimSpec
from busplan.plan.commission_spec import PlannedTestSpec
from busplan.plan.meanings import MEANINGS
from busplan.plan.message_schema import MessageSpec
from busplan.plan.route_schema import RouteSpec
from busplan.plan.schema import (
    NetworkSpec,
    NodeSpec,
    PackSpec,
    PartSpec,
    VehicleSpec,
)
from busplan.plan.spec import Spec
from busplan.plan.validate import NAME_PATTERN, ROLE

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_TABLES: dict[str, type[Spec]] = {
    "vehicle": VehicleSpec,
    "allot": AllotSpec,
    "pack": PackSpec,
}
_NAMED: dict[str, type[Spec]] = {
    "network": NetworkSpec,
    "part": PartSpec,
    "node": NodeSpec,
    "message": MessageSpec,
}
_LISTED: dict[str, type[Spec]] = {
    "route": RouteSpec,
    "behaviour": BehaviourSpec,
    "test": PlannedTestSpec,
}


def plan_schema() -> dict[str, Any]:
    """The schema as plain values.

    A title says what a key means, a description completes the sentence "the value must be …".
    """
    mode: JsonSchemaMode = "validation"
    models: list[type[Spec]] = [*_TABLES.values(), *_NAMED.values(), *_LISTED.values(), ClaimSpec]
    places, found = models_json_schema([(m, mode) for m in models], schema_generator=_Generator)
    refs = {model: places[model, mode] for model in models}
    properties: dict[str, Any] = {name: refs[model] for name, model in _TABLES.items()}
    for name, model in _NAMED.items():
        properties[name] = {
            "type": "object",
            "description": f"[{name}.NAME] tables",
            "additionalProperties": refs[model],
        }
        if name != "message":
            properties[name]["propertyNames"] = {"pattern": f"^{NAME_PATTERN}$"}
    for name, model in _LISTED.items():
        properties[name] = {
            "type": "array",
            "description": f"[[{name}]] tables",
            "items": refs[model],
        }
    properties["role"] = {
        "type": "object",
        "description": "a table of role = what it stands for",
        "additionalProperties": {
            "description": ROLE,
            "anyOf": [{"type": "string", "minLength": 1}, refs[ClaimSpec]],
        },
    }
    return {
        "$schema": DIALECT,
        "title": "busplan plan",
        "description": "Networks, parts, nodes and routes of a vehicle. The title of a key says "
        "what it means; its description completes the sentence: the value must be ...",
        "type": "object",
        "additionalProperties": False,
        "properties": properties,
        "$defs": with_meanings(without_null(found["$defs"]), MEANINGS),
    }


class _Generator(GenerateJsonSchema):
    """Where one value may stand for a list of one, the schema says so."""

    def function_before_schema(self, schema: Any) -> dict[str, Any]:
        inner = super().function_before_schema(schema)
        if inner.get("type") != "array":
            return inner
        return {"anyOf": [inner.get("items", {}), inner]}


def with_meanings(tables: Any, meanings: Mapping[str, Mapping[str, str]]) -> Any:
    """The tables, each key with its meaning for a title."""
    for name, table in tables.items():
        for key, field in table["properties"].items():
            if key in meanings.get(name, ()):
                table["properties"][key] = {"title": meanings[name][key]} | field
    return tables


def without_null(value: Any) -> Any:
    """TOML has no null: a key that may be left out is left out. Titles made of names go, too."""
    if isinstance(value, list):
        return [without_null(v) for v in value]
    if not isinstance(value, dict):
        return value
    told = {
        key: without_null(one)
        for key, one in value.items()
        if not (key == "title" and isinstance(one, str)) and not (key == "default" and one is None)
    }
    choices = told.get("anyOf")
    if isinstance(choices, list) and {"type": "null"} in choices:
        rest = [c for c in choices if c != {"type": "null"}]
        del told["anyOf"]
        told = ({"anyOf": rest} if len(rest) > 1 else rest[0]) | told
    return told
