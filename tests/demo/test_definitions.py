"""The demo's DBC files and plans, against cantools and the standards they claim to follow."""

from __future__ import annotations

import tomllib
from pathlib import Path

import cantools
import pytest

FOLDER = Path(__file__).parents[2] / "dbc_examples"
FILES = sorted(FOLDER.glob("*.dbc"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_cantools_loads_each_file_strictly(path: Path) -> None:
    database = cantools.database.load_file(path, strict=True, encoding="utf-8")
    assert database.messages
    assert "Invented for the demo vehicle" in path.read_text(encoding="utf-8")


def test_messages_that_several_files_describe_are_the_same_in_each() -> None:
    seen: dict[tuple[str, int, str | None], tuple[str, list[tuple[object, ...]]]] = {}
    for path in FILES:
        database = cantools.database.load_file(path, strict=True, encoding="utf-8")
        for message in database.messages:
            sender = message.senders[0] if message.senders else None
            layout = [(s.name, s.start, s.length, s.byte_order, s.scale) for s in message.signals]
            key = (message.name, message.frame_id, sender)
            first = seen.setdefault(key, (path.name, layout))
            assert first[1] == layout, f"{message.name}: {first[0]} and {path.name} differ"


@pytest.mark.parametrize("name", ["as_bought", "as_built"])
def test_plans_name_only_files_that_are_there(name: str) -> None:
    plan = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    assert plan["vehicle"]["invented"] is True
    named = {
        port["definitions"]
        for part in plan["part"].values()
        for port in part.get("port", {"": part}).values()
    }
    assert named == {p.name for p in FILES}
