"""The user's own keys: ``keys.toml`` in the user's configuration folder.

One line each, ``"time.toggle" = "k"``; several keys are parted by commas. The names stand in the
help of every screen. A file that says something impossible is an error, not a key without effect.
"""

from __future__ import annotations

import difflib
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path

from textual.binding import Binding, BindingType
from textual.keys import KEY_NAME_REPLACEMENTS, Keys

from busplan.errors import UsageError
from busplan.files import read_whole


def keys_file() -> Path:
    """Where the user may put keys."""
    import platformdirs

    return platformdirs.user_config_path("busplan") / "keys.toml"


LARGEST = 100_000
"""Bytes of the largest file of keys that is read."""


def read_keys(path: Path, known: Iterable[str]) -> Mapping[str, str]:
    """The user's keys by the name of what they do, all of them ``known``; none without a file.

    Raises :class:`UsageError` for a file that is wrong.
    """
    try:
        keys = tomllib.loads(read_whole(path, LARGEST).decode("utf-8"))
    except OSError:
        return {}
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path}: {error}") from error
    wrong = [name for name, key in keys.items() if not isinstance(key, str)]
    if wrong:
        raise UsageError(f'{path}: write keys as "name" = "key"; wrong: {", ".join(wrong)}')
    names = sorted(known)
    for name, keys_of in keys.items():
        if name not in names:
            near = difflib.get_close_matches(name, names, 3)
            hint = f"did you mean {' or '.join(near)}?" if near else "the help lists the names"
            raise UsageError(f"{path}: there is nothing named {name!r}; {hint}")
        for key in keys_of.split(","):
            if not _is_key(key.strip()):
                raise UsageError(
                    f"{path}: {name}: {key.strip()!r} is no key; write k, K, ctrl+k, f5, space, "
                    "pageup, question_mark ..."
                )
    return keys


def names_of(*bindings: Iterable[BindingType]) -> set[str]:
    """The names under which bindings can be given other keys."""
    return {b.id for each in bindings for b in each if isinstance(b, Binding) and b.id}


def refuse_doubles(path: Path, keys: Mapping[str, str], *bindings: Iterable[BindingType]) -> None:
    """See that no key of the user's does two things among ``bindings``, which hold together.

    Raises :class:`UsageError`.
    """
    owner: dict[str, str] = {}
    for each in (b for group in bindings for b in group if isinstance(b, Binding) and b.id):
        assert each.id
        for key in keys.get(each.id, each.key).split(","):
            name = _name_of(key.strip())
            other = owner.setdefault(name, each.id)
            if other != each.id and (other in keys or each.id in keys):
                raise UsageError(
                    f"{path}: the key {key.strip()} would do two things, {other} and {each.id}; "
                    "give one of them another key"
                )


def _name_of(key: str) -> str:
    """What Textual calls a key that may be written as its character."""
    *modifiers, last = key.split("+") if len(key) > 1 else [key]
    if len(last) == 1 and not last.isalnum():
        last = unicodedata.name(last).lower().replace("-", "_").replace(" ", "_")
        last = KEY_NAME_REPLACEMENTS.get(last, last)
    return "+".join([*modifiers, last])


def _is_key(text: str) -> bool:
    if len(text) == 1:
        return True
    *modifiers, key = text.split("+")
    if not set(modifiers) <= {"ctrl", "shift", "alt"}:
        return False
    if len(key) == 1 or key in {k.value for k in Keys} or key in KEY_NAME_REPLACEMENTS.values():
        return True
    try:
        unicodedata.lookup(key.replace("_", " "))
    except KeyError:
        return False
    return True
