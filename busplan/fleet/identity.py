"""What makes two judgements the same one: captures, plans and runs by their content."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from hashlib import sha256
from typing import Any, NamedTuple

JUDGEMENT_VERSION = 29
"""Raised whenever a judgement may come out differently for the same capture and plan.

It is not the program's version: a release that judges as before must not judge everything anew.
``tests/fleet/test_judgement_version.py`` holds the demo's judgements against what this version
gave.
"""


class FileIdentity(NamedTuple):
    """One file of a capture: SHA-256 of its bytes, and what is added to its times [ns]."""

    sha256: str
    offset_ns: int | None = None


def _hash(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), sort_keys=True)
    return sha256(text.encode()).hexdigest()


def capture_id(
    files: Sequence[FileIdentity],
    channels: Mapping[str, str] | None = None,
    columns: str = "",
) -> str:
    """What a capture is known by: the SHA-256 of its one file, taken as it is.

    Of several files, or where times are moved, channels renamed or columns told: the hash of the
    ordered list of all that.
    """
    if len(files) == 1 and files[0].offset_ns is None and not channels and not columns:
        return files[0].sha256
    return _hash(["capture", [list(f) for f in files], dict(channels or {}), columns])


def plan_id(text: bytes, definitions: Mapping[str, bytes]) -> str:
    """A plan with every definition file it names, by the names it names them with."""
    named = {name: sha256(data).hexdigest() for name, data in definitions.items()}
    return _hash(["plan", sha256(text).hexdigest(), named])


def run_key(
    capture: str, plan: str, options: Mapping[str, Any], version: int = JUDGEMENT_VERSION
) -> str:
    """What a judgement is a pure function of."""
    return _hash(["run", capture, plan, version, dict(options)])
