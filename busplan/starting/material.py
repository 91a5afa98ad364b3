"""What a folder holds, as far as it can be read, and what a person answered about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from busplan.definitions.dbc import Definitions
from busplan.starting.heard import Channel
from busplan.starting.paper_table import PaperTable


@dataclass(frozen=True, slots=True)
class Material:
    """Definitions, tables and channels of captures; ``names`` maps a definition file's path to how
    the plan names it; ``unused`` holds files that could not be read, each with its reason."""

    definitions: tuple[Definitions, ...] = ()
    names: Mapping[str, str] = field(default_factory=dict)
    tables: tuple[PaperTable, ...] = ()
    channels: tuple[Channel, ...] = ()
    unused: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Answers:
    """What a person said: the vehicle's name, how many of a part, what networks are called."""

    vehicle: str = ""
    counts: Mapping[str, int] = field(default_factory=dict)
    networks: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Question:
    """One question that matters: ``about`` is a part or network, ``kind`` what is asked of it."""

    kind: str
    about: str
    text: str
    default: str


NO_ANSWERS = Answers()
