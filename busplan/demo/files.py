"""Where the demo's definitions, plans and short captures are."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from busplan.errors import UsageError

PLANS = ("as_bought", "as_built", "asleep")


def shipped(folder: Literal["dbc_examples", "captures"]) -> Path:
    """The folder with the demo's files: inside an installed busplan, or in a checkout of it."""
    package = Path(__file__).parents[1]
    for place in (package / "shipped" / folder, package.parent / folder):
        if place.is_dir():
            return place
    raise UsageError(f"this installation of busplan lacks its folder {folder}; install it again")


def plan_file(name: str) -> Path:
    """The plan of the demo vehicle ``as_bought``, ``as_built`` or ``asleep``."""
    if name not in PLANS:
        raise UsageError(f"the demo has the plans {', '.join(PLANS)}; got {name}")
    return shipped("dbc_examples") / f"{name}.toml"


def definition_files() -> tuple[Path, ...]:
    """The demo's DBC files and plans."""
    folder = shipped("dbc_examples")
    return tuple(sorted([*folder.glob("*.dbc"), *folder.glob("*.toml")]))


def about_captures() -> Mapping[str, Mapping[str, Any]]:
    """What ``captures/about.toml`` says of each capture: file, plan, cut, what is planted."""
    text = (shipped("captures") / "about.toml").read_text(encoding="utf-8")
    entries: Mapping[str, Mapping[str, Any]] = tomllib.loads(text)["capture"]
    return entries
