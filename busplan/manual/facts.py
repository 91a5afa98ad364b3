"""What only the command line can tell of busplan, as plain values: commands and public names."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Parameter:
    """An argument or option: the ``names`` a user types, and both columns of its help."""

    names: tuple[str, ...]
    form: str
    help: str
    is_option: bool


@dataclass(frozen=True, slots=True)
class Command:
    """A command: what its help says. ``epilog`` tells its exit codes; ``below`` it are others."""

    name: str
    help: str
    usage: str
    parameters: tuple[Parameter, ...]
    epilog: str
    below: tuple[Command, ...] = ()


@dataclass(frozen=True, slots=True)
class PublicName:
    """What ``import busplan`` gives under one name: signature (empty for values) and docstring."""

    name: str
    signature: str
    docstring: str


@dataclass(frozen=True, slots=True)
class Facts:
    """All of it."""

    commands: tuple[Command, ...] = ()
    names: tuple[PublicName, ...] = ()
