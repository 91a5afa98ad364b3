"""Definition files that a command takes without a plan."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.output import say
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.wording import counted

if TYPE_CHECKING:
    from busplan.definitions.dbc import Definitions

DefinitionsOption = Annotated[
    list[Path] | None,
    typer.Option("--definitions", help="DBC file or folder of them, where there is no plan."),
]


def load_definitions(paths: Sequence[Path]) -> list[Definitions]:
    """All DBC files that are named or lie in named folders; blemishes are told on stderr."""
    from busplan.definitions.dbc import load_dbc
    from busplan.errors import PlanError

    files: list[Path] = []
    for path in paths:
        inside = [path]
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() == ".dbc")
        if not inside:
            raise UsageError(f"{path}: no .dbc file in this folder")
        files += inside
    loaded = []
    for file in files:
        try:
            loaded.append(load_dbc(file))
        except PlanError as error:
            if len(files) == 1:
                raise
            say(f"left out: {error}", err=True)
    for one in loaded:
        heavy = [f for f in one.findings if f.weight is not Weight.NOTE]
        if heavy:
            what = counted(len(heavy), "blemish", "blemishes")
            say(f"{one.file}: {what}, the first: {heavy[0].summary}", err=True)
    return loaded


def definitions_without(plan: Path | None, definitions: Sequence[Path] | None) -> list[Definitions]:
    """The files of a command that has no plan; ``UsageError`` when both are given."""
    if plan is not None and definitions:
        raise UsageError("a plan names its own definitions; give --plan or --definitions")
    return load_definitions(definitions or ())
