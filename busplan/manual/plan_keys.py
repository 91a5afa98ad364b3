"""Reference pages of the plan and of the file of boards, made from the tables that check them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from busplan.manual.page import Page, escaped_markdown

GROUP = "Reference: what a plan may say"
_REF = "#/$defs/"


def plan_pages() -> Iterator[Page]:
    """One page a section of the plan, ``plan-network`` and so on; ``[role]`` with behaviours."""
    from busplan.plan.json_schema import plan_schema

    schema = plan_schema()
    definitions: Mapping[str, Any] = schema["$defs"]
    for name, told in schema["properties"].items():
        # [role] has no keys of its own: it gives names to claims.
        top = "ClaimSpec" if name == "role" else next(iter(_refs(told)))
        tables = list(dict.fromkeys(_below(top, definitions)))
        if name == "behaviour":
            tables.remove("ClaimSpec")
        lines = [f"# Plan: the section {name}", "", *_INTRODUCTIONS.get(name, ())]
        for table in tables:
            lines += _table(definitions[table])
        yield Page(f"plan-{name}", GROUP, "\n".join(lines))


_INTRODUCTIONS = {
    "role": (
        "`[role]` gives names to signals and to what they show, so that behaviours speak of "
        "`@fan_on` whatever a maker calls it. Each entry is a signal's name as text, or one of the "
        "tables below.",
        "",
    ),
    "behaviour": (
        "What `becomes`, `while`, `require`, `always` and `never` may say stands under "
        "[claims](plan-role.md).",
        "",
    ),
}


def board_page() -> Page:
    """The file of boards."""
    from pydantic.json_schema import models_json_schema

    from busplan.board.meanings import MEANINGS
    from busplan.board.spec import BoardSpec, FileSpec, LimitSpec, TileSpec
    from busplan.plan.json_schema import with_meanings, without_null

    models = (FileSpec, LimitSpec, BoardSpec, TileSpec)
    _, found = models_json_schema([(m, "validation") for m in models])
    definitions = with_meanings(without_null(found["$defs"]), MEANINGS)
    lines = ["# The file of boards", ""]
    lines += ["`PLAN.board.toml` beside the plan, or the file given with `--board`. How to make "]
    lines[-1] += "one without writing it: [own board](own-board.md)."
    lines += [""]
    for model in models:
        lines += _table(definitions[model.__name__])
    return Page("board-file", GROUP, "\n".join(lines))


def _refs(value: Any) -> Iterator[str]:
    """Names of the tables that a part of the schema leads to, in order."""
    if isinstance(value, dict):
        ref = value.get("$ref")
        if isinstance(ref, str):
            yield ref.removeprefix(_REF)
        for one in value.values():
            yield from _refs(one)
    elif isinstance(value, list):
        for one in value:
            yield from _refs(one)


def _below(table: str, definitions: Mapping[str, Any], seen: frozenset[str] = frozenset()) -> Any:
    yield table
    for other in _refs(definitions[table]["properties"]):
        if other not in seen and other != table:
            yield from _below(other, definitions, seen | {table})


def _table(told: Mapping[str, Any]) -> list[str]:
    """One table of the schema: its heading, then its keys."""
    path, more = _told(str(told.get("description", "")))
    lines = [f"## {escaped_markdown(path)}", ""]
    if more:
        lines += [escaped_markdown(more), ""]
    for key, field in told["properties"].items():
        lines += _key(key, field, key in told.get("required", ()))
    return lines


def _told(docstring: str) -> tuple[str, str]:
    """The heading of a table and what is said below it, from its docstring."""
    found = re.fullmatch(r"``(.+?)``[:.]?\s*(.*)", docstring, re.DOTALL)
    if found is None:
        return "Claims" if "holds" in docstring else "Outside all tables", docstring
    return found[1], _sentence(found[2])


def _key(key: str, field: Mapping[str, Any], required: bool) -> list[str]:
    meaning, must = str(field.get("title", "")), str(field.get("description", ""))
    lines = [f"### `{key}`", ""]
    told = [escaped_markdown(_sentence(meaning))] if meaning else []
    if must:
        told.append(f"Must be {escaped_markdown(must)}.")
    if required:
        told.append("Required.")
    elif field.get("default") not in (None, "", [], {}):
        told.append(f"Default: `{json.dumps(field['default'])}`.")
    return [*lines, " ".join(told), ""]


def _sentence(text: str) -> str:
    text = " ".join(text.split())
    return text if not text else text[0].upper() + text[1:].rstrip(".") + "."
